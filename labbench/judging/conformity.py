"""Decide whether a measured value is inside its limits, with a stated risk.

The probability that the true value conforms is computed from the estimate and its standard
uncertainty (JCGM 106:2012, conformance probability; normal, or Student's t where the uncertainty
has few degrees of freedom). Three answers follow:

- *conforms* when that probability is at least `1 - risk`: `risk` is the largest probability
  that an accepted characteristic is out of limits;
- *fails* when it is at most `rejection_risk`: the probability that a rejected characteristic is
  inside its limits after all. This is the false reject limit of the specimen, shared over all
  tests made on it, because a healthy specimen is lost as soon as one of them fails;
- *undecided* between the two: the guard bands of both decisions.
"""

from __future__ import annotations

__all__ = ["COVERAGE", "Decision", "decide", "expanded_uncertainty", "probability_conforming"]

import math

from attrs import frozen
from scipy.special import ndtr, ndtri, stdtr, stdtrit

from labbench.errors import InputError
from labbench.results import Status, VerdictWord

#: coverage probability of every expanded uncertainty that is reported
COVERAGE = 0.95


@frozen
class Decision:
    """Hold a decision: the word, the probability behind it and the expanded uncertainty."""

    verdict: VerdictWord
    probability_conforming: float | None
    expanded_uncertainty: float | None
    coverage: float = COVERAGE


def decide(
    value: float | None,
    u: float | None,
    lower: float | None,
    upper: float | None,
    *,
    risk: float = 0.05,
    rejection_risk: float | None = None,
    dof: float = math.inf,
    status: Status = "ok",
    greater_than: float | None = None,
    less_than: float | None = None,
) -> Decision:
    """Decide about a value with standard uncertainty `u` against one or two limits.

    All of `value`, `u`, `lower`, `upper`, `greater_than`, `less_than` have one unit; `dof` are the
    degrees of freedom of `u`. `rejection_risk` is `risk` where not given. A value that could not
    be had is None: beyond its bound (`greater_than`, `less_than`) it can still fail, otherwise the
    word is not-measured. Without any limit the word is undecided and there is no probability.
    Raise InputError for risks, limits or an uncertainty that make no sense.
    Source: JCGM 106:2012, conformance probability and guarded decisions.
    """
    rejection_risk = risk if rejection_risk is None else rejection_risk
    _check(u, lower, upper, risk, rejection_risk, dof)
    if value is None:
        return _decide_bound(status, lower, upper, greater_than, less_than)
    if not math.isfinite(value) or u is None:
        return Decision("not-measured", None, None)
    expanded = expanded_uncertainty(u, dof)
    if lower is None and upper is None:
        return Decision("undecided", None, expanded)
    probability = probability_conforming(value, u, lower, upper, dof=dof)
    # a value outside its limits is never accepted, and one inside never rejected, however large
    # a risk somebody is ready to take
    inside = (lower is None or value >= lower) and (upper is None or value <= upper)
    if probability >= 1.0 - risk and inside:
        return Decision("conforms", probability, expanded)
    if probability <= rejection_risk and not inside:
        return Decision("fails", probability, expanded)
    return Decision("undecided", probability, expanded)


def probability_conforming(
    value: float, u: float, lower: float | None, upper: float | None, *, dof: float = math.inf
) -> float:
    """Compute the probability that the true value lies inside the limits (JCGM 106:2012)."""
    below = 0.0 if lower is None else _cdf((lower - value) / u, dof)
    above = 0.0 if upper is None else _cdf((value - upper) / u, dof)
    return min(1.0, max(0.0, 1.0 - below - above))


def expanded_uncertainty(u: float, dof: float = math.inf) -> float:
    """Expand a standard uncertainty to 95 % coverage (JCGM 100:2008, annex G)."""
    p = 0.5 + COVERAGE / 2.0
    return float(u * (ndtri(p) if math.isinf(dof) else stdtrit(dof, p)))


def _cdf(z: float, dof: float) -> float:
    return float(ndtr(z) if math.isinf(dof) else stdtr(dof, z))


def _decide_bound(
    status: Status,
    lower: float | None,
    upper: float | None,
    greater_than: float | None,
    less_than: float | None,
) -> Decision:
    if status == "over-range":
        if greater_than is not None and upper is not None and greater_than > upper:
            return Decision("fails", 0.0, None)
        if less_than is not None and lower is not None and less_than < lower:
            return Decision("fails", 0.0, None)
    return Decision("not-measured", None, None)


def _check(
    u: float | None,
    lower: float | None,
    upper: float | None,
    risk: float,
    rejection_risk: float,
    dof: float,
) -> None:
    problems = []
    if u is not None and not (u > 0.0 and math.isfinite(u)):
        problems.append(f"the standard uncertainty must be positive and finite, not {u}")
    if lower is not None and upper is not None and lower > upper:
        problems.append(f"the lower limit {lower} is above the upper limit {upper}")
    for name, value in (("risk", risk), ("rejection risk", rejection_risk)):
        if not 0.0 < value < 0.5:
            problems.append(f"the {name} must lie between 0 and 0.5, not {value}")
    if not dof >= 1.0:
        problems.append(f"the degrees of freedom must be at least 1, not {dof}")
    if problems:
        raise InputError("cannot decide: " + "; ".join(problems))
