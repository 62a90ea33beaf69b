"""Hold the data that procedures give, judging reads and records keep.

The measurement blocks are the blocks of a `readings/1` line; verdicts are `verdict/1`. All values
are SI. A value that could not be had is None with a `status`, and a bound where one is known.
"""

from __future__ import annotations

__all__ = [
    "BiasMeasurement",
    "BiasPoint",
    "BiasReading",
    "BodyDiode",
    "Breakdown",
    "Capacitance",
    "Characteristic",
    "Contact",
    "DcResistance",
    "Disposition",
    "DrainLeakage",
    "Estimate",
    "Finding",
    "GateLeakage",
    "Grade",
    "Impedance",
    "Influence",
    "Insulation",
    "InsulationMeasurement",
    "Judgement",
    "LoadReading",
    "OnOffPair",
    "OnResistance",
    "PhaseReading",
    "PowerStep",
    "Readings",
    "ResistanceMeasurement",
    "Role",
    "ShortCheck",
    "StageReading",
    "Status",
    "Sweep",
    "Threshold",
    "VerdictWord",
    "Visual",
    "WouldDecide",
    "earlier_of",
    "same_setting",
]

from collections.abc import Mapping, Sequence
from typing import Any, Literal, TypeVar

from attrs import field, frozen

from labbench.ports import ImpedanceReading

Status = Literal["ok", "over-range", "not-measured", "unstable"]
Disposition = Literal["fit", "unfit", "undecided", "plausible"]
VerdictWord = Literal["conforms", "fails", "undecided", "not-measured"]
Grade = Literal["sure", "suspect"]
#: of a load: a board known to be good, or the one in question
Role = Literal["test", "sibling", "good"]


@frozen
class Influence:
    """Name one line of an uncertainty budget: its label, and its share of u (its unit)."""

    label: str
    u: float


@frozen
class Estimate:
    """Hold a value with standard uncertainty, degrees of freedom and labelled influences.

    Estimates are never compared with each other by value: use the verdict functions.
    """

    value: float
    u: float
    unit: str
    dof: float = float("inf")
    influences: tuple[Influence, ...] = ()

    def __lt__(self, other: object) -> bool:
        raise TypeError("an estimate has no order: decide with labbench.judging.conformity")

    __le__ = __gt__ = __ge__ = __lt__

    def __bool__(self) -> bool:
        raise TypeError("an estimate is neither true nor false")


@frozen
class Impedance:
    """Hold a compensated sweep in series form, frequencies ascending (readings/1 `impedance`).

    All arrays have one entry a frequency. `u_*` are total standard uncertainties;
    `u_gain_relative` (over |Z|) says which part is common to all placements of a session.
    """

    frequency_hz: tuple[float, ...]
    resistance_ohm: tuple[float | None, ...]
    reactance_ohm: tuple[float | None, ...]
    u_resistance_ohm: tuple[float | None, ...]
    u_reactance_ohm: tuple[float | None, ...]
    u_gain_relative: tuple[float, ...] | None = None
    status: tuple[Status, ...] | None = None
    #: for over-range points: |Z| is greater than this (ohm)
    greater_than_ohm: tuple[float | None, ...] | None = None


@frozen
class Contact:
    """Hold the part of the uncertainty that all frequencies of one placement share."""

    u_resistance_ohm: float
    u_inductance_h: float


@frozen
class DcResistance:
    """Hold a DC resistance as measured at its temperature."""

    value_ohm: float | None
    u_ohm: float | None = None
    temperature_c: float | None = None
    u_temperature_c: float | None = None
    dof: float | None = None
    method: str | None = None
    current_a: float | None = None
    status: Status = "ok"
    greater_than_ohm: float | None = None
    less_than_ohm: float | None = None


@frozen
class BiasPoint:
    """Hold an inductance under DC bias."""

    current_a: float
    inductance_h: float
    u_inductance_h: float
    #: taken again at the same current, as the stability check
    repeat: bool = False
    #: standard uncertainty of its ratio to the inductance without current, which gain and contact,
    #: common to both, do not enter; None where it was not worked out
    u_ratio_relative: float | None = None


@frozen
class Insulation:
    """Hold the resistance between winding and core at a voltage."""

    voltage_v: float
    resistance_ohm: float | None
    u_ohm: float | None = None
    path: str = "winding-core"
    status: Status = "ok"
    greater_than_ohm: float | None = None
    less_than_ohm: float | None = None


@frozen
class Visual:
    """Hold what a person saw: `fine`, `discoloured`, `cracked`, `bulged` or `not-looked`."""

    seen: str


@frozen
class ShortCheck:
    """Hold the resistance between two terminals at 0.2 V (the others as the step ties them).

    `path` names the terminals, such as `drain-source`; a stage may be checked in both polarities
    (`polarity` "-" means the second terminal positive).
    """

    path: str
    resistance_ohm: float | None
    u_ohm: float | None = None
    polarity: Literal["+", "-"] = "+"
    status: Status = "ok"
    greater_than_ohm: float | None = None
    less_than_ohm: float | None = None


@frozen
class GateLeakage:
    """Hold a gate current with drain tied to source; the sign of `voltage_v` is the gate's."""

    voltage_v: float
    current_a: float | None
    u_current_a: float | None = None
    #: taken again at the same voltage, as the stability check
    repeat: bool = False
    #: how: "series-resistor", "meter" or "supply-readback", which sees no leak that matters
    method: str | None = None
    status: Status = "ok"
    greater_than_a: float | None = None
    less_than_a: float | None = None


@frozen
class DrainLeakage:
    """Hold a drain current with gate tied to source (magnitudes; a p-channel part mirrored)."""

    voltage_v: float
    current_a: float | None
    u_current_a: float | None = None
    repeat: bool = False
    method: str | None = None
    status: Status = "ok"
    greater_than_a: float | None = None
    less_than_a: float | None = None


@frozen
class BodyDiode:
    """Hold the forward voltage of the body diode, gate tied to source; also a thermometer."""

    current_a: float
    voltage_v: float | None
    u_voltage_v: float | None = None
    status: Status = "ok"
    greater_than_v: float | None = None
    less_than_v: float | None = None


@frozen
class Threshold:
    """Hold the gate-source voltage at a drain current, gate tied to drain."""

    current_a: float
    voltage_v: float | None
    u_voltage_v: float | None = None
    status: Status = "ok"
    greater_than_v: float | None = None
    less_than_v: float | None = None


@frozen
class OnResistance:
    """Hold the drain-source resistance at a gate-source voltage and drain current."""

    gate_source_v: float
    current_a: float | None
    value_ohm: float | None
    u_ohm: float | None = None
    status: Status = "ok"
    greater_than_ohm: float | None = None
    less_than_ohm: float | None = None


@frozen
class Breakdown:
    """Hold the drain-source voltage at a small current, gate tied to source."""

    current_a: float
    voltage_v: float | None
    u_voltage_v: float | None = None
    status: Status = "ok"
    greater_than_v: float | None = None
    less_than_v: float | None = None


@frozen
class Capacitance:
    """Hold a capacitance between two terminals at 0 V bias, with its dissipation factor."""

    path: str
    frequency_hz: float
    capacitance_f: float
    dissipation: float
    u_capacitance_f: float
    u_dissipation: float


@frozen
class StageReading:
    """Hold one reading of a power stage: step, path, state of its inputs, value.

    The words for steps, paths and states stand in `labbench.parts.stage_steps`.
    """

    step: str
    path: str
    value: float | None
    unit: Literal["A", "V", "ohm"]
    u: float | None = None
    state: Mapping[str, float | str] = field(factory=dict)
    repeat: bool = False
    status: Status = "ok"
    greater_than: float | None = None
    less_than: float | None = None


@frozen
class LoadReading:
    """Hold the current that a rail draws at a small voltage at its clips."""

    voltage_v: float
    current_a: float | None
    u_current_a: float | None = None
    u_voltage_v: float | None = None
    #: taken again at the same voltage, on the way back
    repeat: bool = False
    #: "series-resistor", "four-wire" or "supply-readback" (no multimeter: leads removed)
    method: str | None = None
    status: Status = "ok"
    greater_than_a: float | None = None
    less_than_a: float | None = None


@frozen(kw_only=True)
class PhaseReading:
    """Hold what one phase reads on its unpowered board at 0.2 V (ohm), counted from 1.

    From the input to the switch node and from there to the rail. What is too much to be read is
    None, with the bound that it is greater than.
    """

    phase: int
    fitted: bool
    vin_sw_ohm: float | None
    sw_rail_ohm: float | None
    u_vin_sw_ohm: float | None = None
    u_sw_rail_ohm: float | None = None
    vin_sw_greater_than_ohm: float | None = None
    sw_rail_greater_than_ohm: float | None = None


@frozen(kw_only=True)
class PowerStep:
    """Hold one step of a first power: supply (V), input current (A), voltage at the rail (V)."""

    set_v: float
    supply_v: float
    input_a: float
    rail_v: float
    settled: bool


@frozen
class Readings:
    """Hold one line of a readings/1 file: what was measured on one specimen."""

    specimen: str
    type: str
    lot: str | None = None
    role: Role = "test"
    temperature_c: float | None = None
    session: str | None = None
    impedance: Impedance | None = None
    contact: Contact | None = None
    dc_resistance: DcResistance | None = None
    bias: tuple[BiasPoint, ...] = ()
    insulation: tuple[Insulation, ...] = ()
    visual: Visual | None = None
    operator: str | None = None
    #: washed and dried before the leakage was read: what leaks now is the part
    cleaned: bool | None = None
    short_check: tuple[ShortCheck, ...] = ()
    gate_leakage: tuple[GateLeakage, ...] = ()
    drain_leakage: tuple[DrainLeakage, ...] = ()
    body_diode: tuple[BodyDiode, ...] = ()
    threshold: tuple[Threshold, ...] = ()
    on_resistance: tuple[OnResistance, ...] = ()
    breakdown: tuple[Breakdown, ...] = ()
    capacitance: tuple[Capacitance, ...] = ()
    stage: tuple[StageReading, ...] = ()
    #: of a load: the type of board, and the rail on it
    board: str | None = None
    rail: str | None = None
    load: tuple[LoadReading, ...] = ()
    #: where it stands in its file, for messages; not part of readings/1
    line: int | None = field(default=None, eq=False)


@frozen
class Characteristic:
    """Hold the verdict on one characteristic (JCGM 106 decision with the stated risk)."""

    name: str
    conditions: Mapping[str, float]
    value: float | None
    unit: str
    expanded_uncertainty: float | None
    coverage: float
    lower: float | None
    upper: float | None
    verdict: VerdictWord
    probability_conforming: float | None
    status: Status = "ok"


@frozen
class Finding:
    """Hold a fault that the evidence supports, and what physics cannot tell from it."""

    fault: str
    path: str | None
    grade: Grade
    probability: float
    alternatives: tuple[str, ...]
    because: str
    details: Mapping[str, Any] = field(factory=dict)


@frozen
class WouldDecide:
    """Name an action that would settle an open question."""

    action: str
    text: str


@frozen
class Judgement:
    """Hold everything that is said of one specimen (verdict/1)."""

    specimen: str
    type: str
    disposition: Disposition
    findings: tuple[Finding, ...]
    characteristics: tuple[Characteristic, ...]
    would_decide: tuple[WouldDecide, ...]
    #: what limits a `plausible`, or what else a person should know; shown with --why
    remarks: tuple[str, ...] = ()
    #: frequencies with the healthy band and the best explanation, for plots (never in verdict/1)
    band: Mapping[str, Any] | None = None


@frozen
class Sweep:
    """Hold the raw readings of one placement, uncompensated, in the order taken."""

    readings: tuple[ImpedanceReading, ...]
    position: str | None = None


@frozen
class BiasReading:
    """Hold raw impedance readings at a direct current: as set, and as read back before and after.

    `before_a` and `after_a` are None where the output was off.
    """

    set_a: float
    sweep: Sweep
    before_a: float | None = None
    after_a: float | None = None
    repeat: bool = False

    @property
    def current_a(self) -> float:
        """Give the mean of both readbacks (A), 0 with the output off."""
        if self.before_a is None or self.after_a is None:
            return 0.0
        return 0.5 * (self.before_a + self.after_a)


@frozen
class BiasMeasurement:
    """Hold what was read of a coil under direct current, the currents in the order taken.

    `limited_by` says in words what kept the largest current down, where something did. `reason`
    says why an unstable one is: "current-wanders", "no-current" or "contact-moved".
    """

    readings: tuple[BiasReading, ...]
    frequency_hz: float
    limited_by: str | None = None
    status: Status = "ok"
    reason: str | None = None


@frozen
class InsulationMeasurement:
    """Hold one reading between winding and core through a series resistor.

    `across_v` is the multimeter's across the resistor (None beyond its range), `zero_v` the same
    with the output off, each in a range of its own.
    """

    set_v: float
    supply_v: float
    across_v: float | None
    zero_v: float
    series_ohm: float
    range_v: float
    zero_range_v: float
    status: Status = "ok"


@frozen
class OnOffPair:
    """Hold one on reading between two off readings (V across the part) and the current (A)."""

    off_before_v: float
    on_v: float
    off_after_v: float
    current_a: float
    #: one step of the last digit of a display (V), where a person read the voltages
    step_v: float = 0.0


@frozen
class ResistanceMeasurement:
    """Hold what a DC resistance procedure read.

    method: "multimeter-on-off" (pairs by multimeter, current by supply readback),
    "supply-readback" (pairs whose voltages are the supply's own readback, leads included) or
    "impedance-meter" (lowest frequency of the LCR meter). `status` "over-range" with
    `greater_than_ohm` when no current flowed at the compliance.
    """

    method: str
    pairs: tuple[OnOffPair, ...]
    temperature_c: float
    u_temperature_c: float
    multimeter_range_v: float | None = None
    set_current_a: float | None = None
    status: Status = "ok"
    greater_than_ohm: float | None = None
    #: "supply-readback" only: the same with the jig shorted, so leads, relays and contacts alone
    short_pairs: tuple[OnOffPair, ...] = ()
    #: why it is unstable: "still-warm" (it falls while it cools) or "current-wanders"
    reason: str | None = None
    #: "impedance-meter" only: the raw readings at the lowest frequency (pairs are then empty)
    sweep: Sweep | None = None


_Leak = TypeVar("_Leak", DrainLeakage, LoadReading)


def same_setting(one: float, other: float) -> bool:
    """Tell whether two voltages (V) at a part may come from one setting: one sign, within half.

    A part that leaks takes the drop of its series resistor off what was set, and one that leaks
    more the second time takes off more: a check is seldom read at the very voltage.
    """
    low, high = sorted((abs(one), abs(other)))
    return one == other or (one * other > 0.0 and low > 0.5 * high)


def earlier_of(again: _Leak, entries: Sequence[_Leak]) -> _Leak | None:
    """Find what `again` repeats among `entries`: the first reading of the nearest voltage."""
    firsts = [e for e in entries if not e.repeat and same_setting(e.voltage_v, again.voltage_v)]
    return min(firsts, key=lambda e: abs(e.voltage_v - again.voltage_v), default=None)
