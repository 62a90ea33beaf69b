"""Name the fault of a coil from the evidence, with a grade and a reason of one number."""

from __future__ import annotations

__all__ = ["SUSPECT_FACTOR", "diagnose", "open_winding", "seen_fault", "suspicious"]

import math
from collections.abc import Sequence

import numpy as np

from labbench.judging import coil_model as model
from labbench.judging.coil_evidence import Evidence, Explanation, Shares
from labbench.judging.coil_lot_tests import LotEvidence
from labbench.judging.short_details import short_details
from labbench.judging.sweep_points import SweepPoints
from labbench.parts.coil_type import CoilType
from labbench.quantities import format_si
from labbench.results import Characteristic, DcResistance, Finding, Grade, Impedance, Visual

# A test that would meet a healthy part up to this many times as often as its share of the false
# reject limit allows is a suspicion: it asks for more work and condemns nothing. At the usual
# limit of 1 % no more than 3 % of healthy parts are held up by it.
SUSPECT_FACTOR = 3.0
_EXPLAINED = 0.95
_LONGEST_REASON = 60

# No sweep at zero bias separates these, whatever its evidence: thinner wire and a bad joint have
# the same extra resistance.
_INSEPARABLE = {"high-resistance-joint": ("not-as-marked",)}
_MOST_ALTERNATIVES = 2

# A winding is open when it resists this many times its nominal value and this much; a bad joint
# stays below. Without a nominal value only the latter, times ten, counts.
_OPEN_RATIO = 100.0
_OPEN_OHM = 10.0

# seen at the part -> fault; common practice, no source
_SEEN = {
    "cracked": ("cracked-core", ("fused-winding",), "a crack is seen"),
    "bulged": ("cracked-core", ("fused-winding",), "the body is seen to bulge"),
    "discoloured": ("fused-winding", ("shorted-turn", "lossy-core"), "discoloured: it was too hot"),
}


def seen_fault(visual: Visual | None) -> Finding | None:
    """Return the finding of a part that is condemned on sight (common practice, no source)."""
    if visual is None or visual.seen not in _SEEN:
        return None
    fault, alternatives, because = _SEEN[visual.seen]
    return Finding(
        fault=fault, path=None, grade="sure", probability=1.0, alternatives=alternatives,
        because=because, details={"seen": visual.seen},
    )  # fmt: skip


def open_winding(
    impedance: Impedance | None,
    points: SweepPoints,
    dc_resistance: DcResistance | None,
    part: CoilType,
) -> Finding | None:
    """Return an open winding: sure where dc and sweep agree, suspect where only one was taken."""
    nominal = part.nominal_resistance_ohm
    limit = max(_OPEN_RATIO * nominal, _OPEN_OHM) if nominal is not None else 10.0 * _OPEN_OHM
    at_dc = _open_at_dc(dc_resistance, limit)
    in_sweep = _open_in_sweep(impedance, points, limit, part.nominal_inductance_h)
    if False in (at_dc, in_sweep) or (at_dc is None and in_sweep is None):
        return None
    agreed = at_dc is True and in_sweep is True
    least = _least_resistance(impedance, points, dc_resistance)
    sign = "more than " if least[1] else ""
    alternatives = ("high-resistance-joint",) if not least[1] and least[0] < 1e3 else ()
    return Finding(
        fault="open-winding",
        path=None,
        grade="sure" if agreed else "suspect",
        probability=1.0 if agreed else 0.9,
        alternatives=alternatives,
        because=f"the winding resists {sign}{format_si(least[0], 'ohm')}"
        if math.isfinite(least[0])
        else "nothing flows through the winding",
        details={"frequencies_used_hz": [float(f) for f in points.frequency_hz]},
    )


#: what has a finding of its own and says nothing of the sweep
_NOT_OF_THE_SWEEP = ("saturation", "insulation")


def suspicious(
    evidence: Evidence | None,
    lot: LotEvidence | None,
    characteristics: Sequence[Characteristic],
    shares: Shares,
) -> bool:
    """Tell whether a characteristic fails or a test is near its share of the false rejects."""
    if any(c.verdict == "fails" and c.name not in _NOT_OF_THE_SWEEP for c in characteristics):
        return True
    if _lot_ratio(lot, shares) < SUSPECT_FACTOR:
        return True
    return evidence is not None and evidence.ratio(shares) < SUSPECT_FACTOR


def diagnose(
    evidence: Evidence | None,
    explanation: Explanation | None,
    characteristics: Sequence[Characteristic],
    part: CoilType,
    *,
    shares: Shares,
    lot: LotEvidence | None = None,
) -> Finding | None:
    """Return the fault that the evidence supports, or None.

    The grade is sure where a characteristic fails, or a test for a loop or for core loss is beyond
    its share of the false rejects, or a test against the lot is, or the sweep is unlike a healthy
    coil beyond its share and a fault explains it.
    """
    if not suspicious(evidence, lot, characteristics, shares):
        return None
    failed = [c for c in characteristics if c.verdict == "fails"
              and c.name not in _NOT_OF_THE_SWEEP]  # fmt: skip
    if evidence is None or explanation is None:
        return _from_characteristics(failed)
    unlike_lot = _lot_ratio(lot, shares) < 1.0
    if not failed and min(evidence.ratio(shares), _lot_ratio(lot, shares)) >= SUSPECT_FACTOR:
        return None
    # Unlike a healthy coil of the model is not yet faulty (the model may not know this kind of
    # winding): it is only where a fault explains the sweep far better.
    explained = evidence.ratio(shares) < 1.0 and explanation.probability >= _EXPLAINED
    sure = bool(failed) or evidence.ratio_specific(shares) < 1.0 or explained or unlike_lot
    grade: Grade = "sure" if sure else "suspect"
    fault = explanation.fault
    alternatives = list(explanation.alternatives)
    alternatives += [a for a in _INSEPARABLE.get(fault, ()) if a not in alternatives]
    probability = explanation.probability
    if failed:
        probability = max(probability, *(1.0 - (c.probability_conforming or 0.0) for c in failed))
    if lot is not None and unlike_lot:
        probability = max(probability, 1.0 - lot.p_smallest)
    frequencies = [float(f) for f in evidence.points.frequency_hz]
    details = {"frequencies_used_hz": frequencies}
    if "shorted-turn" in (fault, *alternatives[:_MOST_ALTERNATIVES]):
        # what the short would be, also where another fault comes first
        details = short_details(explanation.short, part, evidence.points.frequency_hz)
    return Finding(
        fault=fault,
        path=None,
        grade=grade,
        probability=probability,
        alternatives=tuple(alternatives[:_MOST_ALTERNATIVES]),
        because=_because(fault, evidence, explanation, characteristics, part),
        details=details,
    )


def _lot_ratio(lot: LotEvidence | None, shares: Shares) -> float:
    return math.inf if lot is None or shares.lot is None else lot.p_smallest / shares.lot


def _from_characteristics(failed: Sequence[Characteristic]) -> Finding | None:
    """Name a fault without a usable sweep: the dc resistance alone says little."""
    for c in failed:
        if c.name != "dc-resistance":
            continue
        if c.value is None or (c.upper is not None and c.value > c.upper):
            fault, others = "high-resistance-joint", ("not-as-marked", "open-winding")
        else:
            fault, others = "not-as-marked", ("fused-winding", "shorted-turn")
        return Finding(
            fault=fault, path=None, grade="sure",
            probability=1.0 - (c.probability_conforming or 0.0), alternatives=others,
            because=_against_limits("dc resistance", c), details={},
        )  # fmt: skip
    return None


def _open_at_dc(measured: DcResistance | None, limit: float) -> bool | None:
    if measured is None or measured.status in ("not-measured", "unstable"):
        return None
    if measured.status == "over-range":
        # a bound below the limit says nothing either way
        bound = measured.greater_than_ohm
        return True if bound is None or bound > limit else None
    if measured.value_ohm is None or measured.u_ohm is None:
        return None
    return measured.value_ohm - 2.0 * measured.u_ohm > limit


def _open_in_sweep(
    impedance: Impedance | None, points: SweepPoints, limit: float, nominal_h: float | None
) -> bool | None:
    if impedance is None:
        return None
    if len(points):
        # at the lowest frequency, where a coil's own reactance is least
        f = float(points.frequency_hz[0])
        size = math.hypot(float(points.resistance_ohm[0]), float(points.reactance_ohm[0]))
        own = 2.0 * math.pi * f * nominal_h if nominal_h is not None else 0.0
        inductive = points.reactance_ohm[0] > abs(points.resistance_ohm[0])
        return size > limit + _OPEN_RATIO * own and not inductive
    if impedance.status is not None and "over-range" in impedance.status:
        return True
    return None


def _least_resistance(
    impedance: Impedance | None, points: SweepPoints, measured: DcResistance | None
) -> tuple[float, bool]:
    """Find the best figure (ohm) for an open winding, and whether it is only a lower bound."""
    if measured is not None:
        if measured.value_ohm is not None and measured.status == "ok":
            return measured.value_ohm, False
        if measured.greater_than_ohm is not None:
            return measured.greater_than_ohm, True
    if len(points):
        return math.hypot(float(points.resistance_ohm[0]), float(points.reactance_ohm[0])), False
    bounds = [b for b in (impedance.greater_than_ohm or ()) if b is not None] if impedance else []
    return (max(bounds), True) if bounds else (_OPEN_OHM, True)


# --- wording: one reason, at most 60 characters ---------------------------------------------------


def _because(
    fault: str,
    evidence: Evidence,
    explanation: Explanation,
    characteristics: Sequence[Characteristic],
    part: CoilType,
) -> str:
    points = evidence.points
    falls = _falls(points)
    low = _failed(characteristics, "inductance")
    dc = _failed(characteristics, "dc-resistance")
    if fault == "shorted-turn" and falls:
        return falls
    if fault == "shorted-turn" and low is None:
        return _loss(points, evidence)
    if fault == "lossy-core":
        return _loss(points, evidence)
    if fault == "high-resistance-joint" and dc is not None:
        return _against_limits("dc resistance", dc)
    if fault == "not-as-marked" and low is None and dc is not None:
        return _against_limits("dc resistance", dc)
    if low is not None:
        return _against_limits("inductance", low)
    if dc is not None:
        return _against_limits("dc resistance", dc)
    return _most_unlike(points, evidence, part)


def _failed(characteristics: Sequence[Characteristic], name: str) -> Characteristic | None:
    for c in characteristics:
        if c.name == name and c.verdict == "fails":
            return c
    return None


def _against_limits(name: str, c: Characteristic) -> str:
    if c.value is None:
        return f"{name} over range"
    if c.upper is not None and c.value > c.upper:
        return f"{name} {format_si(c.value, c.unit)}, at most {format_si(c.upper, c.unit)}"
    least = "" if c.lower is None else f", at least {format_si(c.lower, c.unit)}"
    # a value that the meter cannot tell from nothing is said as a bound
    expanded = c.expanded_uncertainty or 0.0
    if c.value < expanded:
        return f"{name} below {format_si(max(c.value, 0.0) + expanded, c.unit, 2)}{least}"
    return f"{name} {format_si(c.value, c.unit)}{least}"


def _falls(points: SweepPoints) -> str | None:
    """Say how inductance falls over the sweep, where it falls by more than a fifth."""
    inductance = points.inductance_h
    # a first point of little precision would give a silly number
    known = np.flatnonzero(points.u_inductance_h < 0.1 * np.abs(inductance))
    if len(known) < 2:
        return None
    first = known[int(np.argmax(inductance[known]))]
    later = known[known > first]
    if not len(later):
        return None
    last = later[int(np.argmin(inductance[later]))]
    if inductance[last] > 0.8 * inductance[first] or inductance[last] <= 0.0:
        return None
    # three digits where they fit into the line
    for digits in (3, 2):
        high, low = (
            f"{format_si(float(inductance[k]), 'H', digits)} at "
            f"{format_si(float(points.frequency_hz[k]), 'Hz', digits)}"
            for k in (first, last)
        )
        text = f"inductance falls from {high} to {low}"
        if len(text) <= _LONGEST_REASON:
            break
    return text


def _loss(points: SweepPoints, evidence: Evidence) -> str:
    """Say the loss tangent where it exceeds a typical healthy one by most standard deviations."""
    f = points.frequency_hz
    prior = evidence.healthy.hypothesis.prior
    typical = model.impedance(prior.mean[None, :], f, False)[0]
    expected = typical.real / typical.imag
    # a reactance within its own uncertainty of nothing gives no loss tangent
    size = np.maximum(np.abs(points.reactance_ohm), points.u_reactance_ohm)
    tangent = points.resistance_ohm / size
    excess = (tangent - expected) / np.hypot(points.u_resistance_ohm / size, 0.1 * expected)
    i = int(np.argmax(excess))
    at = format_si(float(f[i]), "Hz")
    return f"loss tangent {tangent[i]:.2g} at {at}, typical {expected[i]:.2g}"


def _most_unlike(points: SweepPoints, evidence: Evidence, part: CoilType) -> str:
    """Say the quantity that is farthest from a typical healthy part."""
    nominal = part.nominal_inductance_h
    inductance = points.inductance_h
    middle = len(points) // 2
    if nominal is not None and abs(math.log(max(inductance[middle], 1e-30) / nominal)) > 0.15:
        return (
            f"inductance {format_si(float(inductance[middle]), 'H')} at "
            f"{format_si(float(points.frequency_hz[middle]), 'Hz')}, "
            f"typical {format_si(nominal, 'H')}"
        )
    return _loss(points, evidence)
