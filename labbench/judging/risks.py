"""Compute what a plan of measuring does to a whole population: consumer's and producer's risk.

Of all parts that are measured, the consumer's risk is the share that is accepted and does not
conform, the producer's risk the share that is not accepted and conforms (JCGM 106:2012, global
risks; checked against its ball bearing example). The population is any distribution, the
measurement is normal.
"""

from __future__ import annotations

__all__ = ["GlobalRisks", "Population", "acceptance_limits", "global_risks", "guard_band_for"]

import math
from collections.abc import Callable
from itertools import pairwise
from typing import Protocol

from attrs import frozen
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.special import ndtr, ndtri

from labbench.errors import InputError


class Population(Protocol):
    """Be a distribution of true values, as `scipy.stats` freezes them."""

    def pdf(self, x: float) -> float:
        """Return the density."""
        ...

    def cdf(self, x: float) -> float:
        """Return the distribution function."""
        ...

    def ppf(self, q: float) -> float:
        """Return the quantile."""
        ...


@frozen
class GlobalRisks:
    """Hold shares of all parts measured."""

    #: accepted and not conforming
    consumer: float
    #: conforming and not accepted
    producer: float
    #: accepted
    accepted: float
    #: conforming
    conforming: float


def acceptance_limits(
    lower: float | None, upper: float | None, u: float, *, risk: float
) -> tuple[float | None, float | None]:
    """Return the limits within which a measured value is accepted: guarded by `risk` each side.

    w = z(1 - risk) u. This is what `decide` does where the other limit is far; with two limits
    near each other it accepts a little less.
    """
    w = float(ndtri(1.0 - risk)) * u
    return (None if lower is None else lower + w, None if upper is None else upper - w)


def global_risks(
    population: Population,
    u: float,
    *,
    lower: float | None,
    upper: float | None,
    accept_lower: float | None,
    accept_upper: float | None,
) -> GlobalRisks:
    """Integrate over the population; all values have one unit, `u` is the standard uncertainty.

    Raise InputError for an uncertainty that is not positive, or without any limit.
    """
    if not (u > 0.0 and math.isfinite(u)):
        raise InputError(f"the standard uncertainty must be positive and finite, not {u}")
    if lower is None and upper is None:
        raise InputError("without a limit nothing conforms or fails")

    def accepted(true: float) -> float:
        below = 0.0 if accept_lower is None else float(ndtr((accept_lower - true) / u))
        above = 0.0 if accept_upper is None else float(ndtr((true - accept_upper) / u))
        return max(0.0, 1.0 - below - above)

    least, most = float(population.ppf(1e-13)), float(population.ppf(1.0 - 1e-13))
    inside = (
        least if lower is None else min(max(lower, least), most),
        most if upper is None else max(min(upper, most), least),
    )

    def integral(weight: Callable[[float], float], a: float, b: float) -> float:
        if b <= a:
            return 0.0
        # an acceptance limit is a sharp edge for a small u: told to the integration
        edges = [
            edge + k * u
            for edge in (accept_lower, accept_upper)
            if edge is not None
            for k in (-6.0, -2.0, 0.0, 2.0, 6.0)
        ]
        points = sorted({a, b, *(x for x in edges if a < x < b)})
        return math.fsum(
            quad(lambda x: weight(x) * float(population.pdf(x)), p, q, epsabs=1e-12, limit=200)[0]
            for p, q in pairwise(points)
        )

    conforming = float(population.cdf(inside[1]) - population.cdf(inside[0]))
    accepted_inside = integral(accepted, *inside)
    consumer = integral(accepted, least, inside[0]) + integral(accepted, inside[1], most)
    return GlobalRisks(
        consumer=consumer,
        producer=conforming - accepted_inside,
        accepted=consumer + accepted_inside,
        conforming=conforming,
    )


def guard_band_for(
    population: Population,
    u: float,
    *,
    lower: float | None,
    upper: float | None,
    consumer_risk: float,
) -> float:
    """Return the guard band w (the same at each limit) that holds the global consumer's risk.

    Zero where simple acceptance holds it already. Raise InputError for a risk that is none.
    """
    if not 0.0 < consumer_risk < 1.0:
        raise InputError(f"the consumer's risk must lie between 0 and 1, not {consumer_risk}")

    def excess(w: float) -> float:
        return (
            global_risks(
                population, u, lower=lower, upper=upper,
                accept_lower=None if lower is None else lower + w,
                accept_upper=None if upper is None else upper - w,
            ).consumer
            - consumer_risk
        )  # fmt: skip

    if excess(0.0) <= 0.0:
        return 0.0
    # ten standard uncertainties leave nothing that arithmetic could tell from no risk at all
    return float(brentq(excess, 0.0, 10.0 * u, xtol=1e-12 * max(1.0, u)))
