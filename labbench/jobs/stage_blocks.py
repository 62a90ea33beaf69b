"""Turn what was read of a power stage into the readings that judging reads, with budgets."""

from __future__ import annotations

__all__ = ["stage_blocks"]

import math
from collections.abc import Iterator, Mapping
from typing import Any

from attrs import field, frozen

from labbench.jobs.switch_blocks import TOLERANCES, SwitchBlocks
from labbench.metrology.accuracy import MultimeterAccuracy, SupplyAccuracy
from labbench.metrology.budgets import Budget, budget_of
from labbench.metrology.diode import forward_voltage
from labbench.metrology.estimates import limits, to_estimate
from labbench.metrology.expected import BenchAccuracies
from labbench.metrology.leakage import leakage_by_resistor, series_current
from labbench.metrology.on_resistance import on_resistance
from labbench.metrology.stage import (
    difference_resistance,
    driver_current,
    guarded_leakage,
    input_voltage,
    less,
    resistance_behind,
    scaled_to,
    threshold_between,
)
from labbench.parts.stage_steps import (
    BODY_DIODE,
    DRIVER_SUPPLY,
    HS_LEAK,
    LS_LEAK,
    ON_RESISTANCE,
    PWM_CURRENT,
    PWM_OPEN,
    SEATING,
    SHORT,
    TRI_STATE,
    UNDERVOLTAGE,
    VIN_LEAK,
    Step,
)
from labbench.procedures.switch.ranging import fitting_range_v
from labbench.procedures.switch.stage_conditions import DRIVER_OHM
from labbench.procedures.switch.stage_taken import (
    CurrentTaken,
    EdgeTaken,
    PairTaken,
    ReturnTaken,
    StageTaken,
    TriTaken,
)
from labbench.procedures.switch.taken import DiodeTaken, LeakTaken, OnTaken
from labbench.results import Estimate, OnOffPair, StageReading

_WORST = 1e-2
#: leads, relays and contacts beside a resistor of the fixture (ohm; common practice, no source)
_BESIDE_OHM = 0.2
#: a current is taken to another by the diode's law within this factor
_NEAR = 2.0
#: the other way round: the path is named by its positive polarity
_FORWARDS = {tuple(reversed(path.split("-"))): path for path in SHORT.paths}


@frozen
class _Known:
    """Hold what the bench is known to get wrong, and collect the budgets."""

    meter: MultimeterAccuracy
    supply: SupplyAccuracy
    tolerances: Mapping[float, float]
    budgets: list[Budget] = field(factory=list)

    def tolerance(self, ohm: float) -> float:
        return self.tolerances.get(ohm, TOLERANCES.get(ohm, _WORST))


def stage_blocks(
    taken: StageTaken, accuracies: BenchAccuracies, tolerances: Mapping[float, float] | None = None
) -> SwitchBlocks:
    """Give the `stage` block of a readings line, and the budget of each value in it.

    `tolerances` are the limits of the fixture's resistors by their value (ohm, relative).
    """
    supply, meter = accuracies.supply, accuracies.multimeter
    assert supply is not None
    if meter is None:
        found = tuple(_by_readback(one, supply) for one in taken.short or taken.pairs)
        return SwitchBlocks({"stage": found})
    known = _Known(meter, supply, tolerances or {})
    return SwitchBlocks({"stage": tuple(_readings(taken, known))}, tuple(known.budgets))


def _readings(taken: StageTaken, known: _Known) -> Iterator[StageReading]:
    shorts = taken.short or tuple(one for one in taken.pairs if one.path in SHORT.paths)
    for pair in shorts:
        yield _pair(pair, known, SHORT)
    for pair in taken.pairs:
        if pair.path in SEATING.paths:
            yield _pair(pair, known, SEATING)
    for path, diode in taken.diodes.items():
        yield _diode(path, diode, known)
    guarded: Estimate | None = None
    for one in taken.hs_leak:
        reading, estimate = _return(one, taken, known)
        guarded = guarded if one.repeat else estimate
        yield reading
    if taken.ls_leak is not None:
        yield _leak(taken.ls_leak, LS_LEAK, known, None)
    if taken.vin_leak is not None:
        yield _leak(taken.vin_leak, VIN_LEAK, known, guarded)
    for current in taken.driver:
        yield _current(current, DRIVER_SUPPLY, "drive", known)
    if taken.pwm_supply_v is not None:
        yield _pwm_open(taken.pwm_open_v, known)
    for current in taken.pwm:
        yield _current(current, PWM_CURRENT, "pwm", known)
    for edge in taken.edges:
        yield _edge(edge, taken, known)
    for path, on in taken.on.items():
        yield _on(path, on, known)
    for tri in taken.tri:
        yield _tri(tri, known)


def _reading(
    step: Step, path: str, estimate: Estimate | None, known: _Known | None = None, *,
    state: Mapping[str, str] | None = None, **more: Any,
) -> StageReading:  # fmt: skip
    words = dict(state or {})
    if estimate is None:
        more.setdefault("status", "over-range")
        return StageReading(step.name, path, None, step.unit, state=words, **more)
    if known is not None and not more.get("repeat", False):
        name = "-".join([step.name, path, *words.values()])
        known.budgets.append(budget_of(estimate, name))
    return StageReading(
        step.name, path, estimate.value, step.unit, u=estimate.u, state=words, **more
    )


# --- resistances at 0.2 V -------------------------------------------------------------------------


def _pair(one: PairTaken, known: _Known, step: Step) -> StageReading:
    if one.by_readback:
        return _by_readback(one, known.supply)
    path, state = _named(one) if step is SHORT else (one.path, {})
    if not math.isfinite(one.ohm) or one.ohm >= one.greater_than_ohm or one.across_v is None:
        return _reading(step, path, None, state=state, greater_than=one.greater_than_ohm)
    found = resistance_behind(
        one.supply_v, one.across_v, one.zero_v, series_ohm=one.series_ohm, multimeter=known.meter,
        supply=known.supply, range_v=fitting_range_v(one.across_v), count=one.count,
        series_relative=known.tolerance(one.series_ohm),
    )  # fmt: skip
    noted = known if step is SHORT and state["polarity"] == "+" else None
    return _reading(step, path, found, noted, state=state)


def _by_readback(one: PairTaken, supply: SupplyAccuracy) -> StageReading:
    path, state = _named(one)
    if not math.isfinite(one.ohm) or one.ohm >= one.greater_than_ohm or not one.current_a:
        return _reading(SHORT, path, None, state=state, greater_than=one.greater_than_ohm)
    amps = one.current_a * limits(1.0, supply.current_gain_relative, "gain of the readback")
    amps = amps + limits(0.0, supply.current_offset_a, "zero of the current readback")
    found = to_estimate(one.ohm * one.current_a / amps, "ohm")
    return StageReading(SHORT.name, path, found.value, "ohm", u=max(found.u, 1e-6), state=state)


def _named(one: PairTaken) -> tuple[str, dict[str, str]]:
    backwards = _FORWARDS.get((one.one, one.other))
    if backwards is not None and one.path not in SHORT.paths:
        return backwards, {"polarity": "-"}
    return one.path, {"polarity": "+"}


def _tri(one: TriTaken, known: _Known) -> StageReading:
    if one.high_across_v is None or one.low_across_v is None:
        return _reading(TRI_STATE, one.path, None, less_than=1.0)
    if not math.isfinite(one.ohm):
        return _reading(TRI_STATE, one.path, None, greater_than=one.greater_than_ohm)
    found = difference_resistance(
        (one.high_v, one.high_across_v), (one.low_v, one.low_across_v),
        series_ohm=one.series_ohm, multimeter=known.meter, supply=known.supply,
        range_v=fitting_range_v(one.high_across_v),
        series_relative=known.tolerance(one.series_ohm),
    )  # fmt: skip
    if found.value <= 2.0 * found.u:
        # what is left beside the resistor cannot be told from nothing
        return _reading(TRI_STATE, one.path, None, less_than=max(found.value, 0.0) + 2.0 * found.u)
    return _reading(TRI_STATE, one.path, found, known)


# --- currents -------------------------------------------------------------------------------------


def _return(
    one: ReturnTaken, taken: StageTaken, known: _Known
) -> tuple[StageReading, Estimate | None]:
    if one.across_v is None:
        bound = one.set_v * one.conductance_s / 2.0
        return _reading(HS_LEAK, "vin-sw", None, repeat=one.repeat, greater_than=bound), None
    if one.status == "unstable":
        return _reading(HS_LEAK, "vin-sw", None, repeat=one.repeat, status="unstable"), None
    beside = taken.pair("sw-pgnd")
    u_beside = 0.1 * (one.beside_ohm or 0.0)
    if beside is not None and beside.across_v is not None and one.beside_ohm is not None:
        u_beside = _pair(beside, known, SHORT).u or u_beside
        known.budgets.pop()
    found = guarded_leakage(
        one.across_v, one.zero_v, series_ohm=one.series_ohm, multimeter=known.meter,
        range_v=fitting_range_v(one.across_v), series_relative=known.tolerance(one.series_ohm),
        beside_ohm=one.beside_ohm, u_beside_ohm=u_beside,
    )  # fmt: skip
    return _reading(HS_LEAK, "vin-sw", found, known, repeat=one.repeat), found


def _leak(one: LeakTaken, step: Step, known: _Known, guarded: Estimate | None) -> StageReading:
    path = step.paths[0]
    if one.across_v is None or one.part_v < one.set_v / 2.0:
        return _reading(step, path, None, greater_than=one.set_v * one.conductance_s / 2.0)
    if one.status == "unstable":
        return _reading(step, path, None, status="unstable")
    assert one.series_ohm is not None
    found = leakage_by_resistor(
        [one.across_v], series_ohm=one.series_ohm, multimeter=known.meter,
        range_v=fitting_range_v(one.across_v), series_relative=known.tolerance(one.series_ohm),
    )  # fmt: skip
    if guarded is not None:
        found = less(found, guarded)
    return _reading(step, path, scaled_to(found, one.part_v, one.set_v), known)


def _current(one: CurrentTaken, step: Step, key: str, known: _Known) -> StageReading:
    state, path = {key: one.state}, step.paths[0]
    if one.across_v is None:
        bound = one.supply_v / one.series_ohm / 2.0
        return _reading(step, path, None, state=state, greater_than=bound)
    if one.status == "unstable":
        return _reading(step, path, None, state=state, status="unstable")
    found = driver_current(
        one.across_v, one.zero_v, series_ohm=one.series_ohm, multimeter=known.meter,
        range_v=fitting_range_v(one.across_v), zero_range_v=fitting_range_v(one.zero_v),
        series_relative=known.tolerance(one.series_ohm),
    )  # fmt: skip
    return _reading(step, path, found, known, state=state)


# --- voltages -------------------------------------------------------------------------------------


def _diode(path: str, one: DiodeTaken, known: _Known) -> StageReading:
    if one.diode_v is None or not 1.0 / _NEAR <= one.current_a / one.nominal_a <= _NEAR:
        bound = one.supply_v if one.diode_v is None else max(one.diode_v, 1e-3)
        return _reading(BODY_DIODE, path, None, greater_than=bound)
    range_v = fitting_range_v(one.diode_v)
    assert one.series_ohm is not None
    current = series_current(
        one.supply_v, one.diode_v, series_ohm=one.series_ohm, multimeter=known.meter,
        supply=known.supply, range_v=range_v, series_relative=known.tolerance(one.series_ohm),
        other_ohm=_BESIDE_OHM,
    )  # fmt: skip
    found = forward_voltage(
        one.diode_v, current, one.nominal_a, multimeter=known.meter, range_v=range_v,
        integration_periods=10.0,
    )  # fmt: skip
    return _reading(BODY_DIODE, path, found, known)


def _pwm_open(shown_v: float | None, known: _Known) -> StageReading:
    if shown_v is None:
        return _reading(PWM_OPEN, "pwm", None, status="unstable")
    found = input_voltage(shown_v, multimeter=known.meter, range_v=fitting_range_v(shown_v))
    return _reading(PWM_OPEN, "pwm", found, known)


def _edge(one: EdgeTaken, taken: StageTaken, known: _Known) -> StageReading:
    state, path = {"edge": one.edge}, "vdrv-pgnd"
    if one.after_v is None or one.before_v is None:
        if one.before_v is None and one.after_v is not None:
            # it was there from the first voltage
            return _reading(UNDERVOLTAGE, path, None, state=state, less_than=one.after_v)
        if one.edge == "falling":
            return _reading(UNDERVOLTAGE, path, None, state=state, less_than=one.looked_up_to_v)
        return _reading(UNDERVOLTAGE, path, None, state=state, greater_than=one.looked_up_to_v)
    drop_v = (taken.driver_current_a("low") or 0.0) * DRIVER_OHM
    found = threshold_between(
        one.before_v, one.after_v, supply=known.supply,
        # before it rises nothing is awake that would take current
        drop_v=drop_v if one.edge == "falling" and math.isfinite(drop_v) else 0.0,
    )  # fmt: skip
    return _reading(UNDERVOLTAGE, path, found, known, state=state)


# --- on -------------------------------------------------------------------------------------------


def _on(path: str, one: OnTaken, known: _Known) -> StageReading:
    amps = one.on_a - one.off_a
    if one.aborted or not math.isfinite(one.ohm) or one.on_v is None:
        shown = one.on_v if one.on_v is not None else 1.0
        bound = abs(shown) / max(amps, known.supply.current_offset_a)
        return _reading(ON_RESISTANCE, path, None, greater_than=max(bound, 1e-3))
    after_v = one.off_v if one.off_after_v is None else one.off_after_v
    found = on_resistance(
        [OnOffPair(one.off_v, one.on_v, after_v, one.on_a)], multimeter=known.meter,
        supply=known.supply, range_v=fitting_range_v(one.on_v), off_current_a=one.off_a,
        # the 22 ohm take some off the driver's voltage
        gate_v=None if one.wanted_gate_v is None else (one.wanted_gate_v, one.gate_source_v),
    )  # fmt: skip
    return _reading(ON_RESISTANCE, path, found, known)
