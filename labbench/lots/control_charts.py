"""Watch a process by its own history: Shewhart charts with zone rules, EWMA, their constants.

The constants are computed from the normal distribution of ranges and standard deviations, not
copied from a table.
"""

from __future__ import annotations

__all__ = [
    "LEAST_POINTS",
    "SETTLED_POINTS",
    "Alarm",
    "Ewma",
    "Limits",
    "c4",
    "d2",
    "d2_star",
    "d3",
    "ewma",
    "history_limits",
    "individuals_limits",
    "range_limits",
    "xbar_r_limits",
    "xbar_s_limits",
    "zone_alarms",
]

import math
from collections.abc import Sequence
from functools import cache
from itertools import pairwise
from statistics import fmean

import numpy as np
from attrs import frozen

from labbench.errors import InputError

#: from so many points on the limits count as settled; fewer widen them (see `history_limits`)
SETTLED_POINTS = 20
#: with fewer earlier points there are no limits
LEAST_POINTS = 5
_ONE_SIDED = 0.9986501019683699  # of the normal distribution below 3 standard deviations


@frozen
class Limits:
    """Hold a centre line and the standard deviation that the zones count in."""

    centre: float
    sigma: float

    @property
    def lower(self) -> float:
        """Return the lower control limit: three standard deviations below the centre."""
        return self.centre - 3.0 * self.sigma

    @property
    def upper(self) -> float:
        """Return the upper control limit: three standard deviations above the centre."""
        return self.centre + 3.0 * self.sigma


@frozen
class Alarm:
    """Name a point that a rule is broken at: its index, the rule, and the sentence."""

    index: int
    rule: str
    text: str


@cache
def _range_moments(n: int) -> tuple[float, float]:
    """Return mean and standard deviation of the range of n standard normal values."""
    from scipy.special import ndtr

    if n < 2:
        raise InputError(f"a range needs at least two values, not {n}")
    x = np.linspace(-9.0, 9.0, 721)
    phi = np.exp(-x * x / 2.0) / math.sqrt(2.0 * math.pi)
    w, weight = np.polynomial.legendre.leggauss(200)
    w, weight = 8.0 * (w + 1.0), 8.0 * weight  # over 0 to 16
    # P(range <= w) = n int phi(x) (Phi(x + w) - Phi(x))^(n-1) dx; the trapezoidal rule converges
    # faster than any power for such an integrand
    below = n * (x[1] - x[0]) * np.sum(phi * (ndtr(x + w[:, None]) - ndtr(x)) ** (n - 1), axis=1)
    beyond = 1.0 - below
    mean = float(np.sum(weight * beyond))
    square = float(np.sum(weight * 2.0 * w * beyond))
    return mean, math.sqrt(square - mean * mean)


def d2(n: int) -> float:
    """Return the mean range of n normal values, in standard deviations."""
    return _range_moments(n)[0]


def d3(n: int) -> float:
    """Return the standard deviation of the range of n normal values, in standard deviations."""
    return _range_moments(n)[1]


def d2_star(n: int, groups: int = 1) -> float:
    """Return the root mean square of the average of `groups` ranges of n: sqrt(d2^2 + d3^2/g)."""
    mean, sd = _range_moments(n)
    return math.sqrt(mean**2 + sd**2 / groups)


def c4(n: int) -> float:
    """Return the mean of the standard deviation of n normal values, in standard deviations."""
    if n < 2:
        raise InputError(f"a standard deviation needs at least two values, not {n}")
    return math.sqrt(2.0 / (n - 1)) * math.exp(math.lgamma(n / 2.0) - math.lgamma((n - 1) / 2.0))


def individuals_limits(values: Sequence[float]) -> Limits:
    """Return the limits of single values from their moving ranges of two (R-bar / d2(2))."""
    if len(values) < 2:
        raise InputError("limits for single values need at least two")
    moving = [abs(b - a) for a, b in pairwise(values)]
    return Limits(fmean(values), fmean(moving) / d2(2))


def xbar_r_limits(groups: Sequence[Sequence[float]]) -> Limits:
    """Return the limits of averages of n from the mean range: sigma = R-bar / (d2 sqrt n)."""
    n = _group_size(groups)
    mean_range = fmean(max(group) - min(group) for group in groups)
    return Limits(fmean(fmean(g) for g in groups), mean_range / (d2(n) * math.sqrt(n)))


def xbar_s_limits(groups: Sequence[Sequence[float]]) -> Limits:
    """Return the limits of averages of n from the mean standard deviation (s-bar / (c4 sqrt n))."""
    n = _group_size(groups)
    mean_sd = fmean(float(np.std(group, ddof=1)) for group in groups)
    return Limits(fmean(fmean(g) for g in groups), mean_sd / (c4(n) * math.sqrt(n)))


def range_limits(mean_range: float, n: int) -> tuple[float, float]:
    """Return the limits of ranges of n: D3 and D4 times the mean range."""
    three = 3.0 * d3(n) / d2(n)
    return max(0.0, 1.0 - three) * mean_range, (1.0 + three) * mean_range


def history_limits(values: Sequence[float], *, least_sigma: float = 0.0) -> Limits | None:
    """Return limits for the next value from a history; None with fewer than five values.

    Few values know their own scatter badly: sigma is s t(n-1) sqrt(1 + 1/n) / 3, t of the same
    probability as three standard deviations, so that the next value of a process in control falls
    outside as seldom as with settled limits (prediction interval). From 20 values on it is s.
    `least_sigma` guards against a display that shows the same digits every time.
    """
    n = len(values)
    if n < LEAST_POINTS:
        return None
    s = float(np.std(values, ddof=1))
    if n < SETTLED_POINTS:
        from scipy.special import stdtrit

        s *= float(stdtrit(n - 1, _ONE_SIDED)) * math.sqrt(1.0 + 1.0 / n) / 3.0
    return Limits(fmean(values), max(s, least_sigma))


def zone_alarms(values: Sequence[float], limits: Limits) -> tuple[Alarm, ...]:
    """Return where the zone rules are broken, in the order of the points.

    1 of 1 beyond 3 standard deviations; 2 of 3 beyond 2 on one side; 4 of 5 beyond 1 on one side;
    8 in a row on one side (common practice, from memory). A value on a line is not beyond it.
    """
    rules = (
        ("beyond 3 s", 1, 1, 3.0), ("2 of 3 beyond 2 s", 2, 3, 2.0),
        ("4 of 5 beyond 1 s", 4, 5, 1.0), ("8 on one side", 8, 8, 0.0),
    )  # fmt: skip
    alarms: list[Alarm] = []
    for i in range(len(values)):
        for rule, count, of, zone in rules:
            window = values[max(0, i - of + 1) : i + 1]
            for side, word in ((1.0, "above"), (-1.0, "below")):
                beyond = [side * (v - limits.centre) > zone * limits.sigma for v in window]
                # a rule is broken at the point that breaks it, not at a quiet one after it
                if beyond[-1] and sum(beyond) >= count:
                    what = f"the value is beyond 3 s {word}" if count == 1 else f"{rule} ({word})"
                    alarms.append(Alarm(i, rule, what))
    return tuple(alarms)


@frozen
class Ewma:
    """Hold an exponentially weighted moving average and its limits, one entry a value."""

    averages: tuple[float, ...]
    lower: tuple[float, ...]
    upper: tuple[float, ...]

    @property
    def beyond(self) -> tuple[int, ...]:
        """Name the points beyond the limits, by index."""
        rows = zip(self.averages, self.lower, self.upper, strict=True)
        return tuple(i for i, (z, low, high) in enumerate(rows) if not low <= z <= high)


def ewma(
    values: Sequence[float], limits: Limits, *, weight: float = 0.2, width: float = 3.0
) -> Ewma:
    """Return z_i = weight y_i + (1 - weight) z_(i-1), begun at the centre, with its limits.

    The limits are centre +- width sigma sqrt(weight/(2-weight) (1 - (1-weight)^(2i))), exact from
    the first point on. It sees a slow drift of one standard deviation that single values do not.
    """
    if not 0.0 < weight <= 1.0:
        raise InputError(f"the weight of an EWMA lies above 0 and up to 1, not {weight:g}")
    averages: list[float] = []
    lower: list[float] = []
    upper: list[float] = []
    z = limits.centre
    for i, value in enumerate(values, start=1):
        z = weight * value + (1.0 - weight) * z
        half = (
            width
            * limits.sigma
            * math.sqrt(weight / (2.0 - weight) * (1.0 - (1.0 - weight) ** (2 * i)))
        )
        averages.append(z)
        lower.append(limits.centre - half)
        upper.append(limits.centre + half)
    return Ewma(tuple(averages), tuple(lower), tuple(upper))


def _group_size(groups: Sequence[Sequence[float]]) -> int:
    sizes = {len(group) for group in groups}
    if len(sizes) != 1 or min(sizes) < 2:
        raise InputError("the groups of a chart have the same size, two values at least")
    return sizes.pop()
