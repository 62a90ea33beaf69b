"""Measure a simulated power stage in the loop of the bench, step by step, into a readings/1 line.

The steps, ties and limits are those of the off-board sequence (shorts at 0.2 V, body diodes, leaks
at 12 V, the driver behind 22 ohm, both switches at 3 A, tri-state), in the words of
`labbench.parts.stage_steps`. Each step's circuit is solved at rest by the simulator's DC solver,
the driver's logic following. Does not cover: time, the seating check, the bootstrap capacitor's
droop, one-channel benches.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

from attrs import define

from labbench.errors import InputError
from labbench.metrology.diode import forward_voltage
from labbench.metrology.leakage import leakage_by_resistor, short_resistance
from labbench.metrology.on_resistance import on_resistance
from labbench.results import Estimate, OnOffPair, Readings, StageReading
from sim.circuit import GROUND, CurrentSource, Element, Series, Shunt, Solution, solve
from sim.physics.devices.stage import Stage
from sim.physics.devices.stage_truth import settle
from tests.studies.bench_session import Session

_SQRT3 = math.sqrt(3.0)
_TEST_V, _DRIVE_V, _SHORT_V = 12.0, 5.0, 0.2
_LEAST_ACROSS_V, _GRADE_BELOW_OHM, _SHORT_OHM = 20e-6, 30.0, 1e3
_DRIVE_OHM = 22.0
_ON_A, _ON_V, _LEADS_OHM, _POSITION_SD_OHM = 3.0, 0.5, 30e-3, 10e-6
_UNDERVOLTAGE_STEP_V = 20e-3
#: what lies beside the 10 kohm of the guarded step inside the part, and how well it is known
_BESIDE_OHM, _U_BESIDE = 400e3, 0.3

_PATHS = ("vin-sw", "sw-pgnd", "vin-pgnd", "vdrv-pgnd", "boot-sw", "pwm-pgnd", "en-pgnd")
_BOTH_WAYS = _PATHS[:5]
_INPUTS = ("VDRV", "EN", "PWM")


@define
class StageLoop:
    """Measure power stages of one type in one session."""

    session: Session
    type_name: str

    def measure(
        self, part: Stage, specimen: str, *, celsius: float, role: str = "test"
    ) -> Readings:
        """Measure one part at its temperature (°C); a short ends the sequence."""
        found = list(self._shorts(part, celsius))
        short = any(
            r.value is not None and r.value < _SHORT_OHM and r.state["polarity"] == "+"
            for r in found
        )
        if not short:
            found += self._unpowered(part, celsius)
            found += self._driven(part, celsius)
            found += self._switched(part, celsius)
            found.append(self._high_leak(part, celsius, repeat=True))
        return Readings(
            specimen=specimen, type=self.type_name, lot="lot", role=role,  # type: ignore[arg-type]
            temperature_c=self.session.shown_c, cleaned=True, stage=tuple(found),
        )  # fmt: skip

    # circuits

    def _settled(
        self, part: Stage, celsius: float, tied: Mapping[str, str], others: list[Element]
    ) -> Solution:
        """Solve the part from its unpowered state; what is not tied is open."""
        unit = part.with_fault(part.fault)
        node = {pin: tied.get(pin, pin.lower()) for pin in part.terminals}
        return settle(unit, node, others, celsius)

    def _source_through(self, volts: float, ohm: float, node: str) -> list[Element]:
        return [
            self.session.source("p", self.session.supply_v(volts)),
            *self.session.through(ohm, "p", node),
        ]

    def _drive(self, *, meter: bool) -> list[Element]:
        """Feed VDRV behind 22 ohm, with the multimeter across it where it looks there."""
        source = self.session.source("q", self.session.supply_v(_DRIVE_V))
        if meter:
            return [source, *self.session.through(_DRIVE_OHM, "q", "vdrv")]
        return [source, Series("drive", "q", "vdrv", self.session.resistor(_DRIVE_OHM))]

    # steps

    def _shorts(self, part: Stage, celsius: float) -> Iterator[StageReading]:
        session = self.session
        for path in _PATHS:
            high, low = path.upper().split("-")
            for polarity in ("+", "-") if path in _BOTH_WAYS else ("+",):
                one, other = (high, low) if polarity == "+" else (low, high)
                others = self._source_through(_SHORT_V, 100.0, "a")
                solution = self._settled(part, celsius, {one: "a", other: GROUND}, others)
                across = session.reads_v(solution.voltage_v("p", "a").real)
                state = {"polarity": polarity}
                if across <= _LEAST_ACROSS_V:
                    yield StageReading("short", path, None, "ohm", state=state,
                                       status="over-range",
                                       greater_than=_SHORT_V / _LEAST_ACROSS_V * 100.0)  # fmt: skip
                    continue
                told = session.reads_supply_v(session.supply_v(_SHORT_V))
                ohms = short_resistance(told, across, series_ohm=100.0)
                meter, supply = session.meter_accuracy, session.supply_accuracy
                u_across = math.hypot(
                    meter.gain_relative * across, meter.offset_of_range * 0.1
                ) / _SQRT3  # fmt: skip
                u_supply = math.hypot(supply.voltage_offset_v, supply.voltage_step_v) / _SQRT3
                u = math.hypot(ohms * u_across / across, 100.0 * u_supply / across)
                if ohms < _GRADE_BELOW_OHM and polarity == "+":
                    ohms, u = self._graded(part, celsius, {one: "a", other: GROUND})
                yield StageReading("short", path, ohms, "ohm", u=max(u, 1e-3), state=state)

    def _graded(self, part: Stage, celsius: float, tied: Mapping[str, str]) -> tuple[float, float]:
        """Read a short by 50 mA of the supply and the multimeter (ohm)."""
        session = self.session
        amps = session.supply_a(50e-3)
        drive: list[Element] = [
            CurrentSource("drive", "a", GROUND, amps), Shunt("limit", "a", GROUND, 1e-2),
        ]  # fmt: skip
        volts = self._settled(part, celsius, tied, drive).voltage_v("a").real
        shown = session.reads_supply_a(amps - 1e-2 * volts)
        ohms = session.reads_v(volts) / max(shown, 3e-3)
        return max(ohms, 1e-4), ohms * session.supply_accuracy.current_offset_a / max(shown, 3e-3)

    def _unpowered(self, part: Stage, celsius: float) -> Iterator[StageReading]:
        session = self.session
        for path, tied in (
            ("vin-sw", {"SW": "a", "BOOT": "a", "VIN": GROUND,
                        **dict.fromkeys((*_INPUTS, "PGND"), "low")}),
            ("sw-pgnd", {"SW": GROUND, "BOOT": GROUND,
                         **dict.fromkeys((*_INPUTS, "PGND"), "a")}),
        ):  # fmt: skip
            volts = session.supply_v(_DRIVE_V)
            others = [session.source("p", volts),
                      Series("series", "p", "a", session.resistor(430.0)),
                      *session.across("a", GROUND)]  # fmt: skip
            solution = self._settled(part, celsius, tied, others)
            true_v = solution.voltage_v("a").real
            seen_v = session.reads_v(true_v)
            seen_a = (session.reads_supply_v(volts) - seen_v) / 430.0
            try:
                estimate = forward_voltage(
                    seen_v, Estimate(seen_a, 6e-3 * abs(seen_a), "A"), 10e-3,
                    multimeter=session.meter_accuracy, range_v=session.range_v(true_v),
                )  # fmt: skip
            except InputError:
                yield StageReading("body-diode", path, None, "V", status="over-range",
                                   greater_than=max(seen_v, 1e-3))  # fmt: skip
                continue
            yield StageReading("body-diode", path, estimate.value, "V", u=estimate.u)
        high = self._high_leak(part, celsius)
        yield high
        low = {**dict.fromkeys(("VIN", "SW", "BOOT"), "a"),
               **dict.fromkeys((*_INPUTS, "PGND"), GROUND)}  # fmt: skip
        yield self._leak(part, celsius, "ls-leak", "sw-pgnd", low, 10e3)
        to_ground = {"VIN": "a", **dict.fromkeys((*_INPUTS, "PGND", "SW", "BOOT"), GROUND)}
        both = self._leak(part, celsius, "vin-leak", "vin-pgnd", to_ground, 100e3)
        if high.value is None or both.value is None:
            yield both
        else:
            yield StageReading("vin-leak", "vin-pgnd", both.value - high.value, "A",
                               u=math.hypot(both.u or 0.0, high.u or 0.0))  # fmt: skip

    def _estimate(self, true_v: float, series_ohm: float, *, relative: float = 1e-3) -> Estimate:
        session = self.session
        range_v = session.range_v(true_v)
        zero = session.reads_v(0.0, range_v=range_v)
        return leakage_by_resistor(
            [session.reads_v(true_v)], series_ohm=series_ohm, multimeter=session.meter_accuracy,
            range_v=range_v, zero_volts=[zero], series_relative=relative,
        )  # fmt: skip

    def _high_leak(self, part: Stage, celsius: float, *, repeat: bool = False) -> StageReading:
        """Read what comes through the high side, SW guarded by 10 kohm to ground."""
        session = self.session
        tied = {"BOOT": "sw", **dict.fromkeys((*_INPUTS, "PGND"), GROUND)}
        others = [
            session.source("p", session.supply_v(_TEST_V)),
            Series("feed", "p", "vin", session.resistor(1e3)),
            *session.through(10e3, "sw", GROUND),
            Shunt("fixture", "vin", "sw", session.fixture_s),
        ]
        solution = self._settled(part, celsius, tied, others)
        estimate = self._estimate(solution.voltage_v("sw").real, 10e3)
        share = 10e3 / _BESIDE_OHM
        value = estimate.value * (1.0 + share)
        u = math.hypot(estimate.u, estimate.value * share * _U_BESIDE)
        return StageReading("hs-leak", "vin-sw", value, "A", u=u, repeat=repeat)

    def _leak(
        self, part: Stage, celsius: float, step: str, path: str, tied: Mapping[str, str], ohm: float
    ) -> StageReading:
        others = [*self._source_through(_TEST_V, ohm, "a"),
                  Shunt("fixture", "a", GROUND, self.session.fixture_s)]  # fmt: skip
        solution = self._settled(part, celsius, tied, others)
        true_v = solution.voltage_v("p", "a").real
        if true_v > 0.1 * _TEST_V and ohm > 10e3:
            return self._leak(part, celsius, step, path, tied, 10e3)
        estimate = self._estimate(true_v, ohm)
        return StageReading(step, path, estimate.value, "A", u=estimate.u)

    def _driven(self, part: Stage, celsius: float) -> Iterator[StageReading]:
        session = self.session
        rest = dict.fromkeys(("VIN", "SW", "PGND"), GROUND)
        ways: dict[str, dict[str, str]] = {
            "standby": {"EN": GROUND, "PWM": GROUND}, "open": {"EN": "vdrv"},
            "low": {"EN": "vdrv", "PWM": GROUND}, "high": {"EN": "vdrv", "PWM": "vdrv"},
        }  # fmt: skip
        low_on = False
        for drive, way in ways.items():
            solution = self._settled(part, celsius, {**rest, **way}, self._drive(meter=True))
            estimate = self._estimate(solution.voltage_v("q", "vdrv").real, _DRIVE_OHM,
                                      relative=1e-2)  # fmt: skip
            yield StageReading("driver-supply", "vdrv-pgnd", estimate.value, "A", u=estimate.u,
                               state={"drive": drive})  # fmt: skip
            if drive == "low":
                gate = f"{part.name}.low-gate"
                low_on = solution.voltage_v(gate).real > 3.0
        yield from self._undervoltage(part, low_on)
        drive_on = self._drive(meter=False)
        solution = self._settled(part, celsius, {**rest, "EN": "vdrv"},
                                 [*drive_on, *session.across("pwm", GROUND)])  # fmt: skip
        true_v = solution.voltage_v("pwm").real
        range_v = session.range_v(true_v)
        meter = session.meter_accuracy
        yield StageReading(
            "pwm-open", "pwm", session.reads_v(true_v), "V",
            u=math.hypot(meter.gain_relative * true_v, meter.offset_of_range * range_v) / _SQRT3
            + 2e-4,
        )  # fmt: skip
        for word, volts in (("low", 0.0), ("high", _DRIVE_V)):
            others = [*drive_on, session.source("p", session.supply_v(volts) if volts else 0.0),
                      *session.through(1e3, "p", "pwm")]  # fmt: skip
            solution = self._settled(part, celsius, {**rest, "EN": "vdrv"}, others)
            estimate = self._estimate(solution.voltage_v("p", "pwm").real, 1e3)
            yield StageReading("pwm-current", "pwm", estimate.value, "A", u=estimate.u,
                               state={"pwm": word})  # fmt: skip

    def _undervoltage(self, part: Stage, low_on: bool) -> Iterator[StageReading]:
        """Step VDRV up and down; the low side's turning on and off tells the thresholds."""
        session = self.session
        start_v = float(session.rng.uniform(0.0, _UNDERVOLTAGE_STEP_V))
        for edge, true_v in (("rising", part.driver.undervoltage_rising_v),
                             ("falling", part.driver.undervoltage_falling_v)):  # fmt: skip
            state = {"edge": edge}
            if not low_on:
                # at 5 V the low side is not on: nothing to see
                yield StageReading("undervoltage", "vdrv-pgnd", None, "V", state=state,
                                   status="not-measured")  # fmt: skip
                continue
            steps = (true_v - start_v) / _UNDERVOLTAGE_STEP_V
            whole = math.ceil(steps) if edge == "rising" else math.floor(steps)
            seen = session.reads_supply_v(start_v + whole * _UNDERVOLTAGE_STEP_V)
            yield StageReading("undervoltage", "vdrv-pgnd", seen, "V",
                               u=_UNDERVOLTAGE_STEP_V / _SQRT3, state=state)  # fmt: skip

    def _switched(self, part: Stage, celsius: float) -> Iterator[StageReading]:
        session = self.session
        position = _POSITION_SD_OHM * float(session.rng.standard_normal())
        for path, tied, driven, other in (
            ("sw-pgnd", {"VIN": "a", "SW": "a", "PGND": "b", "EN": "vdrv", "PWM": "b"}, "a", "b"),
            ("vin-sw", {"VIN": "a", "SW": "b", "PGND": "b", "EN": "vdrv", "PWM": "vdrv"}, "a", "b"),
        ):
            yield self._on(part, celsius, path, tied, (driven, other), position)
        for path, tied in (
            ("vin-sw", {"VIN": "a", "SW": GROUND, "PGND": GROUND, "EN": "vdrv"}),
            ("sw-pgnd", {"VIN": "a", "SW": "a", "PGND": GROUND, "EN": "vdrv"}),
        ):
            others = [*self._drive(meter=False), *self._source_through(_SHORT_V, 100.0, "a")]
            solution = self._settled(part, celsius, tied, others)
            across = session.reads_v(solution.voltage_v("p", "a").real)
            told = session.reads_supply_v(session.supply_v(_SHORT_V))
            if across <= _LEAST_ACROSS_V:
                yield StageReading("tri-state", path, None, "ohm", status="over-range",
                                   greater_than=_SHORT_V / _LEAST_ACROSS_V * 100.0)  # fmt: skip
                continue
            ohms = max(short_resistance(told, across, series_ohm=100.0), 1e-3)
            u = 0.05 * ohms + 100.0 * 3e-3 / across
            yield StageReading("tri-state", path, ohms, "ohm", u=u)

    def _on(
        self, part: Stage, celsius: float, path: str, tied: Mapping[str, str],
        ends: tuple[str, str], position: float,
    ) -> StageReading:  # fmt: skip
        session = self.session
        high, low = ends
        common: list[Element] = [*self._drive(meter=False),
                                 Series("contact", low, GROUND, session.contact_ohm())]  # fmt: skip
        limit = session.supply_a(_ON_A)
        # first without the current, so that the driver has come up; then what the supply can do
        unit = part.with_fault(part.fault)
        node = {pin: tied.get(pin, pin.lower()) for pin in part.terminals}
        settle(unit, node, [*common, Series("idle", high, GROUND, 1e4)], celsius)
        driven = [*common, session.source("p", session.supply_v(_ON_V)),
                  Series("leads", "p", high, _LEADS_OHM)]  # fmt: skip
        solution = solve([*unit.elements(node, celsius), *driven])
        true_a = solution.current_a("leads").real
        if true_a > limit:
            driven = [*common, CurrentSource("load", high, GROUND, limit)]
            solution, true_a = solve([*unit.elements(node, celsius), *driven]), limit
        true_v = solution.voltage_v(high, low).real
        shown_a, off_a = session.reads_supply_a(true_a), session.reads_supply_a(0.0)
        least_a = 3.0 * session.supply_accuracy.current_offset_a
        if shown_a - off_a < least_a or true_v > 0.3:
            bound = true_v / max(shown_a - off_a, session.supply_accuracy.current_offset_a)
            return StageReading("on-resistance", path, None, "ohm", status="over-range",
                                greater_than=max(bound, 1e-3))  # fmt: skip
        range_v = session.range_v(true_v)
        off_v = session.reads_v(0.0, range_v=range_v)
        on_v = session.reads_v(true_v + position * true_a, range_v=range_v)
        estimate = on_resistance(
            [OnOffPair(off_v, on_v, off_v, shown_a)], multimeter=session.meter_accuracy,
            supply=session.supply_accuracy, range_v=range_v, off_current_a=off_a,
        )  # fmt: skip
        return StageReading("on-resistance", path, estimate.value, "ohm", u=estimate.u)
