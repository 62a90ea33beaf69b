"""Give confidence intervals of variances and of sums and differences of variances.

One mean square: chi-square, exact. A combination of mean squares: modified large sample, after
Graybill and Wang (sums, 1980) and Ting, Burdick, Graybill, Jeyaratnam and Lu (with differences,
1990), as Burdick, Borror and Montgomery use them for gauge studies (formulas from memory; checked
by their exact special cases and by the coverage of simulated studies).
"""

from __future__ import annotations

__all__ = ["Term", "variance_interval"]

import math
from collections.abc import Sequence

from attrs import frozen
from scipy.special import chdtri, fdtri


@frozen
class Term:
    """Hold one mean square of a combination: its coefficient, value and degrees of freedom."""

    coefficient: float
    ms: float
    df: float


def variance_interval(terms: Sequence[Term], *, confidence: float = 0.95) -> tuple[float, float]:
    """Return the two-sided interval of sum(coefficient x expected mean square), not below zero.

    Terms with coefficient zero do not count; an interval of nothing is (0, 0).
    """
    used = [term for term in terms if term.coefficient and term.ms > 0.0]
    positive = [term for term in used if term.coefficient > 0.0]
    negative = [term for term in used if term.coefficient < 0.0]
    estimate = math.fsum(term.coefficient * term.ms for term in used)
    tail = (1.0 - confidence) / 2.0
    down = math.fsum((_g(t, tail) * t.coefficient * t.ms) ** 2 for t in positive)
    down += math.fsum((_h(t, tail) * t.coefficient * t.ms) ** 2 for t in negative)
    up = math.fsum((_h(t, tail) * t.coefficient * t.ms) ** 2 for t in positive)
    up += math.fsum((_g(t, tail) * t.coefficient * t.ms) ** 2 for t in negative)
    for plus in positive:
        for minus in negative:
            product = plus.coefficient * plus.ms * -minus.coefficient * minus.ms
            down += _g_between(plus, minus, tail) * product
            up += _h_between(plus, minus, tail) * product
    return (
        max(0.0, estimate - math.sqrt(max(0.0, down))),
        max(0.0, estimate + math.sqrt(max(0.0, up))),
    )


def _g(term: Term, tail: float) -> float:
    """Return 1 - 1/F(upper tail; df, infinity): what a mean square can lose."""
    return 1.0 - term.df / float(chdtri(term.df, tail))


def _h(term: Term, tail: float) -> float:
    """Return 1/F(lower tail; df, infinity) - 1: what a mean square can gain."""
    return term.df / float(chdtri(term.df, 1.0 - tail)) - 1.0


def _g_between(plus: Term, minus: Term, tail: float) -> float:
    f = float(fdtri(plus.df, minus.df, 1.0 - tail))
    return ((f - 1.0) ** 2 - (_g(plus, tail) * f) ** 2 - _h(minus, tail) ** 2) / f


def _h_between(plus: Term, minus: Term, tail: float) -> float:
    f = float(fdtri(plus.df, minus.df, tail))
    return ((1.0 - f) ** 2 - (_h(plus, tail) * f) ** 2 - _g(minus, tail) ** 2) / f
