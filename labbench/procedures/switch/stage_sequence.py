"""Measure a power stage: the order of the steps protects the part and the bench (switches.md C4).

First how it lies, at 0.2 V: a part that is turned gets no more than that. Then shorts, diodes and
leaks without a driver, the driver at 15 mA behind 22 ohm, the current through both sides, both
sides with pwm open, and the high side's leakage again. What lies outside its stop limit ends it.
Off its board vin never sees low impedance above 0.5 V while the driver is fed: an output that is
stuck would burn its bonds.
"""

from __future__ import annotations

__all__ = ["stage_sequence"]

import math

from attrs import evolve

from labbench.bench.bench import Bench
from labbench.parts.stage_steps import HS_LEAK, LS_LEAK, VIN_LEAK
from labbench.ports import Event, Prompt
from labbench.procedures.switch.stage_conditions import StageConditions
from labbench.procedures.switch.stage_diodes import DIODES, stage_diode
from labbench.procedures.switch.stage_driver import (
    DRIVE_HOOKUPS,
    driver_current,
    pwm_currents,
    pwm_open,
)
from labbench.procedures.switch.stage_leakage import hs_leakage, ls_leakage, vin_leakage
from labbench.procedures.switch.stage_on import stage_on_resistance
from labbench.procedures.switch.stage_pairs import first_short, lie_of, short_paths
from labbench.procedures.switch.stage_plan import StageStep, stage_plan, two_channels
from labbench.procedures.switch.stage_taken import CurrentTaken, StageTaken
from labbench.procedures.switch.stage_tri import CONDUCTS_OHM, tri_state
from labbench.procedures.switch.stage_undervoltage import undervoltage
from labbench.procedures.switch.taken import LeakTaken

_LEAST_DIODE_V, _MOST_DIODE_V = 0.2, 1.5
#: the supply is in its limit where it shows this much less than was set (V)
_PULLED_DOWN_V = 0.5


def stage_sequence(
    bench: Bench, conditions: StageConditions, *, position: str | None = None,
    capacitance_f: float | None = None,
) -> StageTaken:  # fmt: skip
    """Run every step that this bench can do, in order; the first beyond its limit is the last.

    `capacitance_f` is the supply's output capacitance. Raises what the bench raises.
    """
    plan = stage_plan(bench)
    missing: dict[str, str] = {step.name: step.missing for step in plan if step.missing is not None}
    taken = StageTaken(missing=missing)
    for step in plan:
        if step.missing is not None:
            continue
        bench.tell(Event("step", {"text": step.words}))
        taken = _one(bench, step, conditions, taken, position, capacitance_f)
        why = _stop(step, taken, conditions) or _unsure_how_it_lies(bench, step, taken, position)
        if why is not None:
            bench.tell(Event("stopped", {"text": f"{why}: no later step is run"}))
            return evolve(taken, stopped_at=step.name, why=why)
    return taken


def _one(
    bench: Bench, step: StageStep, conditions: StageConditions, taken: StageTaken,
    position: str | None, capacitance_f: float | None,
) -> StageTaken:  # fmt: skip
    if step.name == "seating":
        seating, pairs = lie_of(bench, conditions.part, position=position)
        return evolve(taken, seating=seating, pairs=pairs)
    if step.name == "short":
        return evolve(taken, short=short_paths(bench, taken.pairs, position=position))
    if step.name == "body-diode":
        return evolve(
            taken,
            diodes={
                path: stage_diode(bench, path, nominal_a=conditions.diode_a, position=position)
                for path in DIODES
            },
        )
    if step.name in ("hs-leak", "hs-leak-again"):
        beside = taken.pair("sw-pgnd")
        found = hs_leakage(
            bench, conditions, position=position, repeat=step.name == "hs-leak-again",
            beside_ohm=beside.ohm if beside is not None and math.isfinite(beside.ohm) else None,
        )  # fmt: skip
        return evolve(taken, hs_leak=(*taken.hs_leak, found))
    if step.name == "ls-leak":
        return evolve(taken, ls_leak=ls_leakage(bench, conditions, position=position))
    if step.name == "vin-leak":
        return evolve(taken, vin_leak=vin_leakage(bench, conditions, position=position))
    if step.name == "driver-supply":
        return evolve(taken, driver=_driver(bench, conditions, position))
    if step.name == "pwm-open":
        volts, supply_v = pwm_open(
            bench, conditions, awake_a=taken.driver_current_a("open"), position=position
        )  # fmt: skip
        return evolve(taken, pwm_open_v=volts, pwm_supply_v=supply_v)
    if step.name == "pwm-current":
        return evolve(taken, pwm=pwm_currents(bench, conditions, position=position))
    two = two_channels(bench)
    awake_a = taken.driver_current_a("low")
    if step.name == "undervoltage":
        return evolve(taken, edges=undervoltage(
            bench, conditions, awake_a=awake_a, two_channels=two, position=position
        ))  # fmt: skip
    if step.name == "on-resistance":
        return evolve(taken, on={
            path: stage_on_resistance(
                bench, conditions, path, two_channels=two, awake_a=awake_a,
                capacitance_f=capacitance_f, position=position,
            )
            for path in ("sw-pgnd", "vin-sw")
        })  # fmt: skip
    return evolve(taken, tri=tri_state(bench, conditions, two_channels=two, position=position))


def _driver(
    bench: Bench, conditions: StageConditions, position: str | None
) -> tuple[CurrentTaken, ...]:
    taken: list[CurrentTaken] = []
    for state in DRIVE_HOOKUPS:
        taken.append(driver_current(bench, conditions, state, position=position))
        if _fed_too_much(taken[-1], conditions) is not None:
            break
    return tuple(taken)


def _stop(step: StageStep, taken: StageTaken, conditions: StageConditions) -> str | None:
    """Say why nothing further is done to this part; None: go on."""
    if step.name == "seating" and taken.seating is not None and taken.seating.how != "as-marked":
        return "it does not lie as marked in the jig"
    if step.name == "short":
        short = first_short(taken.short)
        return None if short is None else f"{short.path} is short"
    if step.name == "body-diode":
        for path, found in taken.diodes.items():
            if found.diode_v is None or not _LEAST_DIODE_V < found.diode_v < _MOST_DIODE_V:
                return f"there is no body diode {path}"
    if step.name == "hs-leak" and taken.hs_leak:
        limit = conditions.leak_stop_a.get(HS_LEAK.name, math.inf)
        if taken.hs_leak[-1].current_a > limit:
            return "the high side leaks"
    if step.name == "ls-leak" and taken.ls_leak is not None:
        return _leaks(taken.ls_leak, conditions.leak_stop_a.get(LS_LEAK.name), "the low side")
    if step.name == "vin-leak" and taken.vin_leak is not None:
        return _leaks(taken.vin_leak, conditions.leak_stop_a.get(VIN_LEAK.name), "vin to pgnd")
    if step.name == "driver-supply" and taken.driver:
        return _fed_too_much(taken.driver[-1], conditions)
    if step.name == "tri-state":
        # what does not do as it is told is not given 12 V once more
        for path, on in taken.on.items():
            if on.aborted or math.isinf(on.ohm):
                return f"{path} does not conduct when told to"
        for tri in taken.tri:
            if tri.ohm < CONDUCTS_OHM:
                return f"{tri.path} conducts with pwm open"
    return None


def _unsure_how_it_lies(
    bench: Bench, step: StageStep, taken: StageTaken, position: str | None
) -> str | None:
    """Ask a person where the type says too little for its pattern; nothing above 0.2 V on a no.

    Without a multimeter nothing above 0.2 V follows in any case.
    """
    known = taken.seating is None or taken.seating.known
    if step.name != "seating" or known or bench.multimeter is None:
        return None
    text = (
        "This type says too little to tell how a part lies. Does pin 1 lie at the mark, and every "
        "pin on its own contact"
    )
    detail = {"text": text, "specimen": position}
    prompt = Prompt("confirm", "lies-as-marked", ("yes", "no"), "no", detail)
    return None if bench.ask(prompt) == "yes" else "nobody confirmed that it lies as marked"


def _leaks(found: LeakTaken, limit_a: float | None, what: str) -> str | None:
    if found.part_v < found.set_v / 2:
        return f"{what} leaks so much that it takes the voltage down"
    if limit_a is not None and found.current_a > limit_a:
        return f"{what} leaks"
    return None


def _fed_too_much(found: CurrentTaken, conditions: StageConditions) -> str | None:
    if found.supply_v < conditions.driver_v - _PULLED_DOWN_V:
        return "the driver takes the whole 15 mA"
    stop = conditions.standby_stop_a
    if found.state == "standby" and stop is not None and found.current_a > stop:
        return "the driver takes too much in standby"
    return None
