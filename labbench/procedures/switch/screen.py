"""Screen a MOSFET by hand in three ties: what a minute can tell, and what it cannot."""

from __future__ import annotations

__all__ = ["CANNOT_SEE", "screen"]

from attrs import evolve

from labbench.bench.bench import Bench
from labbench.errors import StepAborted
from labbench.procedures.switch.body_diode import body_diode
from labbench.procedures.switch.conditions import SwitchConditions
from labbench.procedures.switch.drain_leakage import START, drain_hookup
from labbench.procedures.switch.gate_leakage import gate_leakage, stops
from labbench.procedures.switch.hookups import hookup
from labbench.procedures.switch.hot_short import STILL_WARM, short_or_hot
from labbench.procedures.switch.leakage import take_leak
from labbench.procedures.switch.live import part_maximum, tie
from labbench.procedures.switch.seating import unread_diode
from labbench.procedures.switch.sequence import SwitchTaken
from labbench.procedures.switch.short_check import LEAST_OHM
from labbench.procedures.switch.taken import ShortTaken

#: what no screen sees; said with its verdict
CANNOT_SEE = (
    "not looked at: threshold, on-resistance, a lifted bond, gate leakage the other way round, "
    "stability"
)
_SHORT_V = 0.2


def screen(
    bench: Bench, conditions: SwitchConditions, *, position: str | None = None
) -> SwitchTaken:
    """Screen: drain at 0.2 V and at its test voltage, body diode, then the gate.

    Gate and source are tied in the first two; 100 kohm stand before the drain, so a short is seen
    and not fed. The first beyond its limit ends it. Raises StepAborted without a multimeter.
    """
    if bench.multimeter is None or bench.supply is None:
        raise StepAborted("a screen needs a supply and a multimeter", hint="use `verify` instead")
    mirrored = conditions.mirrored
    maximum = part_maximum(conditions.name, conditions.maximum_drain_source_v)
    joined = drain_hookup(START, mirrored=conditions.mirrored)
    taken = _short(bench, conditions, position)
    # 100 kohm and a readback of a millivolt do not tell how short: it is never taken for metal here
    if taken.short[0].ohm < LEAST_OHM and bench.knows(hookup("fet-short-ds", mirrored=mirrored)):
        found = short_or_hot(
            bench, taken.short[0], mirrored=mirrored, schottky=conditions.schottky,
            position=position,
        )  # fmt: skip
        if found.still_cooling:
            return evolve(
                taken, short=(), warmth=found, stopped_at="short-check", why=STILL_WARM
            )  # fmt: skip
        if found.was_warm:
            taken = _short(bench, conditions, position)
        taken = evolve(taken, warmth=found)
    if taken.short[0].ohm < LEAST_OHM:
        return evolve(taken, stopped_at="short-check", why="drain-source is short")
    high = take_leak(bench, joined, conditions.drain_v, what="the drain leakage", part=maximum)
    taken = evolve(taken, drain=(high,))
    if high.part_v < high.set_v / 2:
        return evolve(taken, stopped_at="drain-leakage", why="the drain leaks")
    taken = evolve(taken, diode=body_diode(
        bench, mirrored=conditions.mirrored, position=position, strong=False
    ))  # fmt: skip
    if taken.diode[0].diode_v is None:
        return evolve(taken, stopped_at="body-diode", why="there is no body diode")
    if (doubt := unread_diode(taken.diode[0])) is not None:
        return evolve(taken, stopped_at="body-diode", why=doubt, doubt=doubt)
    one_voltage = evolve(conditions, gate_v=conditions.gate_v[-1:])
    gate = gate_leakage(bench, one_voltage, position=position, signs=(1,))
    taken = evolve(taken, gate=gate)
    if stops(gate[-1], conditions):
        return evolve(taken, stopped_at="gate-leakage", why="the gate leaks")
    return taken


def _short(bench: Bench, conditions: SwitchConditions, position: str | None) -> SwitchTaken:
    """Look for a short from drain to source at 0.2 V behind the resistor of the leakage."""
    joined = drain_hookup(START, mirrored=conditions.mirrored)
    tie(bench, joined, position)
    maximum = part_maximum(conditions.name, conditions.maximum_drain_source_v)
    low = take_leak(bench, joined, _SHORT_V, what="the drain at 0.2 V", part=maximum)
    return SwitchTaken(
        short=(ShortTaken(
            path="drain-source", supply_v=low.supply_v, across_v=low.across_v,
            series_ohm=low.series_ohm or 0.0,
        ),),
        missing={"threshold": "screen", "on-resistance": "screen"},
    )  # fmt: skip
