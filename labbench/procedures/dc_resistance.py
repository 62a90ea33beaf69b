"""Measure the DC resistance of a coil: by multimeter between on and off, or by what there is.

A few milliohm drop a few millivolt at some ampere, about as much as thermal voltages and the zero
of the meter are: so each reading with current stands between two without (`OnOffPair`).
"""

from __future__ import annotations

__all__ = [
    "ASSUMED_LEADS_OHM",
    "COIL_SURGE_J",
    "GENTLE_POWER_W",
    "HIGHEST_POWER_W",
    "LEAST_CURRENT_A",
    "MAXIMUM_CURRENT_A",
    "NO_CURRENT_A",
    "PAIRS",
    "UNKNOWN_RESISTANCE_OHM",
    "Method",
    "best_method",
    "choose_current_a",
    "dc_resistance",
]

import math
from collections.abc import Callable
from itertools import pairwise
from statistics import linear_regression
from typing import Literal

from attrs import evolve, frozen

from labbench.bench.bench import Bench
from labbench.bench.limits import Maximum, Need, compliance_v
from labbench.errors import StepAborted
from labbench.parts.coil_type import CoilType
from labbench.ports import STATUS_OK, ScalarReading
from labbench.procedures.hookups import COIL_KELVIN, COIL_SUPPLY_ALONE
from labbench.procedures.sweep import SweepSettings, impedance_sweep, sweep_frequencies
from labbench.results import OnOffPair, ResistanceMeasurement

Method = Literal["multimeter-on-off", "supply-readback", "impedance-meter"]

MAXIMUM_CURRENT_A = 3.0
#: a coil warms by what is dissipated in it, and copper changes 0.4 % a kelvin
GENTLE_POWER_W = 30e-3
#: below this the error of a supply's current readback, some milliampere, is above 1 %
LEAST_CURRENT_A = 0.3
#: what the least current may dissipate all the same; above some 1 ohm the current goes down again
HIGHEST_POWER_W = 0.1
#: less than this is no current: a readback is off by up to 10 mA (common practice, no source)
NO_CURRENT_A = 0.02
#: what the supply's output capacitor may dump into a coil: it heats 0.1 g of copper by 0.03 K
#: (385 J/(kg K), from memory), and the windings carry amperes by design
COIL_SURGE_J = 1e-3
#: supply leads that nobody measured (common practice, no source)
ASSUMED_LEADS_OHM = 0.05
#: resistance taken for a type that gives none, until a first pair has told
UNKNOWN_RESISTANCE_OHM = 1.0

PAIRS = 4
_RANGES_V = (0.1, 1.0, 10.0)
#: one energised stretch is some 2 s; an instrument that hangs ends it by its own deadline
_LONGEST_ON_S = 15.0
#: a person who reads the display types the number while the current flows
_LONGEST_ON_BY_HAND_S = 60.0
_SETTLE_S = 0.1
#: one turn left of many is some 2 % of a winding: less than half of that is a sense contact that
#: does not touch, not a coil
_LEAST_SHARE = 0.01
#: a fall over all pairs that is cooling and no noise: a share, and so many times the scatter about
#: a straight line; 0.3 % of copper is 0.8 K in some 5 s
_COOLING_SHARE = 3e-3
_COOLING_SCATTERS = 6.0
_STEADY_WAIT_S = 3.0
#: but never by fewer readings: a slow supply or a busy computer gives few in that time
_LEAST_READINGS = 4
#: pairs that differ by more than this share, and by more than thermal voltages and noise of any
#: multimeter make them, were read through a contact that moved (common practice, no source)
_UNSURE_SHARE = 0.05
_QUIET_V = 60e-6


@frozen
class _Drive:
    """Hold what is driven through the coil: current limit (A) and compliance (V)."""

    amps: float
    volts: float


@frozen
class _Outcome:
    """Hold one pair, or why there is none."""

    pair: OnOffPair | None = None
    #: no current: the resistance is greater than this (ohm)
    greater_than_ohm: float | None = None
    #: current flows and the voltage is beyond the range
    over_range: bool = False
    unsteady: bool = False


def best_method(bench: Bench) -> Method:
    """Return the best method for the instruments of the bench; raise StepAborted for none."""
    if bench.supply is not None and bench.multimeter is not None:
        return "multimeter-on-off"
    if bench.supply is not None:
        return "supply-readback"
    if bench.impedance_meter is not None:
        return "impedance-meter"
    raise StepAborted("no instrument of this bench measures a dc resistance")


def choose_current_a(
    resistance_ohm: float, *, bench_limit_a: float, part_maximum_a: float | None = None
) -> float:
    """Return the current for a resistance (A), in steps of 10 mA.

    sqrt(30 mW/R), but at least 0.3 A while that stays below 100 mW, and never above 3 A, the
    bench's limit and the part's maximum.
    """
    gentle = math.sqrt(GENTLE_POWER_W / resistance_ohm)
    least = min(LEAST_CURRENT_A, math.sqrt(HIGHEST_POWER_W / resistance_ohm))
    highest = min(MAXIMUM_CURRENT_A, bench_limit_a, part_maximum_a or math.inf)
    chosen = min(max(gentle, least), highest)
    # Down to what any supply can set; a smaller one is kept as it is.
    return math.floor(chosen * 100 + 1e-9) / 100 or chosen


def dc_resistance(
    bench: Bench,
    part: CoilType | None,
    *,
    temperature_c: float,
    u_temperature_c: float = 1.0,
    position: str | None = None,
    method: Method | None = None,
    pairs: int = PAIRS,
    integration_periods: float = 10.0,
    enough: Callable[[ResistanceMeasurement], bool] | None = None,
) -> ResistanceMeasurement:
    """Measure the DC resistance of what is in the jig (or at `position`), at its temperature.

    `method` defaults to the best that the bench has. The supply waits for a person's consent.
    Where no current flows at the compliance the status is over-range with `greater_than_ohm`;
    where the current does not settle, the part still cools, or the pairs disagree as only a
    contact makes them, it is unstable and `reason` says which. `enough` is asked after every pair
    whether what was taken will do; `pairs` is then the most that are taken. Raises StepAborted
    where neither voltage nor current reaches the part, and what the bench raises.
    """
    chosen = method or best_method(bench)
    empty = ResistanceMeasurement(
        method=chosen, pairs=(), temperature_c=temperature_c, u_temperature_c=u_temperature_c
    )
    if chosen == "impedance-meter":
        return _by_impedance_meter(bench, part, empty, position)
    meter = _Multimeter(bench, integration_periods) if chosen == "multimeter-on-off" else None
    bench.connect(COIL_KELVIN if meter else COIL_SUPPLY_ALONE, position)
    known = part.nominal_resistance_ohm if part is not None else None
    resistance_ohm = known or UNKNOWN_RESISTANCE_OHM
    drive = _drive(bench, part, resistance_ohm)
    bench.ask_to_energise(
        "coil-resistance",
        what="the coil's resistance",
        specimen=bench.joined.position,
        amps=_most(bench, part),
        volts=drive.volts,
    )
    asked = None if enough is None else lambda found: enough(_filled(empty, found))
    pairing = _Pairing(bench, part, meter, asked)
    if known is None:
        first = pairing.measure(drive, 1, resistance_ohm)
        if first.status != "ok":
            return _filled(empty, first)
        # The real resistance is known now: from here the current that suits it.
        found = first.pairs[0]
        volts = abs(found.on_v - (found.off_before_v + found.off_after_v) / 2)
        resistance_ohm = max(volts / found.current_a, 1e-4)
        drive = _drive(bench, part, resistance_ohm)
    return _filled(empty, pairing.measure(drive, pairs, resistance_ohm))


def _by_impedance_meter(
    bench: Bench, part: CoilType | None, empty: ResistanceMeasurement, position: str | None
) -> ResistanceMeasurement:
    # The lowest frequency of the sweeps, so that the compensation holds it.
    frequency_hz = sweep_frequencies(part, bench.impedance_range_hz)[0]
    settings = SweepSettings(aperture_s=0.5, repeats=3)
    sweep = impedance_sweep(bench, [frequency_hz], position=position, settings=settings)
    return evolve(empty, sweep=sweep)


def _filled(empty: ResistanceMeasurement, found: ResistanceMeasurement) -> ResistanceMeasurement:
    return evolve(found, temperature_c=empty.temperature_c, u_temperature_c=empty.u_temperature_c)


def _most(bench: Bench, part: CoilType | None) -> float:
    """Return the largest current that the choice may come to (A): what a person agrees to."""
    assert bench.limits is not None
    known = part.nominal_resistance_ohm if part is not None else None
    part_maximum_a = part.maximum_current_a if part is not None else None
    return choose_current_a(
        known or GENTLE_POWER_W / MAXIMUM_CURRENT_A**2,
        bench_limit_a=bench.limits.current_a,
        part_maximum_a=part_maximum_a,
    )


def _drive(bench: Bench, part: CoilType | None, resistance_ohm: float) -> _Drive:
    assert bench.limits is not None
    amps = choose_current_a(
        resistance_ohm,
        bench_limit_a=bench.limits.current_a,
        part_maximum_a=part.maximum_current_a if part is not None else None,
    )
    leads_ohm = bench.supply_leads_ohm if bench.supply_leads_ohm is not None else ASSUMED_LEADS_OHM
    uppers = [limit.upper_ohm for limit in part.dc_resistance if limit.upper_ohm] if part else []
    part_ohm = max([resistance_ohm, *uppers])
    volts = compliance_v(amps, leads_ohm, part_ohm)
    return _Drive(amps, math.floor(volts * 1000) / 1000)


class _Multimeter:
    """Read the voltage at the part's own contacts, in one range for on and off."""

    def __init__(self, bench: Bench, integration_periods: float) -> None:
        self._bench = bench
        self._periods = integration_periods
        self.range_v = _RANGES_V[0]

    def set_range(self, range_v: float) -> None:
        """Set a range for all readings that are to be compared."""
        conditions = self._bench.set_dc_voltage(range_v=range_v, integration_periods=self._periods)
        self.range_v = conditions.range or range_v


class _Pairing:
    """Take pairs of readings, with and without current."""

    def __init__(
        self,
        bench: Bench,
        part: CoilType | None,
        meter: _Multimeter | None,
        enough: Callable[[ResistanceMeasurement], bool] | None = None,
    ) -> None:
        self._bench = bench
        self._enough = enough
        self._meter = meter
        self._expected_ohm = part.nominal_resistance_ohm if part is not None else None
        self._maximum = Maximum(part.name, current_a=part.maximum_current_a) if part else None
        self._read: Callable[[], ScalarReading] = (
            bench.take_voltage if meter is not None else bench.take_supply_voltage
        )

    def measure(self, drive: _Drive, pairs: int, resistance_ohm: float) -> ResistanceMeasurement:
        """Take pairs in the smallest range that holds them."""
        # A faulty part drops more than expected; then the next range is taken, from the start.
        expected_v = 1.5 * drive.amps * resistance_ohm
        ranges = [r for r in _RANGES_V if r >= expected_v] or [_RANGES_V[-1]]
        if self._meter is None:
            ranges = ranges[:1]
        result = ResistanceMeasurement(
            method="multimeter-on-off" if self._meter else "supply-readback",
            pairs=(),
            temperature_c=math.nan,  # filled in by the caller
            u_temperature_c=math.nan,
            set_current_a=drive.amps,
        )
        for range_v in ranges:
            if self._meter is not None:
                self._meter.set_range(range_v)
                result = evolve(result, multimeter_range_v=self._meter.range_v)
            taken: list[OnOffPair] = []
            off: float | None = None
            for _ in range(pairs):
                outcome = self._one(drive, off)
                if outcome.greater_than_ohm is not None:
                    return evolve(
                        result, status="over-range", greater_than_ohm=outcome.greater_than_ohm
                    )
                if outcome.unsteady:
                    return evolve(
                        result, status="unstable", reason="current-wanders", pairs=tuple(taken)
                    )
                if outcome.over_range:
                    break
                assert outcome.pair is not None
                taken.append(outcome.pair)
                off = outcome.pair.off_after_v
                if self._enough is not None and self._enough(evolve(result, pairs=tuple(taken))):
                    return self._ended(result, taken)
            else:
                return self._ended(result, taken)
        return evolve(result, status="over-range", greater_than_ohm=self._above(drive))

    def _ended(
        self, result: ResistanceMeasurement, taken: list[OnOffPair]
    ) -> ResistanceMeasurement:
        result = evolve(result, pairs=tuple(taken))
        if _is_cooling(taken):
            return evolve(result, status="unstable", reason="still-warm")
        if self._meter is not None and _disagree(taken):
            # a contact that comes and goes reads as any resistance: never taken for a high joint
            return evolve(result, status="unstable", reason="contact-unsure")
        return result

    def _above(self, drive: _Drive) -> float | None:
        """Return the resistance (ohm) that fills the last range at the current set."""
        return self._meter.range_v / drive.amps if self._meter is not None else None

    def _one(self, drive: _Drive, off_before_v: float | None) -> _Outcome:
        """Take one pair; the off reading after it is the one before the next."""
        bench = self._bench
        need = Need(
            "coil resistance",
            voltage_v=drive.volts,
            current_a=drive.amps,
            time_s=_LONGEST_ON_BY_HAND_S if bench.multimeter_by_hand else _LONGEST_ON_S,
            surge_j=COIL_SURGE_J,
        )
        with bench.step("resistance-pair"):
            if off_before_v is None:
                off_before_v = _value(self._read())
            with bench.energised(
                volts=drive.volts,
                amps=drive.amps,
                reason="coil resistance",
                need=need,
                part=self._maximum,
            ):
                before_a = self._steady_current()
                on = self._read()
                after_a = _value(bench.take_supply_current()) or 0.0
                if before_a is None or abs(after_a - before_a) > _agreement_a(before_a) * 2:
                    return _Outcome(unsteady=True)
                current_a = (before_a + after_a) / 2
                if current_a < NO_CURRENT_A:
                    return self._no_current(drive, on)
            bench.settle(_SETTLE_S)
            off_after_v = _value(self._read())
        on_v = _value(on)
        if on_v is None or off_before_v is None or off_after_v is None:
            return _Outcome(over_range=True)
        self._refuse_lost_sense(on_v - (off_before_v + off_after_v) / 2, current_a)
        return _Outcome(OnOffPair(off_before_v, on_v, off_after_v, current_a, on.step or 0.0))

    def _refuse_lost_sense(self, volts: float, current_a: float) -> None:
        expected = self._expected_ohm
        if expected is not None and volts < _LEAST_SHARE * expected * current_a:
            raise StepAborted(
                f"{current_a:.3g} A flows and only {volts:.3g} V is read where "
                f"{expected * current_a:.3g} V is expected; the output is off",
                hint="the sense contacts do not touch, or are swapped: press the part home",
            )

    def _steady_current(self) -> float | None:
        """Wait until two readings of the current agree; None where they do not."""
        bench = self._bench
        until_s = bench.clock.monotonic_s() + _STEADY_WAIT_S
        last: float | None = None
        readings = 0
        while True:
            bench.settle(_SETTLE_S)
            now = _value(bench.take_supply_current())
            readings += 1
            if now is not None and last is not None and abs(now - last) <= _agreement_a(now):
                return now
            if readings >= _LEAST_READINGS and bench.clock.monotonic_s() >= until_s:
                return None
            last = now

    def _no_current(self, drive: _Drive, on: ScalarReading) -> _Outcome:
        """Tell a part that does not conduct from leads that do not reach it."""
        on_v = _value(on)
        # Beyond the range is no less than its end; the range is never set above the compliance.
        at_part_v = abs(on_v) if on_v is not None else self._meter.range_v if self._meter else 0.0
        supplied_v = abs(_value(self._bench.take_supply_voltage()) or 0.0)
        if supplied_v < drive.volts / 2 or (on_v is not None and at_part_v < drive.volts / 2):
            raise StepAborted(
                f"no current flows, and {at_part_v:.3g} V of {drive.volts:.3g} V reaches the "
                f"part (supply: {supplied_v:.3g} V); the output was switched off",
                hint="check the leads, force and sense, from supply and multimeter to the jig",
            )
        return _Outcome(greater_than_ohm=at_part_v / NO_CURRENT_A)


def _disagree(pairs: list[OnOffPair]) -> bool:
    """Tell whether pairs differ by far more than noise or warmth makes them: a poor contact."""
    if len(pairs) < 2:
        return False
    volts = [pair.on_v - (pair.off_before_v + pair.off_after_v) / 2 for pair in pairs]
    ohms = [v / pair.current_a for v, pair in zip(volts, pairs, strict=True)]
    steps_v = max(_QUIET_V, 6 * max(pair.step_v for pair in pairs))
    noise_ohm = steps_v / min(pair.current_a for pair in pairs)
    return max(ohms) - min(ohms) > _UNSURE_SHARE * abs(sorted(ohms)[len(ohms) // 2]) + noise_ohm


def _is_cooling(pairs: list[OnOffPair]) -> bool:
    """Tell whether the resistance fell from pair to pair as that of a part does that cools.

    A part just lifted reads high, and its temperature is not the one that it is corrected from.
    """
    if len(pairs) < 3:
        return False
    ohms = [
        (pair.on_v - (pair.off_before_v + pair.off_after_v) / 2) / pair.current_a for pair in pairs
    ]
    if any(later >= earlier for earlier, later in pairwise(ohms)):
        return False
    slope, start = linear_regression(range(len(ohms)), ohms)
    scatter = math.sqrt(
        sum((ohm - start - slope * n) ** 2 for n, ohm in enumerate(ohms)) / len(ohms)
    )
    fall = -slope * (len(ohms) - 1)
    return fall > _COOLING_SHARE * ohms[0] and fall > _COOLING_SCATTERS * scatter


def _agreement_a(current_a: float) -> float:
    return 5e-3 * abs(current_a) + 2e-3


def _value(reading: ScalarReading) -> float | None:
    return reading.value if reading.status == STATUS_OK else None
