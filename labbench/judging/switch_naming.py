"""Name the fault of a MOSFET: fault, path, grade, what else it could be, and why."""

from __future__ import annotations

__all__ = ["name_faults"]

import math
from collections.abc import Iterator, Sequence

from attrs import evolve

from labbench.judging.leak_separation import ratio_by_law
from labbench.judging.switch_evidence import Deviation
from labbench.judging.switch_quantities import PartTemperature
from labbench.parts.mosfet_type import MosfetType
from labbench.quantities import format_si
from labbench.results import Characteristic, Finding, Grade, Readings, ShortCheck, earlier_of

#: below this at 0.2 V a path is broken, whatever the part (a Schottky diode conducts some there)
_SHORT_OHM, _SCHOTTKY_SHORT_OHM = 1e3, 300.0
_SHORT_V = 0.2
#: how much flatter than usual the law of a sound Schottky diode may be
_FLATTEST_SDS = 3.0
#: what no healthy junction or gate shows at 0.2 V
_LEAK_OHM = 100e3
#: a break-through of metal has less, a damaged junction more
_METAL_OHM, _PERHAPS_METAL_OHM = 5.0, 30.0
#: what a drain leakage may change over the sequence
_STABLE_RATIO = 1.3
#: dissipation factor above siblings that a leak makes
_DISSIPATION = 0.01
#: surfaces that nobody washed leak like this (flux 280 Mohm, water films up to 10 Gohm)
_FILM_OHM = (30e6, 20e9)
_ORDER = (
    "short", "open", "leak", "weak-gate", "low-breakdown", "threshold-shift", "high-on-resistance",
    "not-as-marked",
)  # fmt: skip


def name_faults(
    readings: Readings,
    part: MosfetType,
    found: Sequence[Deviation],
    characteristics: Sequence[Characteristic],
    temperature: PartTemperature,
) -> tuple[tuple[Finding, ...], bool]:
    """Name every fault that the evidence supports, the gravest first.

    Also tells whether a leak may be dirt on a part that was not washed (then it is suspect only).
    """
    named: list[Finding] = []
    named += _shorts(readings, part)
    named += _opens(readings)
    gate, dirty = _gate(readings, part, found, characteristics)
    drain = [
        _perhaps_by_the_gate(readings, part, found, f)
        for f in _drain(readings, found, characteristics, temperature, gate)
    ]
    named += _merged(gate, drain, found)
    named += _channel(found, characteristics)
    named += _dissipation(readings)
    merged: dict[tuple[str, str | None], Finding] = {}
    for finding in named:
        key = (finding.fault, finding.path)
        if key not in merged or (finding.grade == "sure" and merged[key].grade == "suspect"):
            merged[key] = finding
    ordered = sorted(merged.values(), key=lambda f: (f.grade != "sure", _ORDER.index(f.fault)))
    return tuple(ordered), dirty


def _finding(
    fault: str, path: str | None, grade: Grade, p: float, because: str, *alternatives: str
) -> Finding:
    return Finding(fault, path, grade, 1.0 - min(1.0, p), alternatives[:2], because)


def _shorts(readings: Readings, part: MosfetType) -> Iterator[Finding]:
    low: dict[str, float] = {}
    for entry in readings.short_check:
        ohms = _at_most(entry)
        if ohms is None:
            continue
        if "schottky" in part.features and entry.path in ("drain-source", "source-drain"):
            limit = _SCHOTTKY_SHORT_OHM
            if entry.path == "drain-source" and entry.polarity == "+":
                limit = max(limit, _least_schottky_ohm(part))
        elif entry.path == "source-drain" or entry.polarity == "-":
            # the body diode's direction
            limit = _SHORT_OHM
        else:
            limit = _LEAK_OHM
        if "gate-clamp" in part.features and "gate" in entry.path:
            # a sound clamp's current grows at least in proportion to the voltage
            sound = [one.voltage_v / one.upper_a for one in part.gate_leakage]
            limit = max(_SHORT_OHM, min([_LEAK_OHM, *sound])) if sound else _SHORT_OHM
        if ohms < limit:
            low[entry.path] = ohms
    if not low:
        return
    gate = min((ohms for path, ohms in low.items() if "gate" in path), default=None)
    drain = min((ohms for path, ohms in low.items() if "gate" not in path), default=None)
    ohms = min(x for x in (gate, drain) if x is not None)
    others: tuple[str, ...] = ()
    if gate is not None and drain is not None:
        # with the third terminal tied to source a path from gate to drain shows in both
        path, others = "gate-drain", ("short drain-source", "short gate-source")
        if drain < 0.5 * gate:
            path, others = "drain-source", ("short gate-drain",)
    elif gate is not None:
        path, others = "gate-source", ("short gate-drain",)
    else:
        path = "drain-source"
    fault = "short" if ohms < _METAL_OHM else "leak"
    if fault == "leak":
        others = tuple(other.replace("short ", "leak ") for other in others)
        if ohms < _PERHAPS_METAL_OHM:
            others = ("short", *others)
    because = f"{format_si(ohms, 'Ω', 2)} at 0.2 V, {path.replace('-', ' to ')}"
    yield _finding(fault, path, "sure", 0.0, because, *others)


def _least_schottky_ohm(part: MosfetType) -> float:
    """Return what a sound Schottky type has at least at 0.2 V: its limit, led down by its law."""
    ohms = [_LEAK_OHM]
    for limit in part.drain_leakage:
        ln_k, sd = ratio_by_law(_SHORT_V, limit.voltage_v, schottky=True)
        ohms.append(_SHORT_V / limit.upper_a * math.exp(ln_k - _FLATTEST_SDS * sd))
    return min(ohms) if len(ohms) > 1 else 0.0


def _at_most(entry: ShortCheck) -> float | None:
    if entry.resistance_ohm is not None:
        return entry.resistance_ohm
    return entry.less_than_ohm if entry.status == "over-range" else None


def _opens(readings: Readings) -> Iterator[Finding]:
    open_diode = any(
        e.status == "over-range" and e.greater_than_v is not None for e in readings.body_diode
    )
    open_channel = any(
        e.status == "over-range" and e.greater_than_ohm is not None for e in readings.on_resistance
    )
    no_threshold = any(
        e.status == "over-range" and e.greater_than_v is not None for e in readings.threshold
    )
    if open_diode:
        because = "no current through the body diode"
        if open_channel or not readings.on_resistance:
            yield _finding("open", "drain-source", "sure", 0.0, because, "lifted-bond")
        else:
            yield _finding("not-as-marked", None, "suspect", 0.05, because, "open")
    elif open_channel or (no_threshold and not readings.on_resistance):
        because = "the body diode conducts, but no gate voltage turns the channel on"
        yield _finding(
            "open", "gate-source", "sure", 0.0, because, "lifted-bond", "threshold-shift"
        )


def _gate(
    readings: Readings,
    part: MosfetType,
    found: Sequence[Deviation],
    characteristics: Sequence[Characteristic],
) -> tuple[list[Finding], bool]:
    worst = _worst(found, ("gate-leakage",), positive=True)
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
        return [_finding("leak", "gate-source", "sure", 0.0, f"the gate draws {size}",
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
        return [_finding("weak-gate", "gate-source", grade, p, because, "leak")], False
    if lone_sided and symmetry is not None:
        ratio = max(symmetry.value, 1.0 / symmetry.value)
        because = f"{at}, {ratio:.1f} times that of the other polarity"
        return [_finding("weak-gate", "gate-source", grade, p, because, "leak")], False
    ohms = abs(largest.voltage_v / largest.current_a)
    because = f"{at}: {format_si(ohms, 'Ω', 2)}"
    film = _FILM_OHM[0] < ohms < _FILM_OHM[1] and "gate-clamp" not in part.features
    dirty = film and readings.cleaned is not True and not failed
    if dirty:
        grade = "suspect"
    return [_finding("leak", "gate-source", grade, p, because, "leak gate-drain",
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
    worst = _worst(found, ("drain-leakage",), positive=True)
    failed = [c for c in characteristics if c.name == "drain-leakage" and c.verdict == "fails"]
    low_bv = [c for c in characteristics if c.name == "breakdown" and c.verdict == "fails"]
    if low_bv and low_bv[0].value is not None:
        because = f"breaks down at {format_si(low_bv[0].value, 'V')}"
        result.append(_finding("low-breakdown", "drain-source", "sure", 0.0, because, "leak"))
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
                _finding("low-breakdown", "drain-source", grade, ohmic.p, because, "leak")
            )
        else:
            because = (
                f"{format_si(ohms, 'Ω', 2)} across it: the leakage grows {d['ratio']:.3g} times "
                f"from {d['low_v']:.3g} V to {d['high_v']:.3g} V, not {d['expected_ratio']:.2g}"
            )
            result.append(
                _finding("leak", "drain-source", grade, ohmic.p, because, "low-breakdown")
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
        result.append(_finding(fault, "drain-source", grade, 0.0, because, other))
    elif worst is not None or failed:
        sure = bool(failed) or (worst is not None and worst.sure and temperature.known)
        because = _leak_text(worst, failed)
        result.append(
            _finding("leak", "drain-source", "sure" if sure else "suspect",
                     worst.p if worst else 0.0, because, "low-breakdown")
        )  # fmt: skip
    unstable = _unstable(readings)
    if unstable is not None and not result and not gate:
        result.append(_finding("leak", "drain-source", "sure", 0.0, unstable, "low-breakdown"))
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
        yield _finding(
            "leak", "gate-drain", both, leaks[0].probability * 0.0,
            f"gate and drain leak alike: {leaks[0].because}", "leak gate-source",
            "leak drain-source",
        )  # fmt: skip
        return
    yield from gate
    yield from drain


def _channel(
    found: Sequence[Deviation], characteristics: Sequence[Characteristic]
) -> Iterator[Finding]:
    threshold = _worst(found, ("threshold",))
    failed = {c.name: c for c in characteristics if c.verdict == "fails"}
    if threshold is not None or "threshold" in failed:
        if threshold is not None:
            grade: Grade = "sure" if threshold.sure or "threshold" in failed else "suspect"
            because = (
                f"threshold {format_si(threshold.value, 'V')}, its siblings "
                f"{format_si(threshold.expected, 'V')}"
            )
            yield _finding("threshold-shift", "gate-source", grade, threshold.p, because,
                           "not-as-marked")  # fmt: skip
        else:
            yield _finding("threshold-shift", "gate-source", "sure", 0.0,
                           f"threshold {_against(failed['threshold'])}",
                           "not-as-marked")  # fmt: skip
    ohms = _worst(found, ("on-resistance", "gate-ratio"))
    if ohms is not None or "on-resistance" in failed:
        if "on-resistance" in failed:
            because = f"on-resistance {_against(failed['on-resistance'])}"
            yield _finding("high-on-resistance", "drain-source", "sure", 0.0, because,
                           "lifted-bond", "threshold-shift")  # fmt: skip
        elif ohms is not None and ohms.test == "on-resistance":
            grade = "sure" if ohms.sure else "suspect"
            because = (
                f"on-resistance {format_si(ohms.value, 'Ω')} at {ohms.at:.3g} V on the gate, its "
                f"siblings {format_si(ohms.expected, 'Ω')}"
            )
            if ohms.z > 0.0:
                yield _finding("high-on-resistance", "drain-source", grade, ohms.p, because,
                               "lifted-bond", "threshold-shift")  # fmt: skip
            elif threshold is None:
                yield _finding("not-as-marked", None, grade, ohms.p, because)
        elif ohms is not None and threshold is None:
            grade = "sure" if ohms.sure else "suspect"
            because = (
                f"on-resistance falls to {ohms.value:.2f} with the gate voltage, of its siblings "
                f"to {ohms.expected:.2f}"
            )
            if ohms.z > 0.0:
                yield _finding("high-on-resistance", "drain-source", grade, ohms.p, because,
                               "threshold-shift", "lifted-bond")  # fmt: skip
            else:
                yield _finding("threshold-shift", "gate-source", grade, ohms.p, because,
                               "high-on-resistance")  # fmt: skip
    diode = _worst(found, ("body-diode",))
    if diode is not None and "body-diode" not in failed:
        grade = "sure" if diode.sure and abs(diode.value - diode.expected) > 0.025 else "suspect"
        because = (
            f"body diode {format_si(diode.value, 'V')}, of its siblings "
            f"{format_si(diode.expected, 'V')}"
        )
        yield _finding("not-as-marked", None, grade, diode.p, because)
    elif "body-diode" in failed:
        because = f"body diode {_against(failed['body-diode'])}"
        yield _finding("lifted-bond", "drain-source", "sure", 0.0, because, "not-as-marked")


def _against(c: Characteristic) -> str:
    unit = "Ω" if c.unit == "ohm" else c.unit
    value = "over range" if c.value is None else format_si(c.value, unit)
    if c.upper is not None and (c.value is None or c.value > c.upper):
        return f"{value}, should be below {format_si(c.upper, unit)}"
    return f"{value}, should be above {format_si(c.lower or 0.0, unit)}"


def _dissipation(readings: Readings) -> Iterator[Finding]:
    for c in readings.capacitance:
        # a film capacitor between terminals of silicon has some 1e-3; at 100 Hz a leak shows
        if c.frequency_hz <= 1e3 and c.dissipation - 3.0 * c.u_dissipation > 5.0 * _DISSIPATION:
            ohms = 1.0 / (6.283185 * c.frequency_hz * c.capacitance_f * c.dissipation)
            yield _finding(
                "leak", c.path, "suspect", 0.05,
                f"dissipation {c.dissipation:.2g} at {format_si(c.frequency_hz, 'Hz')}: "
                f"{format_si(ohms, 'Ω', 2)} across it",
            )  # fmt: skip


def _worst(
    found: Sequence[Deviation], tests: Sequence[str], *, positive: bool = False
) -> Deviation | None:
    out = [
        d for d in found
        if d.test in tests and d.suspect and (d.z > 0.0 or not positive)
    ]  # fmt: skip
    return min(out, key=lambda d: d.p / d.share, default=None)
