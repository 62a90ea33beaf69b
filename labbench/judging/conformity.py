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

What was known before the measurement. Where the type's population is known, a prior enters
(JCGM 106:2012, clause on prior knowledge; Bayes). It is a mixture: most parts come from the
population of sound ones, and `share_outside` of them from anywhere, because parts off a dead
board are no draw from a production line. A prior narrows the guard bands of a measurement that
could decide without it; it never stands in for one: a part is not accepted on the strength of its
relatives when the measurement alone could not have accepted even the best of them.
"""

from __future__ import annotations

__all__ = [
    "COVERAGE",
    "SHARE_OUTSIDE",
    "Decision",
    "Prior",
    "could_accept",
    "decide",
    "expanded_uncertainty",
    "needed_expanded_uncertainty",
    "posterior_conforming",
    "probability_conforming",
    "typical_value",
]

import math

from attrs import frozen
from scipy.special import ndtr, ndtri, stdtr, stdtrit

from labbench.errors import InputError
from labbench.results import Status, VerdictWord

#: coverage probability of every expanded uncertainty that is reported
COVERAGE = 0.95

#: share of pulled parts that are not as their population is; assumed, on the cautious side
SHARE_OUTSIDE = 0.2
#: how much wider than the population those lie
_OUTSIDE_WIDTH = 20.0
#: where only a largest value is given a typical part lies some 13 % below; common practice, no
#: source
_TYPICAL_OF_LIMIT = 0.87


@frozen
class Prior:
    """Hold what is known of a characteristic before it is measured (its unit).

    mean and standard deviation of the population of sound parts, and the share of parts that may
    lie anywhere.
    """

    mean: float
    sd: float
    share_outside: float = SHARE_OUTSIDE


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
    prior: Prior | None = None,
) -> Decision:
    """Decide about a value with standard uncertainty `u` against one or two limits.

    All of `value`, `u`, `lower`, `upper`, `greater_than`, `less_than` have one unit; `dof` are the
    degrees of freedom of `u`. `rejection_risk` is `risk` where not given. A value that could not
    be had is None: beyond its bound (`greater_than`, `less_than`) it can still fail, otherwise the
    word is not-measured. Without any limit the word is undecided and there is no probability.
    `prior` is what the population of the type says. Raise InputError for risks, limits or an
    uncertainty that make no sense.
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
    if prior is not None and could_accept(u, lower, upper, risk=risk, dof=dof):
        probability = posterior_conforming(value, u, lower, upper, prior=prior, dof=dof)
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


def posterior_conforming(
    value: float,
    u: float,
    lower: float | None,
    upper: float | None,
    *,
    prior: Prior,
    dof: float = math.inf,
) -> float:
    """Compute the probability of conforming from a measurement and what was known before.

    Normal prior and measurement give a normal posterior; each part of the mixture is weighed by
    how well it foretold the value (Bayes). Few degrees of freedom count as a wider normal
    distribution of the same 95 % interval. Raise InputError for a prior that makes no sense.
    """
    if not (prior.sd > 0.0 and 0.0 <= prior.share_outside < 1.0):
        raise InputError(
            f"a prior with spread {prior.sd:g} and share outside {prior.share_outside:g} "
            "makes no sense"
        )
    wide = expanded_uncertainty(u, dof) / expanded_uncertainty(1.0)
    total = weighted = 0.0
    for share, sd in (
        (1.0 - prior.share_outside, prior.sd),
        (prior.share_outside, _OUTSIDE_WIDTH * prior.sd),
    ):
        spread = math.hypot(sd, wide)
        weight = share * math.exp(-0.5 * ((value - prior.mean) / spread) ** 2) / spread
        gain = sd**2 / spread**2
        mean = prior.mean + gain * (value - prior.mean)
        inside = probability_conforming(mean, sd * wide / spread, lower, upper)
        total += weight
        weighted += weight * inside
    if total == 0.0:  # so far from everything that the prior has nothing to say
        return probability_conforming(value, u, lower, upper, dof=dof)
    return weighted / total


def typical_value(lower: float | None, upper: float | None) -> float:
    """Return where the best part of these limits lies; raise InputError without any limit."""
    if lower is not None and upper is not None:
        return 0.5 * (lower + upper)
    if upper is not None:
        return _TYPICAL_OF_LIMIT * upper
    if lower is not None:
        return lower / _TYPICAL_OF_LIMIT
    raise InputError("without a limit there is no typical value")


def could_accept(
    u: float, lower: float | None, upper: float | None, *, risk: float, dof: float = math.inf
) -> bool:
    """Tell whether a measurement with this `u` could accept the best part of these limits."""
    best = typical_value(lower, upper)
    return probability_conforming(best, u, lower, upper, dof=dof) >= 1.0 - risk


def needed_expanded_uncertainty(
    value: float,
    lower: float | None,
    upper: float | None,
    *,
    risk: float,
    rejection_risk: float | None = None,
) -> float | None:
    """Return the largest expanded uncertainty (95 %) with which this value would be settled.

    Accepted where it lies inside the limits, rejected outside; None where it lies on a limit, or
    where there is none: no uncertainty settles that. Normal distribution.
    """
    inside = (lower is None or value >= lower) and (upper is None or value <= upper)
    margins = [abs(value - limit) for limit in (lower, upper) if limit is not None]
    if not margins or min(margins) == 0.0:
        return None
    target = risk if inside else rejection_risk if rejection_risk is not None else risk
    # monotonic in u up to here: beyond, a measurement outside says less and less of anything
    low, high = 0.0, 10.0 * max(margins) if inside else 3.0 * min(margins)
    for _ in range(60):
        middle = 0.5 * (low + high)
        p = probability_conforming(value, middle, lower, upper)
        settled = p >= 1.0 - target if inside else p <= target
        low, high = (middle, high) if settled else (low, middle)
    return expanded_uncertainty(low) if low > 0.0 else None


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
