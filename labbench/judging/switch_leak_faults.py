"""Name what leaks in a MOSFET: gate, drain, both through one resistor, and dirt."""

from __future__ import annotations

__all__ = ["name_dissipation", "name_leaks"]

from collections.abc import Iterator, Sequence

from attrs import evolve

from labbench.judging.switch_evidence import Deviation
from labbench.judging.switch_findings import loudest, make_finding
from labbench.judging.switch_quantities import PartTemperature
from labbench.parts.mosfet_type import MosfetType
from labbench.quantities import format_si
from labbench.results import Characteristic, Finding, Grade, Readings, earlier_of

#: what a drain leakage may change over the sequence
_STABLE_RATIO = 1.3
#: dissipation factor above siblings that a leak makes
_DISSIPATION = 0.01
#: surfaces that nobody washed leak like this (flux 280 Mohm, water films up to 10 Gohm)
_FILM_OHM = (30e6, 20e9)


def name_leaks(
    readings: Readings,
    part: MosfetType,
    found: Sequence[Deviation],
    characteristics: Sequence[Characteristic],
    temperature: PartTemperature,
) -> tuple[list[Finding], bool]:
    """Name what leaks at its own test voltage, and tell whether it may be dirt."""
    gate, dirty = _gate(readings, part, found, characteristics)
    drain = [
        _perhaps_by_the_gate(readings, part, found, f)
        for f in _drain(readings, found, characteristics, temperature, gate)
    ]
    return list(_merged(gate, drain, found)), dirty


def _gate(
    readings: Readings,
    part: MosfetType,
    found: Sequence[Deviation],
    characteristics: Sequence[Characteristic],
) -> tuple[list[Finding], bool]:
    worst = loudest(found, ("gate-leakage",), positive=True)
    shapes = [d for d in found if d.test in ("gate-shape", "gate-ohmic") and d.suspect]
    failed = [c for c in characteristics if c.name == "gate-leakage" and c.verdict == "fails"]
    if worst is None and not shapes and not failed:
        return [], False
    largest = max(
        (e for e in readings.gate_leakage if e.current_a is not None),
        key=lambda e: abs(e.current_a or 0.0),
        default=None,
    )
    if largest is None or largest.current_a is None:
        bounds = [e.greater_than_a for e in readings.gate_leakage if e.greater_than_a is not None]
        size = f"more than {format_si(bounds[0], 'A', 2)}" if bounds else "too much"
        return [make_finding("leak", "gate-source", "sure", 0.0, f"the gate draws {size}",
                         "leak gate-drain", "weak-gate")], False  # fmt: skip
    powers = [d for d in found if d.test == "gate-shape" and d.at != 0.0]
    symmetry = next((d for d in found if d.test == "gate-shape" and d.at == 0.0), None)
    at = f"{format_si(abs(largest.current_a), 'A', 2)} at {largest.voltage_v:.3g} V on the gate"
    lone_sided = symmetry is not None and (symmetry.value > 2.0 or symmetry.value < 0.5)
    steep = max((d.value for d in powers), default=None)
    evidence: list[Deviation] = [*shapes, *([worst] if worst else [])]
    grade: Grade = "sure" if failed or any(d.sure for d in evidence) else "suspect"
    p = min((d.p for d in evidence), default=0.0)
    if steep is not None and steep > 2.0:
        because = f"{at}, growing as the voltage to the power {steep:.1f}"
        return [make_finding("weak-gate", "gate-source", grade, p, because, "leak")], False
    if lone_sided and symmetry is not None:
        ratio = max(symmetry.value, 1.0 / symmetry.value)
        because = f"{at}, {ratio:.1f} times that of the other polarity"
        return [make_finding("weak-gate", "gate-source", grade, p, because, "leak")], False
    ohms = abs(largest.voltage_v / largest.current_a)
    because = f"{at}: {format_si(ohms, 'Ω', 2)}"
    film = _FILM_OHM[0] < ohms < _FILM_OHM[1] and "gate-clamp" not in part.features
    dirty = film and readings.cleaned is not True and not failed
    if dirty:
        grade = "suspect"
    return [make_finding("leak", "gate-source", grade, p, because, "leak gate-drain",
                     "weak-gate")], dirty  # fmt: skip


def _drain(
    readings: Readings,
    found: Sequence[Deviation],
    characteristics: Sequence[Characteristic],
    temperature: PartTemperature,
    gate: Sequence[Finding],
) -> list[Finding]:
    result: list[Finding] = []
    ohmic = next((d for d in found if d.test == "ohmic"), None)
    worst = loudest(found, ("drain-leakage",), positive=True)
    failed = [c for c in characteristics if c.name == "drain-leakage" and c.verdict == "fails"]
    low_bv = [c for c in characteristics if c.name == "breakdown" and c.verdict == "fails"]
    if low_bv and low_bv[0].value is not None:
        because = f"breaks down at {format_si(low_bv[0].value, 'V')}"
        result.append(make_finding("low-breakdown", "drain-source", "sure", 0.0, because, "leak"))
    beyond = [e for e in readings.drain_leakage if e.status == "over-range" and e.greater_than_a]
    grade: Grade
    if ohmic is not None and ohmic.suspect and ohmic.z > 0.0:
        grade = "sure" if ohmic.sure or failed else "suspect"
        d = ohmic.details
        ohms = 1.0 / ohmic.value
        if d["ratio"] > 1.25 * d["voltage_ratio"]:
            because = (
                f"the leakage grows {d['ratio']:.3g} times from {d['low_v']:.3g} V to "
                f"{d['high_v']:.3g} V, a sound one {d['expected_ratio']:.2g} times"
            )
            result.append(
                make_finding("low-breakdown", "drain-source", grade, ohmic.p, because, "leak")
            )
        else:
            because = (
                f"{format_si(ohms, 'Ω', 2)} across it: the leakage grows {d['ratio']:.3g} times "
                f"from {d['low_v']:.3g} V to {d['high_v']:.3g} V, not {d['expected_ratio']:.2g}"
            )
            result.append(
                make_finding("leak", "drain-source", grade, ohmic.p, because, "low-breakdown")
            )
    elif beyond:
        first = beyond[0]
        most = format_si(first.greater_than_a or 0.0, "A", 2)
        because = f"more than {most} at {first.voltage_v:.3g} V"
        lower = [e for e in readings.drain_leakage if e.voltage_v < first.voltage_v]
        fault, other = ("low-breakdown", "leak") if lower else ("leak", "low-breakdown")
        limited = any(c.name == "drain-leakage" for c in characteristics)
        # a range that ends below the limit proves nothing
        grade = "suspect" if limited and not failed else "sure"
        result.append(make_finding(fault, "drain-source", grade, 0.0, because, other))
    elif worst is not None or failed:
        sure = bool(failed) or (worst is not None and worst.sure and temperature.known)
        because = _leak_text(worst, failed)
        result.append(
            make_finding("leak", "drain-source", "sure" if sure else "suspect",
                     worst.p if worst else 0.0, because, "low-breakdown")
        )  # fmt: skip
    unstable = _unstable(readings)
    if unstable is not None and not result and not gate:
        result.append(make_finding("leak", "drain-source", "sure", 0.0, unstable, "low-breakdown"))
    return result


def _perhaps_by_the_gate(
    readings: Readings, part: MosfetType, found: Sequence[Deviation], finding: Finding
) -> Finding:
    """Add the path over the gate, which is tied to source then, where the gate hides it.

    The same resistor draws V/R at the gate's own step; a clamp there may draw as much itself.
    """
    ohmic = next((d for d in found if d.test == "ohmic"), None)
    if finding.fault != "leak" or ohmic is None or "gate-clamp" not in part.features:
        return finding
    hidden = [
        e for e in readings.gate_leakage
        if e.current_a is not None and abs(e.current_a) > 0.5 * ohmic.value * abs(e.voltage_v)
    ]  # fmt: skip
    if readings.gate_leakage and not hidden:
        return finding
    return evolve(finding, alternatives=("leak gate-drain", *finding.alternatives)[:2])


def _leak_text(worst: Deviation | None, failed: Sequence[Characteristic]) -> str:
    if failed and failed[0].value is not None and failed[0].upper is not None:
        return (
            f"{format_si(failed[0].value, 'A', 2)} at 25 °C, should be below "
            f"{format_si(failed[0].upper, 'A')}"
        )
    if worst is not None:
        return (
            f"leaks {format_si(worst.value, 'A', 2)} at {worst.at:.3g} V, its siblings "
            f"{format_si(worst.expected, 'A', 2)}"
        )
    return "leaks more than could be measured"


def _unstable(readings: Readings) -> str | None:
    for again in readings.drain_leakage:
        if not again.repeat or again.current_a is None or again.u_current_a is None:
            continue
        first = earlier_of(again, readings.drain_leakage)
        if first is None or first.current_a is None or first.u_current_a is None:
            continue
        room = 4.0 * (first.u_current_a**2 + again.u_current_a**2) ** 0.5
        if abs(again.current_a) > _STABLE_RATIO * abs(first.current_a) + room:
            return (
                f"leaks {format_si(again.current_a, 'A', 2)} after the other tests, "
                f"{format_si(first.current_a, 'A', 2)} before"
            )
    return None


def _merged(
    gate: Sequence[Finding], drain: Sequence[Finding], found: Sequence[Deviation]
) -> Iterator[Finding]:
    """Yield both, or one leak from gate to drain where both read the same resistor."""
    ohmic = next((d for d in found if d.test == "ohmic"), None)
    leaks = [f for f in gate if f.fault == "leak"]
    if leaks and drain and drain[0].fault == "leak" and ohmic is not None and ohmic.value > 0.0:
        both: Grade = "sure" if "sure" in (leaks[0].grade, drain[0].grade) else "suspect"
        yield make_finding(
            "leak", "gate-drain", both, leaks[0].probability * 0.0,
            f"gate and drain leak alike: {leaks[0].because}", "leak gate-source",
            "leak drain-source",
        )  # fmt: skip
        return
    yield from gate
    yield from drain


def name_dissipation(readings: Readings) -> Iterator[Finding]:
    """Yield the leak that a capacitance read at a low frequency shows."""
    for c in readings.capacitance:
        # a film capacitor between terminals of silicon has some 1e-3; at 100 Hz a leak shows
        if c.frequency_hz <= 1e3 and c.dissipation - 3.0 * c.u_dissipation > 5.0 * _DISSIPATION:
            ohms = 1.0 / (6.283185 * c.frequency_hz * c.capacitance_f * c.dissipation)
            yield make_finding(
                "leak", c.path, "suspect", 0.05,
                f"dissipation {c.dissipation:.2g} at {format_si(c.frequency_hz, 'Hz')}: "
                f"{format_si(ohms, 'Ω', 2)} across it",
            )  # fmt: skip
