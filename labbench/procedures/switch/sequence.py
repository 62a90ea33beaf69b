"""Measure a MOSFET: the order of the steps protects the part and the bench (switches.md C1).

The gate comes before the drain sees volts, low voltage before high, microamperes before amperes,
and the leakage again at the end. What lies outside its stop limit ends the sequence.
"""

from __future__ import annotations

__all__ = ["SwitchTaken", "Zeros", "open_fixture", "switch_sequence"]

import math
from collections.abc import Mapping

from attrs import evolve, field, frozen

from labbench.bench.bench import Bench
from labbench.ports import Event
from labbench.procedures.switch.body_diode import body_diode, wait_until_cool
from labbench.procedures.switch.breakdown import breakdown, breakdown_plan
from labbench.procedures.switch.capacitance import capacitances, no_gate_seen
from labbench.procedures.switch.conditions import SwitchConditions
from labbench.procedures.switch.drain_leakage import (
    FINEST,
    START,
    drain_hookup,
    drain_leakage,
    repeat_drain,
)
from labbench.procedures.switch.gate_leakage import gate_hookup, gate_leakage, stops
from labbench.procedures.switch.hot_short import STILL_WARM, may_be_hot, short_or_hot
from labbench.procedures.switch.leakage import take_leak
from labbench.procedures.switch.live import tie
from labbench.procedures.switch.on_resistance import on_resistance
from labbench.procedures.switch.plan import PlanStep, switch_plan
from labbench.procedures.switch.seating import unread_diode, why_otherwise
from labbench.procedures.switch.short_check import any_short, short_check
from labbench.procedures.switch.taken import (
    BreakdownTaken,
    CapacitanceTaken,
    DiodeTaken,
    LeakTaken,
    OnTaken,
    ShortTaken,
    ThresholdTaken,
    WarmthTaken,
)
from labbench.procedures.switch.threshold import threshold
from labbench.procedures.switch.touching import untouched

#: a hot part leaks up to four times what a cold one does: it is told to cool, not stopped
_HOT_FACTOR = 4.0
#: a leak beyond its limit by up to so much may be warmth alone: 50 K at a doubling every 10 K
#: (common practice, no source)
_WARM_FACTOR = 32.0
#: a forward voltage below this is no diode
_LEAST_DIODE_V, _LEAST_SCHOTTKY_V = 0.2, 0.05
_MOST_DIODE_V = 1.5

Zeros = Mapping[tuple[str, float], float]


@frozen(kw_only=True)
class SwitchTaken:
    """Hold everything that was read of one switch, and where and why it ended early."""

    short: tuple[ShortTaken, ...] = ()
    gate: tuple[LeakTaken, ...] = ()
    drain: tuple[LeakTaken, ...] = ()
    diode: tuple[DiodeTaken, ...] = ()
    threshold: tuple[ThresholdTaken, ...] = ()
    on: tuple[OnTaken, ...] = ()
    capacitance: tuple[CapacitanceTaken, ...] = ()
    breakdown: tuple[BreakdownTaken, ...] = ()
    #: how the forward voltage moved, where warmth was looked for
    warmth: WarmthTaken | None = None
    stopped_at: str | None = None
    why: str | None = None
    #: how else it may lie than it was said to: then nothing that was read is the part's
    doubt: str | None = None
    #: steps that this bench cannot do, and why
    missing: Mapping[str, str] = field(factory=dict)


def open_fixture(bench: Bench, conditions: SwitchConditions, *, position: str = "open") -> Zeros:
    """Read the leakage steps with nothing in the jig: fixture, cables and the meter's own bias.

    Taken at the same voltages, by hookup and voltage. Raises what the bench raises.
    """
    found: dict[tuple[str, float], float] = {}
    wanted = [(gate_hookup(s, mirrored=conditions.mirrored), conditions.gate_v) for s in (1, -1)]
    for element in (START, FINEST):
        drain = drain_hookup(element, mirrored=conditions.mirrored)
        wanted.append((drain, (conditions.low_drain_v, conditions.drain_v)))
    for joined, at in wanted:
        tie(bench, joined, position)
        for volts in at:
            taken = take_leak(bench, joined, volts, what="the open fixture")
            if taken.across_v is not None and taken.status == "ok":
                found[(joined.name, volts)] = taken.across_v
    return found


def switch_sequence(
    bench: Bench, conditions: SwitchConditions, *, position: str | None = None,
    zeros: Zeros | None = None, capacitance_f: float | None = None,
    drain_limit_a: float | None = None, with_breakdown: bool = False,
    lately_lifted: bool = False,
) -> SwitchTaken:  # fmt: skip
    """Run every step that this bench can do, in order; the first beyond its limit is the last.

    `zeros` is what `open_fixture` read, `drain_limit_a` the type's own leakage limit. A part that
    was lifted lately, or whose drain leaks beyond its limit, is watched by its diode until it
    stands still, one that reads short is looked at again until that stands still: what was read of
    a part warm is not kept, and one that goes on cooling is not measured further. Raises what the
    bench raises.
    """
    plan = switch_plan(bench, conditions, with_breakdown=with_breakdown)
    missing: dict[str, str] = {step.name: step.missing for step in plan if step.missing is not None}
    taken = SwitchTaken(missing=missing)
    for step in plan:
        if step.missing is not None:
            continue
        bench.tell(Event("step", {"text": step.words}))
        # before all else: at 200 °C a sound part leaks as much as a short draws
        if step.name == "short-check" and lately_lifted and not bench.multimeter_by_hand:
            taken = _cooled(bench, conditions, taken, position)
        if taken.warmth is None or not taken.warmth.still_cooling:
            taken = _one(bench, step, conditions, taken, position, zeros or {}, capacitance_f)
        if step.name == "short-check" and taken.warmth is None and may_be_hot(
            taken.short, schottky=conditions.schottky
        ):  # fmt: skip
            taken = _look_again(bench, step, conditions, taken, position)
        if step.name == "drain-leakage" and _maybe_warm(bench, taken, drain_limit_a):
            taken = _cooled(bench, conditions, taken, position)
            if taken.warmth is not None and taken.warmth.was_warm:
                taken = evolve(taken, drain=())
            if not taken.drain and taken.warmth is not None and taken.warmth.still:
                taken = _one(bench, step, conditions, taken, position, zeros or {}, capacitance_f)
        if taken.warmth is not None and taken.warmth.still_cooling:
            bench.tell(Event("stopped", {"text": f"{STILL_WARM}; no later step is run"}))
            return evolve(taken, stopped_at=step.name, why=STILL_WARM)
        why = _stop(step, taken, conditions, drain_limit_a)
        if why is not None:
            doubt = _doubt(bench, step, taken, conditions, position)
            bench.tell(Event("stopped", {"text": f"{doubt or why}: no later step is run"}))
            return evolve(taken, stopped_at=step.name, why=doubt or why, doubt=doubt)
    return taken


def _maybe_warm(bench: Bench, taken: SwitchTaken, drain_limit_a: float | None) -> bool:
    """Tell whether the drain leaks as a warm part's would, and nobody has looked at that yet."""
    if taken.warmth is not None or drain_limit_a is None or bench.multimeter_by_hand:
        return False
    return bool(taken.drain) and (
        drain_limit_a < taken.drain[-1].current_a <= _WARM_FACTOR * drain_limit_a
    )


def _cooled(
    bench: Bench, conditions: SwitchConditions, taken: SwitchTaken, position: str | None
) -> SwitchTaken:
    bench.tell(Event("warmth", {"text": "watching the body diode: is the part cool?"}))
    found = wait_until_cool(bench, mirrored=conditions.mirrored, position=position)
    return evolve(taken, warmth=found)


def _look_again(
    bench: Bench, step: PlanStep, conditions: SwitchConditions, taken: SwitchTaken,
    position: str | None,
) -> SwitchTaken:  # fmt: skip
    """Look for the short again where the part was warm; what was read of it warm is not kept."""
    found = short_or_hot(
        bench, taken.short[-1], mirrored=conditions.mirrored, schottky=conditions.schottky,
        position=position,
    )  # fmt: skip
    if not found.was_warm:
        # an intermittent short is none of warmth's doing: the first finding holds
        return evolve(taken, warmth=found)
    cold = evolve(taken, short=(), warmth=found)
    if found.still_cooling:
        return cold
    return _one(bench, step, conditions, cold, position, {}, None)


def _doubt(
    bench: Bench, step: PlanStep, taken: SwitchTaken, conditions: SwitchConditions,
    position: str | None,
) -> str | None:  # fmt: skip
    """Say how else the part may lie, where that explains what stopped the sequence."""
    if step.name == "contact-check":
        return taken.doubt
    if step.name == "capacitance":
        return "nothing is at the gate's contact: it does not touch, or its bond is open"
    if step.name == "body-diode":
        return unread_diode(taken.diode[0]) if taken.diode else None
    last = {"gate-leakage": taken.gate, "drain-leakage": taken.drain}.get(step.name)
    if not last:
        return None
    return why_otherwise(bench, conditions, step.name, last[-1], position=position)


def _one(
    bench: Bench, step: PlanStep, conditions: SwitchConditions, taken: SwitchTaken,
    position: str | None, zeros: Zeros, capacitance_f: float | None,
) -> SwitchTaken:  # fmt: skip
    mirrored = conditions.mirrored
    if step.name == "contact-check":
        missing = untouched(bench, mirrored=mirrored, position=position)
        if not missing:
            return taken
        named = " and ".join(missing)
        return evolve(taken, doubt=f"the jig does not touch the {named} with both contacts")
    if step.name == "capacitance":
        return evolve(taken, capacitance=capacitances(bench, mirrored=mirrored, position=position))
    if step.name == "short-check":
        found = short_check(
            bench, mirrored=mirrored, schottky=conditions.schottky, position=position
        )
        return evolve(taken, short=found)
    if step.name == "gate-leakage":
        return evolve(taken, gate=gate_leakage(bench, conditions, position=position, open_v=zeros))
    if step.name == "drain-leakage":
        return evolve(
            taken, drain=drain_leakage(bench, conditions, position=position, open_v=zeros)
        )
    if step.name == "body-diode":
        return evolve(taken, diode=body_diode(
            bench, mirrored=mirrored, position=position, capacitance_f=capacitance_f
        ))  # fmt: skip
    if step.name == "threshold":
        return evolve(
            taken,
            threshold=threshold(bench, conditions, position=position),
        )
    if step.name == "on-resistance":
        return evolve(taken, on=on_resistance(
            bench, conditions, position=position, capacitance_f=capacitance_f
        ))  # fmt: skip
    if step.name == "breakdown":
        found_v = breakdown(bench, conditions, breakdown_plan(bench, conditions), position=position)
        return evolve(taken, breakdown=(found_v,))
    again = repeat_drain(bench, conditions, taken.drain[-1], position=position)
    return evolve(taken, drain=(*taken.drain, again))


def _stop(
    step: PlanStep, taken: SwitchTaken, conditions: SwitchConditions, drain_limit_a: float | None
) -> str | None:
    """Say why nothing further is done to this part; None: go on."""
    if step.name == "contact-check":
        return taken.doubt
    if step.name == "capacitance" and no_gate_seen(taken.capacitance):
        return "nothing is at the gate's contact"
    if step.name == "short-check" and any_short(taken.short, schottky=conditions.schottky):
        return f"{taken.short[-1].path} is short"
    if step.name == "gate-leakage" and taken.gate and stops(taken.gate[-1], conditions):
        return "the gate leaks"
    if step.name == "drain-leakage" and taken.drain:
        last = taken.drain[-1]
        if last.part_v < last.set_v / 2:
            return "the drain leaks so much that it takes the voltage down"
        if drain_limit_a is not None and last.current_a > _HOT_FACTOR * drain_limit_a:
            return "the drain leaks"
    if step.name == "body-diode":
        least = _LEAST_SCHOTTKY_V if conditions.schottky else _LEAST_DIODE_V
        volts = taken.diode[0].diode_v if taken.diode else None
        if volts is None or not least < volts < _MOST_DIODE_V:
            return "there is no body diode between source and drain"
    if step.name == "threshold":
        for found in taken.threshold:
            if found.gate_v is None or (found.current_a or 0.0) < found.nominal_a / 2:
                return "the gate does not turn it on"
    if step.name == "on-resistance" and any(one.aborted or math.isinf(one.ohm) for one in taken.on):
        return "it drops too much voltage when it is on"
    return None
