"""Turn what was read of a switch into the blocks that judging reads, each with its budget."""

from __future__ import annotations

__all__ = ["TOLERANCES", "SwitchBlocks", "blocks_of", "switch_blocks"]

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

from attrs import field, frozen

from labbench.metrology.accuracy import ImpedanceAccuracy, MultimeterAccuracy, SupplyAccuracy
from labbench.metrology.budgets import Budget, budget_of
from labbench.metrology.capacitance import capacitance_and_dissipation
from labbench.metrology.diode import forward_voltage, led_on
from labbench.metrology.estimates import limits, to_estimate
from labbench.metrology.expected import BenchAccuracies
from labbench.metrology.leakage import (
    leakage_by_meter,
    leakage_by_resistor,
    path_resistance,
    readback_v,
    series_current,
    voltage_reading,
)
from labbench.metrology.on_resistance import on_resistance
from labbench.metrology.threshold import threshold_voltage
from labbench.procedures.switch.body_diode import STRONG_A
from labbench.procedures.switch.ranging import fitting_range_v
from labbench.procedures.switch.sequence import SwitchTaken
from labbench.procedures.switch.taken import (
    BreakdownTaken,
    CapacitanceTaken,
    DiodeTaken,
    LeakTaken,
    OnTaken,
    ShortTaken,
    ThresholdTaken,
)
from labbench.results import (
    BodyDiode,
    Breakdown,
    Capacitance,
    DrainLeakage,
    Estimate,
    GateLeakage,
    OnOffPair,
    OnResistance,
    ShortCheck,
    Threshold,
)

#: limits of the fixture's resistors (relative) where the bench file does not list them; assumed
TOLERANCES: Final[Mapping[float, float]] = {
    4.7: 1e-2, 22.0: 1e-2, 100.0: 1e-2, 430.0: 1e-2, 1e3: 1e-3, 3e3: 1e-3, 4.3e3: 1e-2,
    10e3: 1e-3, 100e3: 1e-3, 1e6: 1e-3,
}  # fmt: skip
_WORST: Final = 1e-2
#: leads, relays and contacts beside a resistor of the fixture: anything up to this (ohm; common
#: practice, no source)
_BESIDE_OHM: Final = 0.2
#: how far one contact may differ from its fellows
_CONTACT_OHM: Final = 5e-3
#: leads and contacts of the supply, both ways, where the bench file does not give them (ohm)
_UNKNOWN_LEADS_OHM: Final = 0.13
#: a power switch of a few volts has less when it is on (assumed)
_ASSUMED_ON_OHM: Final = 20e-3
#: a current is taken to another by the law of diode or gate within this factor
_NEAR: Final = 2.0


@frozen
class SwitchBlocks:
    """Hold the blocks of a readings line by name, and the budget of each value in them."""

    blocks: Mapping[str, Any]
    budgets: tuple[Budget, ...] = ()


@frozen
class _Known:
    """Hold what the bench is known to get wrong, and collect the budgets."""

    meter: MultimeterAccuracy
    supply: SupplyAccuracy
    tolerances: Mapping[float, float]
    leads_ohm: float | None
    budgets: list[Budget] = field(factory=list)

    def tolerance(self, ohm: float) -> float:
        return self.tolerances.get(ohm, TOLERANCES.get(ohm, _WORST))

    def note(self, estimate: Estimate, name: str, **conditions: float) -> Estimate:
        self.budgets.append(budget_of(estimate, name, conditions))
        return estimate


def blocks_of(
    taken: SwitchTaken, accuracies: BenchAccuracies, tolerances: Mapping[float, float] | None = None
) -> Mapping[str, Any]:
    """Give the blocks alone, as `switch_blocks` does."""
    return switch_blocks(taken, accuracies, tolerances).blocks


def switch_blocks(
    taken: SwitchTaken, accuracies: BenchAccuracies, tolerances: Mapping[float, float] | None = None
) -> SwitchBlocks:
    """Give the blocks of a readings line by name; what was not read is an empty block.

    `tolerances` are the limits of the fixture's resistors by their value (ohm, relative), as the
    bench file lists them.
    """
    supply, meter = accuracies.supply, accuracies.multimeter
    assert supply is not None
    farads, farad_budgets = _capacitances(taken.capacitance, accuracies.impedance)
    if meter is None:
        shorts = tuple(_by_readback(one, supply) for one in taken.short)
        more = {"capacitance": farads} if farads else {}
        return SwitchBlocks({"short_check": shorts, **more}, farad_budgets)
    known = _Known(meter, supply, tolerances or {}, accuracies.supply_leads_ohm)
    blocks: dict[str, Any] = {
        "short_check": tuple(_short(one, known) for one in taken.short),
        "gate_leakage": tuple(_gate(one, known) for one in taken.gate),
        "drain_leakage": tuple(_drain(one, known) for one in taken.drain),
        "body_diode": _diodes(taken.diode, known, _series_ohm(taken.on)),
        "threshold": tuple(_threshold(one, known) for one in taken.threshold),
        "on_resistance": tuple(_on(one, known) for one in taken.on),
        "breakdown": tuple(_breakdown(one, known) for one in taken.breakdown),
        "capacitance": farads,
    }
    return SwitchBlocks(blocks, (*known.budgets, *farad_budgets))


# --- shorts ---------------------------------------------------------------------------------------


def _short(one: ShortTaken, known: _Known) -> ShortCheck:
    if one.direct or one.across_v is None:
        return _by_readback(one, known.supply)
    ohm = one.ohm
    if not math.isfinite(ohm) or ohm >= one.greater_than_ohm:
        return _no_short(one)
    found = path_resistance(
        one.supply_v, one.across_v, series_ohm=one.series_ohm, multimeter=known.meter,
        supply=known.supply, range_v=fitting_range_v(one.across_v),
        series_relative=known.tolerance(one.series_ohm),
    )  # fmt: skip
    return ShortCheck(one.path, ohm, u_ohm=found.u, polarity=one.polarity)


def _by_readback(one: ShortTaken, supply: SupplyAccuracy) -> ShortCheck:
    ohm = one.ohm
    if not math.isfinite(ohm) or ohm >= one.greater_than_ohm or not one.current_a:
        return _no_short(one)
    amps = one.current_a * limits(1.0, supply.current_gain_relative, "gain of the readback")
    amps = amps + limits(0.0, supply.current_offset_a, "zero of the current readback")
    found = to_estimate(ohm * one.current_a / amps, "ohm")
    return ShortCheck(one.path, ohm, u_ohm=max(found.u, 1e-6), polarity=one.polarity)


def _no_short(one: ShortTaken) -> ShortCheck:
    return ShortCheck(
        one.path, None, polarity=one.polarity, status="over-range",
        greater_than_ohm=one.greater_than_ohm,
    )  # fmt: skip


# --- leaks ----------------------------------------------------------------------------------------


def _leak(one: LeakTaken, known: _Known, name: str, voltage_v: float) -> dict[str, Any]:
    method = "meter" if one.series_ohm is None else "series-resistor"
    common = {"voltage_v": voltage_v, "repeat": one.repeat, "method": method}
    if one.across_v is None:
        return common | {
            "current_a": None, "status": "over-range",
            "greater_than_a": one.set_v * one.conductance_s / 2,
        }  # fmt: skip
    if one.status == "unstable":
        return common | {"current_a": None, "status": "unstable"}
    how: dict[str, Any] = {
        "multimeter": known.meter, "range_v": fitting_range_v(one.across_v),
        "zero_volts": () if one.open_v is None else (one.open_v,),
        "zero_range_v": None if one.open_v is None else fitting_range_v(one.open_v),
        "voltage_relative": _voltage_limit_v(one, known.supply, abs(voltage_v)) / abs(voltage_v),
    }  # fmt: skip
    if one.series_ohm is None:
        found = leakage_by_meter([one.across_v], **how)
    else:
        found = leakage_by_resistor(
            [one.across_v], series_ohm=one.series_ohm,
            series_relative=known.tolerance(one.series_ohm), **how,
        )  # fmt: skip
    if not one.repeat:
        known.note(found, name, voltage_v=voltage_v)
    return common | {"current_a": found.value, "u_current_a": found.u}


def _gate(one: LeakTaken, known: _Known) -> GateLeakage:
    # the part sees what its series element leaves; a limit holds at what was set
    volts = one.sign * _nominal(one, known.supply)
    return GateLeakage(**_leak(one, known, "gate-leakage", volts))


def _drain(one: LeakTaken, known: _Known) -> DrainLeakage:
    return DrainLeakage(**_leak(one, known, "drain-leakage", _nominal(one, known.supply)))


def _nominal(one: LeakTaken, supply: SupplyAccuracy) -> float:
    """Return the voltage at the part: as set where it is that within what a readback shows (V)."""
    near = 2.0 * float(readback_v(one.set_v, supply).u)
    return one.set_v if one.across_v is None or abs(one.part_v - one.set_v) <= near else one.part_v


def _voltage_limit_v(one: LeakTaken, supply: SupplyAccuracy, stated_v: float) -> float:
    """Return how far the part's voltage may lie from the one that is stated (V)."""
    readback = supply.voltage_gain_relative * one.supply_v + supply.voltage_offset_v
    return readback + supply.voltage_step_v / 2.0 + abs(stated_v - one.part_v)


# --- junctions ------------------------------------------------------------------------------------


def _series_ohm(taken: Sequence[OnTaken]) -> float:
    """Return the most that can lie in series with the body diode (ohm): what it has when on."""
    return min((one.ohm for one in taken if math.isfinite(one.ohm)), default=_ASSUMED_ON_OHM)


def _diodes(taken: Sequence[DiodeTaken], known: _Known, series_ohm: float) -> tuple[BodyDiode, ...]:
    """Give each forward voltage; one taken below 100 mA is led on to 100 mA by the diode's law."""
    found: list[BodyDiode] = []
    before: Estimate | None = None
    for one in taken:
        estimate = _forward(one, known)
        if estimate is None:
            found.append(
                BodyDiode(
                    one.nominal_a, None, status="over-range",
                    greater_than_v=one.supply_v if one.diode_v is None else max(one.diode_v, 1e-3),
                )
            )  # fmt: skip
            continue
        at_a = one.nominal_a
        if before is not None and at_a < STRONG_A:
            estimate = led_on(
                before, estimate, taken[0].nominal_a, at_a, STRONG_A, series_ohm=series_ohm
            )
            at_a = STRONG_A
        known.note(estimate, "body-diode", current_a=at_a)
        found.append(BodyDiode(at_a, estimate.value, u_voltage_v=estimate.u))
        before = estimate
    return tuple(found)


def _forward(one: DiodeTaken, known: _Known) -> Estimate | None:
    if one.diode_v is None or not 1.0 / _NEAR <= one.current_a / one.nominal_a <= _NEAR:
        return None
    range_v = fitting_range_v(one.diode_v)
    if one.series_ohm is None:
        supply = known.supply
        amps = one.current_a * limits(1.0, supply.current_gain_relative, "gain of the readback")
        amps = amps + limits(0.0, supply.current_offset_a, "zero of the current readback")
        current = to_estimate(amps, "A")
    else:
        current = series_current(
            one.supply_v, one.diode_v, series_ohm=one.series_ohm, multimeter=known.meter,
            supply=known.supply, range_v=range_v, series_relative=known.tolerance(one.series_ohm),
            other_ohm=_BESIDE_OHM,
        )  # fmt: skip
    return forward_voltage(
        one.diode_v, current, one.nominal_a, multimeter=known.meter, range_v=range_v
    )


def _threshold(one: ThresholdTaken, known: _Known) -> Threshold:
    amps = one.current_a
    if one.gate_v is None or amps is None or amps < one.nominal_a / _NEAR:
        bound = one.gate_v if one.gate_v is not None else one.supply_v
        return Threshold(one.nominal_a, None, status="over-range", greater_than_v=max(bound, 1e-3))
    if amps > one.nominal_a * _NEAR:
        return Threshold(
            one.nominal_a, None, status="over-range", less_than_v=max(one.gate_v, 1e-3)
        )
    range_v = fitting_range_v(one.gate_v)
    current = series_current(
        one.supply_v, one.gate_v, series_ohm=one.series_ohm, multimeter=known.meter,
        supply=known.supply, range_v=range_v, series_relative=known.tolerance(one.series_ohm),
        other_ohm=_BESIDE_OHM,
    )  # fmt: skip
    found = threshold_voltage(
        one.gate_v, current, one.nominal_a, multimeter=known.meter, range_v=range_v
    )
    known.note(found, "threshold", current_a=one.nominal_a)
    return Threshold(one.nominal_a, found.value, u_voltage_v=found.u)


def _breakdown(one: BreakdownTaken, known: _Known) -> Breakdown:
    """Give the voltage; it hardly depends on the current, so that is not brought to the nominal."""
    if one.part_v is None or one.current_a < one.nominal_a / _NEAR:
        bound = one.part_v if one.part_v is not None else one.supply_v
        return Breakdown(one.nominal_a, None, status="over-range", greater_than_v=max(bound, 1e-3))
    found = voltage_reading(one.part_v, multimeter=known.meter, range_v=fitting_range_v(one.part_v))
    known.note(found, "breakdown", current_a=one.nominal_a)
    return Breakdown(one.nominal_a, found.value, u_voltage_v=found.u)


# --- on -------------------------------------------------------------------------------------------


def _on(one: OnTaken, known: _Known) -> OnResistance:
    amps = one.on_a - one.off_a
    gate_v = one.wanted_gate_v if one.wanted_gate_v is not None else round(one.gate_source_v, 1)
    if one.aborted or not math.isfinite(one.ohm) or one.on_v is None:
        shown = one.on_v if one.on_v is not None else 1.0
        bound = abs(shown) / max(amps, known.supply.current_offset_a)
        return OnResistance(
            gate_v, max(amps, 0.0) or None, None, status="over-range",
            greater_than_ohm=max(bound, 1e-3),
        )  # fmt: skip
    after_v = one.off_v if one.off_after_v is None else one.off_after_v
    how: dict[str, Any] = {}
    if one.method == "one-channel":
        # the gate hangs on the same leads: half of them carries the drain current where it is fed
        # at the supply's terminals, nearly all where it is fed at the jig
        known_ohm = known.leads_ohm if known.leads_ohm is not None else _UNKNOWN_LEADS_OHM
        limit_ohm = (0.25 if known.leads_ohm is not None else 0.75) * known_ohm
        how["source_ohm"] = (0.75 * known_ohm, limit_ohm + _CONTACT_OHM)
    found = on_resistance(
        [OnOffPair(one.off_v, one.on_v, after_v, one.on_a)], multimeter=known.meter,
        supply=known.supply, range_v=fitting_range_v(one.on_v), off_current_a=one.off_a,
        gate_v=(gate_v, one.gate_source_v), **how,
    )  # fmt: skip
    known.note(found, "on-resistance", gate_source_v=gate_v, current_a=amps)
    return OnResistance(gate_v, amps, found.value, u_ohm=found.u)


# --- capacitance ----------------------------------------------------------------------------------


def _capacitances(
    taken: Sequence[CapacitanceTaken], accuracy: ImpedanceAccuracy | None
) -> tuple[tuple[Capacitance, ...], tuple[Budget, ...]]:
    """Give what has a value; beyond the meter's range there is nothing to say."""
    blocks, budgets = [], []
    for one in taken:
        if accuracy is None or one.capacitance_f is None:
            continue
        c, d = capacitance_and_dissipation(one.reading, accuracy)
        frequency_hz = one.reading.conditions.frequency_hz
        if c.value <= 0.0:
            continue
        blocks.append(Capacitance(one.path, frequency_hz, c.value, d.value, c.u, d.u))
        budgets.append(budget_of(c, f"capacitance-{one.path}", {"frequency_hz": frequency_hz}))
    return tuple(blocks), tuple(budgets)
