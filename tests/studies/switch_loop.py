"""Measure a simulated MOSFET in the loop of the bench, step by step, into a readings/1 line.

Each step's circuit (supply, series resistor with the multimeter across it, part, fixture) is solved
at rest by the simulator's DC solver; the instruments of the session read it, and labbench.metrology
turns what they read into values with their uncertainty. Order, ranges and stop rules are those of
labbench.procedures.switch. Does not cover: time (settling, discharge, warming by the test itself),
drivers, people.
"""

from __future__ import annotations

import math
from typing import Any

from attrs import define, field

from labbench.errors import InputError
from labbench.metrology.diode import forward_voltage
from labbench.metrology.leakage import (
    leakage_by_meter,
    leakage_by_resistor,
    short_resistance,
)
from labbench.metrology.on_resistance import on_resistance
from labbench.metrology.threshold import next_supply_v, threshold_voltage
from labbench.parts.mosfet_type import MosfetType
from labbench.procedures.switch.conditions import SwitchConditions, switch_conditions
from labbench.results import (
    BodyDiode,
    DrainLeakage,
    Estimate,
    GateLeakage,
    OnOffPair,
    OnResistance,
    Readings,
    ShortCheck,
    Threshold,
)
from sim.circuit import GROUND, CurrentSource, Element, Series, Shunt, Solution, solve
from sim.physics.devices.mosfet import Mosfet
from tests.studies.bench_session import Session

_SQRT3 = math.sqrt(3.0)
_SHORT_V, _SHORT_A, _SHORT_SERIES_OHM = 0.2, 50e-3, 100.0
#: below this a reading across 100 ohm is the meter's zero
_LEAST_ACROSS_V = 20e-6
_GRADE_BELOW_OHM, _SHORT_OHM, _SCHOTTKY_SHORT_OHM = 30.0, 1e3, 300.0
_LEADS_OHM, _ON_V, _ABORT_V = 30e-3, 0.5, 0.3
_POSITION_SD_OHM = 10e-6
_METER = math.inf
_THRESHOLDS = ((250e-6, 10e3), (1e-3, 3e3))


@define
class _Leak:
    """Hold one leakage reading: what metrology made of it, and the voltage left for the part."""

    estimate: Estimate
    part_v: float
    series_ohm: float

    @property
    def method(self) -> str:
        return "series-resistor" if math.isfinite(self.series_ohm) else "meter"


@define
class SwitchLoop:
    """Measure MOSFETs of one type in one session."""

    session: Session
    part_type: MosfetType
    #: without a multimeter only the short check is left, by the supply's own readback
    with_multimeter: bool = True
    conditions: SwitchConditions = field(init=False)
    _zeros: dict[tuple[float, float, float], float] = field(factory=dict, init=False)

    def __attrs_post_init__(self) -> None:
        self.conditions = switch_conditions(self.part_type)

    def measure(
        self, part: Mosfet, specimen: str, *, celsius: float, role: str = "test"
    ) -> Readings:
        """Measure one part at its temperature (°C), as far as the stop rules let it."""
        blocks = self._blocks(part, celsius)
        return Readings(
            specimen=specimen, type=self.part_type.name, lot="lot", role=role,  # type: ignore[arg-type]
            temperature_c=self.session.shown_c, cleaned=True, **blocks,
        )  # fmt: skip

    def _blocks(self, part: Mosfet, celsius: float) -> dict[str, Any]:
        shorts, short = self._shorts(part, celsius)
        found: dict[str, Any] = {"short_check": tuple(shorts)}
        if short or not self.with_multimeter:
            return found
        gate, leaks = self._gate(part, celsius)
        found["gate_leakage"] = tuple(gate)
        if leaks:
            return found
        drain, stop = self._drain(part, celsius)
        found["drain_leakage"] = tuple(drain)
        if stop:
            return found
        found["body_diode"] = diodes = self._diodes(part, celsius)
        if diodes[0].voltage_v is None:
            return found
        found["threshold"] = thresholds = self._thresholds(part, celsius)
        if any(t.voltage_v is None for t in thresholds):
            return found
        found["on_resistance"] = ons = self._on(part, celsius)
        if any(o.value_ohm is None for o in ons):
            return found
        last = drain[-1]
        again = self._leak(
            part, celsius, self.conditions.drain_v, 1.0, gate=False,
            series_ohm=100e3 if last.method == "meter" else self._last_ohm,
        )  # fmt: skip
        found["drain_leakage"] = (*drain, self._drain_entry(again, repeat=True))
        return found

    # the steps

    def _sign(self, part: Mosfet) -> float:
        return -1.0 if part.construction.polarity == "p" else 1.0

    def _solve(
        self, part: Mosfet, celsius: float, node: dict[str, str], others: list[Element]
    ) -> Solution:
        leak = [
            Shunt(f"fixture-{a}{b}", node[a], node[b], self.session.fixture_s)
            for a, b in (("D", "S"), ("G", "S"), ("D", "G"))
            if node[a] != node[b]
        ]
        return solve([*part.elements(node, celsius), *leak, *others])

    def _shorts(self, part: Mosfet, celsius: float) -> tuple[list[ShortCheck], bool]:
        found: list[ShortCheck] = []
        limit = _SCHOTTKY_SHORT_OHM if self.conditions.schottky else _SHORT_OHM
        for path, polarity, node in (
            ("drain-source", "+", {"D": "a", "G": GROUND, "S": GROUND}),
            ("drain-source", "-", {"S": "a", "G": "a", "D": GROUND}),
            ("gate-source", "+", {"G": "a", "D": GROUND, "S": GROUND}),
            ("gate-drain", "+", {"G": "a", "D": GROUND, "S": GROUND}),
        ):
            ohms = self._short_ohms(part, celsius, node, graded=polarity == "+")
            most = (
                _SHORT_V / _LEAST_ACROSS_V * _SHORT_SERIES_OHM if self.with_multimeter
                else _SHORT_V / (1.5 * self.session.supply_accuracy.current_offset_a)
            )  # fmt: skip
            if ohms is None or ohms >= most:
                found.append(ShortCheck(path, None, polarity=polarity,  # type: ignore[arg-type]
                                        status="over-range", greater_than_ohm=most))  # fmt: skip
                continue
            found.append(ShortCheck(path, ohms, u_ohm=max(0.02 * ohms, 1e-6),
                                    polarity=polarity))  # type: ignore[arg-type]  # fmt: skip
            if ohms < (limit if path == "drain-source" else _SHORT_OHM):
                return found, True
        return found, False

    def _short_ohms(
        self, part: Mosfet, celsius: float, node: dict[str, str], *, graded: bool
    ) -> float | None:
        """Return the resistance of a path at 0.2 V; None where no current can be seen."""
        session, sign = self.session, self._sign(part)
        volts = session.supply_v(_SHORT_V)
        wired = {pin: "a" if name == "a" else GROUND for pin, name in node.items()}
        if not self.with_multimeter:
            others = [
                session.source("p", sign * volts),
                Series("leads", "p", "a", _LEADS_OHM + session.contact_ohm()),
            ]
            solution = self._solve(part, celsius, wired, others)
            amps = min(-sign * solution.current_a("supply-p").real, session.supply_a(_SHORT_A))
            shown = session.reads_supply_a(amps)
            if shown <= session.supply_accuracy.current_offset_a:
                return None
            return session.reads_supply_v(volts) / shown
        others = [session.source("p", sign * volts), *session.through(_SHORT_SERIES_OHM, "p", "a")]
        solution = self._solve(part, celsius, wired, others)
        across = sign * session.reads_v(solution.voltage_v("p", "a").real)
        if across <= _LEAST_ACROSS_V:
            return None
        ohms = short_resistance(session.reads_supply_v(volts), across,
                                series_ohm=_SHORT_SERIES_OHM)  # fmt: skip
        if ohms >= _GRADE_BELOW_OHM or not graded:
            return ohms
        # graded without the resistor: voltage by the multimeter, current by the readback
        drop = sign * solution.voltage_v("a").real
        true_ohm = drop / max(sign * solution.current_a("series").real, 1e-9)
        amps = min(volts / (true_ohm + _LEADS_OHM), session.supply_a(_SHORT_A))
        shown = session.reads_supply_a(amps)
        return session.reads_v(amps * true_ohm) / shown if shown > 3e-3 else ohms

    def _leak(
        self, part: Mosfet, celsius: float, volts: float, polarity: float, *, gate: bool,
        series_ohm: float,
    ) -> _Leak:  # fmt: skip
        """Read one leakage through a series element (infinite: the multimeter itself)."""
        session = self.session
        sign = self._sign(part) * polarity
        node = (
            {"G": "a", "D": GROUND, "S": GROUND} if gate else {"D": "a", "G": GROUND, "S": GROUND}
        )  # fmt: skip
        true_v = session.supply_v(volts)
        others = [session.source("p", sign * true_v), *session.through(series_ohm, "p", "a")]
        solution = self._solve(part, celsius, node, others)
        true_across = solution.voltage_v("p", "a").real
        # negative gate voltages are made by exchanging the leads: the meter sees what it sees
        across = polarity * self._sign(part) * session.reads_v(true_across)
        zero = self._zero(volts, series_ohm, sign)
        range_v = session.range_v(true_across)
        common: dict[str, Any] = {
            "multimeter": session.meter_accuracy, "range_v": range_v, "zero_volts": [zero],
        }  # fmt: skip
        if math.isfinite(series_ohm):
            estimate = leakage_by_resistor([across], series_ohm=series_ohm, **common)
        else:
            estimate = leakage_by_meter([across], **common)
        return _Leak(estimate, session.reads_supply_v(true_v) - across, series_ohm)

    def _zero(self, volts: float, series_ohm: float, sign: float) -> float:
        """Read the open fixture at this voltage, once a session (V)."""
        key = volts, series_ohm, sign
        if key not in self._zeros:
            session = self.session
            solution = solve([
                session.source("p", sign * session.supply_v(volts)),
                *session.through(series_ohm, "p", "a"),
                Shunt("fixture", "a", GROUND, 2.0 * session.fixture_s),
            ])  # fmt: skip
            self._zeros[key] = sign * session.reads_v(solution.voltage_v("p", "a").real)
        return self._zeros[key]

    def _gate(self, part: Mosfet, celsius: float) -> tuple[list[GateLeakage], bool]:
        found: list[GateLeakage] = []
        for polarity in (1.0, -1.0):
            for volts in self.conditions.gate_v:
                leak = self._leak(part, celsius, volts, polarity, gate=True, series_ohm=_METER)
                if leak.part_v < volts / 2.0:
                    leak = self._leak(part, celsius, volts, polarity, gate=True, series_ohm=1e6)
                near = leak.part_v > volts - 0.02 * volts
                at_v = volts if near else max(leak.part_v, 1e-3)
                found.append(
                    GateLeakage(polarity * at_v, polarity * leak.estimate.value,
                                leak.estimate.u, method=leak.method)
                )  # fmt: skip
                if leak.estimate.value > self.conditions.gate_stop_a:
                    return found, True
        return found, False

    _last_ohm: float = 100e3

    def _drain(self, part: Mosfet, celsius: float) -> tuple[list[DrainLeakage], bool]:
        found: list[DrainLeakage] = []
        for volts in (self.conditions.low_drain_v, self.conditions.drain_v):
            ohms, tried = 100e3, set()
            while True:
                tried.add(ohms)
                leak = self._leak(part, celsius, volts, 1.0, gate=False, series_ohm=ohms)
                across = volts - leak.part_v
                following = ohms
                if across > 0.1 * volts:
                    least = 1e3 if self.conditions.schottky and volts < 8.0 else 10e3
                    following = max(least, ohms / 10.0)
                elif across < 1e-3 and ohms == 100e3:
                    following = 1e6
                if following in tried:
                    break
                ohms = following
            self._last_ohm = ohms
            found.append(self._drain_entry(leak))
            if leak.part_v < volts / 2.0:
                return found, True
        limit = max((limit.upper_a for limit in self.part_type.drain_leakage), default=math.inf)
        return found, (found[-1].current_a or 0.0) > 4.0 * limit

    def _drain_entry(self, leak: _Leak, *, repeat: bool = False) -> DrainLeakage:
        near = min((self.conditions.low_drain_v, self.conditions.drain_v),
                   key=lambda v: abs(v - leak.part_v))  # fmt: skip
        at_v = near if abs(leak.part_v - near) < 0.02 * near + 5e-3 else max(leak.part_v, 1e-3)
        return DrainLeakage(at_v, leak.estimate.value, leak.estimate.u, repeat=repeat,
                            method=leak.method)  # fmt: skip

    def _diodes(self, part: Mosfet, celsius: float) -> tuple[BodyDiode, ...]:
        session, sign = self.session, self._sign(part)
        node = {"S": "a", "G": "a", "D": GROUND}
        found = []
        for nominal, volts, series in ((1e-3, 5.0, 4.3e3), (0.1, 3.2, 22.0)):
            true_v = session.supply_v(volts)
            drive: list[Element] = [
                session.source("p", sign * true_v),
                Series("series", "p", "a", session.resistor(series)),
                *session.across("a", GROUND),
            ]
            solution = self._solve(part, celsius, node, drive)
            amps = sign * solution.current_a("series").real
            if nominal == 0.1:
                # the supply limits the strong one
                limit = session.supply_a(nominal)
                if amps > limit:
                    drive = [CurrentSource("drive", "a", GROUND, sign * limit),
                             *session.across("a", GROUND)]  # fmt: skip
                    solution, amps = self._solve(part, celsius, node, drive), limit
            true_drop = sign * solution.voltage_v("a").real
            drop = sign * session.reads_v(solution.voltage_v("a").real)
            if nominal == 1e-3:
                seen = (session.reads_supply_v(true_v) - drop) / series
                u = seen * math.hypot(1e-3 / _SQRT3, 2.5e-3 / _SQRT3 / volts)
            else:
                seen = session.reads_supply_a(amps)
                accuracy = session.supply_accuracy
                u = math.hypot(accuracy.current_gain_relative * seen,
                               accuracy.current_offset_a) / _SQRT3  # fmt: skip
            try:
                estimate = forward_voltage(
                    drop, Estimate(seen, u, "A"), nominal,
                    multimeter=session.meter_accuracy, range_v=session.range_v(true_drop),
                )  # fmt: skip
            except InputError:
                found.append(BodyDiode(nominal, None, status="over-range",
                                       greater_than_v=max(drop, 1e-3)))  # fmt: skip
                break
            found.append(BodyDiode(nominal, estimate.value, estimate.u))
        return tuple(found)

    def _thresholds(self, part: Mosfet, celsius: float) -> tuple[Threshold, ...]:
        session, sign = self.session, self._sign(part)
        node = {"D": "a", "G": "a", "S": GROUND}
        found: list[Threshold] = []
        most_v = self.conditions.threshold_v + 0.5
        for nominal, series in _THRESHOLDS:
            volts = min(1.6 + nominal * series, most_v + nominal * series)
            accuracy = session.meter_accuracy
            for _ in range(3):
                others = [session.source("p", sign * session.supply_v(volts)),
                          *session.through(series, "p", "a")]  # fmt: skip
                solution = self._solve(part, celsius, node, others)
                across = sign * session.reads_v(solution.voltage_v("p", "a").real)
                amps = across * (1.0 / series + 1.0 / 10e6)
                if abs(amps / nominal - 1.0) < 0.01:
                    break
                volts = min(next_supply_v(volts, amps, nominal, series),
                            most_v + nominal * series)  # fmt: skip
            u = amps * math.hypot(1e-3, accuracy.gain_relative, accuracy.offset_of_range) / _SQRT3
            # the meter moves to the part; the resistor's current then feeds it too
            others = [session.source("p", sign * session.supply_v(volts)),
                      Series("series", "p", "a", session.resistor(series)),
                      *session.across("a", GROUND)]  # fmt: skip
            true_gate_v = self._solve(part, celsius, node, others).voltage_v("a").real
            gate_v = sign * session.reads_v(true_gate_v)
            try:
                estimate = threshold_voltage(
                    gate_v, Estimate(amps, max(u, 1e-12), "A"), nominal,
                    multimeter=accuracy, range_v=session.range_v(true_gate_v),
                )  # fmt: skip
            except InputError:
                if amps > nominal:
                    found.append(Threshold(nominal, None, status="over-range",
                                           less_than_v=max(gate_v, 1e-3)))  # fmt: skip
                else:
                    found.append(Threshold(nominal, None, status="over-range",
                                           greater_than_v=max(gate_v, 1e-3)))  # fmt: skip
                break
            found.append(Threshold(nominal, estimate.value, estimate.u))
        return tuple(found)

    def _on(self, part: Mosfet, celsius: float) -> tuple[OnResistance, ...]:
        session, sign = self.session, self._sign(part)
        node = {"D": "d", "G": "g", "S": "s"}
        found: list[OnResistance] = []
        position = _POSITION_SD_OHM * float(session.rng.standard_normal())
        contacts = session.contact_ohm(), session.contact_ohm()
        off_a = session.reads_supply_a(0.0)
        for gate_v, amps in self.conditions.on:
            gate: list[Element] = [
                session.source("q", sign * session.supply_v(gate_v)),
                Series("gate", "q", "g", 1e3),
                Series("source-contact", "s", GROUND, contacts[1]),
            ]
            limit = session.supply_a(amps)
            direct = [*gate, CurrentSource("drive", "d", GROUND, sign * limit),
                      Shunt("compliance", "d", GROUND, 1.0)]  # fmt: skip
            solution = self._solve(part, celsius, node, direct)
            true_drop = sign * (solution.voltage_v("d") - solution.voltage_v("s")).real
            true_a = limit - abs(solution.voltage_v("d").real)
            if true_drop > _ON_V:
                driven = [*gate, session.source("p", sign * session.supply_v(_ON_V)),
                          Series("leads", "p", "d", _LEADS_OHM + contacts[0])]  # fmt: skip
                solution = self._solve(part, celsius, node, driven)
                true_drop = sign * (solution.voltage_v("d") - solution.voltage_v("s")).real
                true_a = sign * solution.current_a("leads").real
            on_a = session.reads_supply_a(true_a)
            on_v = sign * session.reads_v(sign * true_drop)
            if on_v > _ABORT_V or on_a - off_a < 3.0 * session.supply_accuracy.current_offset_a:
                bound = abs(on_v) / max(on_a - off_a, session.supply_accuracy.current_offset_a)
                found.append(OnResistance(gate_v, None, None, status="over-range",
                                          greater_than_ohm=max(bound, 1e-3)))  # fmt: skip
                break
            range_v = session.range_v(true_drop)
            off_v = session.reads_v(0.0, range_v=range_v)
            on_v = sign * session.reads_v(sign * (true_drop + position * true_a), range_v=range_v)
            estimate = on_resistance(
                [OnOffPair(sign * off_v, on_v, sign * off_v, on_a)],
                multimeter=session.meter_accuracy, supply=session.supply_accuracy,
                range_v=range_v, off_current_a=off_a,
            )  # fmt: skip
            found.append(OnResistance(gate_v, amps, estimate.value, estimate.u))
        return tuple(found)
