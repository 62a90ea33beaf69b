"""Split the scatter of readings by what they have in common (analysis of variance).

Balanced data only: an order that leaves cells empty has no single right answer, and a bench can
always measure the missing ones. Every sum is taken of deviations, compensated (`math.fsum`), so
that readings with many constant leading digits lose nothing.
"""

from __future__ import annotations

__all__ = ["POOL_ABOVE_P", "Effect", "OneWay", "combination", "crossed", "one_way", "pooled"]

import math
from collections.abc import Sequence
from itertools import combinations

import numpy as np
from attrs import frozen
from numpy.typing import NDArray
from scipy.special import fdtrc

from labbench.errors import InputError

#: an interaction whose p-value is above this is pooled with the repeatability (the usual choice in
#: gauge studies; from memory)
POOL_ABOVE_P = 0.25


@frozen
class OneWay:
    """Hold a one-way analysis: sums of squares, degrees of freedom, F and its p-value."""

    between_ss: float
    between_df: int
    within_ss: float
    within_df: int
    f: float
    p: float

    @property
    def within_ms(self) -> float:
        """Return the mean square within groups."""
        return self.within_ss / self.within_df

    @property
    def between_ms(self) -> float:
        """Return the mean square between groups."""
        return self.between_ss / self.between_df

    @property
    def r_squared(self) -> float:
        """Return the share of the sum of squares that lies between the groups."""
        return self.between_ss / (self.between_ss + self.within_ss)

    @property
    def residual_sd(self) -> float:
        """Return the standard deviation within groups."""
        return math.sqrt(self.within_ms)


@frozen
class Effect:
    """Hold a line of the table: `factors` that define it (empty: repeatability).

    `f` and `p` are against the denominator of the random model: for a factor or interaction the
    mean square whose expectation differs from its own only by the effect itself; where no single
    one does (three factors) a combination after Satterthwaite, for repeatability None.
    """

    factors: tuple[str, ...]
    ss: float
    df: int
    f: float | None = None
    p: float | None = None

    @property
    def ms(self) -> float:
        """Return the mean square."""
        return self.ss / self.df

    @property
    def name(self) -> str:
        """Return `part`, `part x operator` or `repeatability`."""
        return " x ".join(self.factors) or "repeatability"


def one_way(groups: Sequence[Sequence[float]]) -> OneWay:
    """Analyse groups of readings (they may differ in size).

    Raises InputError for fewer than two groups, an empty one, or no repeated reading at all.
    Source: NIST StRD, analysis of variance.
    """
    if len(groups) < 2 or any(not group for group in groups):
        raise InputError("a one-way analysis needs at least two groups with readings in each")
    total = sum(len(group) for group in groups)
    within_df = total - len(groups)
    if within_df == 0:
        raise InputError("a one-way analysis needs a group with more than one reading")
    # the difference of near numbers is exact, so constant leading digits cost nothing
    anchor = groups[0][0]
    shifted = [[_finite(y) - anchor for y in group] for group in groups]
    means = [math.fsum(group) / len(group) for group in shifted]
    grand = math.fsum(y for group in shifted for y in group) / total
    within = math.fsum((y - m) ** 2 for group, m in zip(shifted, means, strict=True) for y in group)
    between = math.fsum(
        len(group) * (m - grand) ** 2 for group, m in zip(shifted, means, strict=True)
    )
    f, p = _f_test(between / (len(groups) - 1), len(groups) - 1, within / within_df, within_df)
    return OneWay(between, len(groups) - 1, within, within_df, f, p)


def crossed(values: NDArray[np.float64], factors: Sequence[str]) -> tuple[Effect, ...]:
    """Analyse a crossed study with all interactions: one axis a factor, the last axis the trials.

    Returns the effects, single factors first, then interactions, then repeatability. All factors
    are taken as random (the people and days of a study stand for others). Raises InputError for a
    factor with one level, fewer than two trials, or a reading that is no number.
    """
    y = np.asarray(values, dtype=float)
    if y.ndim != len(factors) + 1:
        raise InputError(f"{y.ndim} axes for {len(factors)} factors and the trials")
    short = [name for name, n in zip((*factors, "trial"), y.shape, strict=True) if n < 2]
    if short:
        raise InputError(
            f"a gauge study needs at least two of each; there is one {' and one '.join(short)}"
        )
    if not np.all(np.isfinite(y)):
        raise InputError("a reading of the study is no finite number")
    # the difference of near numbers is exact; then the mean of small numbers is
    y = y - y.flat[0]
    y = y - math.fsum(y.ravel()) / y.size
    sums: dict[tuple[str, ...], tuple[float, int]] = {}
    for size in range(1, len(factors) + 1):
        for chosen in combinations(range(len(factors)), size):
            effect = _effect(y, chosen)
            ss = math.fsum((effect**2).ravel()) * (y.size // effect.size)
            df = math.prod(y.shape[axis] - 1 for axis in chosen)
            sums[tuple(factors[axis] for axis in chosen)] = (ss, df)
    cells = y.mean(axis=-1, keepdims=True)
    sums[()] = (math.fsum(((y - cells) ** 2).ravel()), cells.size * (y.shape[-1] - 1))
    return _tested(sums, tuple(factors))


def pooled(effects: Sequence[Effect], *, above_p: float = POOL_ABOVE_P) -> tuple[Effect, ...]:
    """Pool interactions that do not show into the repeatability, the highest order first.

    An interaction goes when its p-value is above `above_p` and no interaction that contains it
    stays. The tests are made anew after each.
    """
    factors = tuple(name for effect in effects if len(effect.factors) == 1
                    for name in effect.factors)  # fmt: skip
    current = {effect.factors: (effect.ss, effect.df) for effect in effects}
    for size in range(len(factors), 1, -1):
        tested = {effect.factors: effect for effect in _tested(current, factors)}
        for key in [k for k in current if len(k) == size]:
            p = tested[key].p
            contained = any(set(key) < set(other) for other in current)
            if p is not None and p > above_p and not contained:
                ss, df = current.pop(key)
                current[()] = (current[()][0] + ss, current[()][1] + df)
    return _tested(current, factors)


def combination(effects: Sequence[Effect], key: tuple[str, ...]) -> dict[tuple[str, ...], int]:
    """Return which mean squares, with signs, give (levels x) the variance of an effect alone.

    In a balanced random model E(MS of S) is the sum over all T that contain S of n_T var_T plus
    the repeatability; the alternating sum leaves var_S. A pooled interaction has no variance: the
    repeatability stands for its mean square.
    """
    factors = {name for effect in effects for name in effect.factors}
    rest = sorted(factors - set(key))
    signs: dict[tuple[str, ...], int] = {}
    order = [effect.factors for effect in effects]
    for size in range(len(rest) + 1):
        for more in combinations(rest, size):
            wanted = set(key) | set(more)
            found = next((k for k in order if set(k) == wanted), ())
            signs[found] = signs.get(found, 0) + (-1) ** size
    if len(key) == len(factors):  # the highest interaction stands against repeatability
        signs[()] = signs.get((), 0) - 1
    return {k: sign for k, sign in signs.items() if sign}


def _effect(centred: NDArray[np.float64], chosen: tuple[int, ...]) -> NDArray[np.float64]:
    """Return the mean over all other axes without the effects of fewer factors in it."""
    others = tuple(axis for axis in range(centred.ndim) if axis not in chosen)
    effect = centred.mean(axis=others, keepdims=True)
    for inner in _proper_subsets(chosen):
        effect = effect - _effect(centred, inner)
    return np.asarray(effect)


def _proper_subsets(chosen: tuple[int, ...]) -> list[tuple[int, ...]]:
    return [c for size in range(1, len(chosen)) for c in combinations(chosen, size)]


def _tested(
    sums: dict[tuple[str, ...], tuple[float, int]], factors: tuple[str, ...]
) -> tuple[Effect, ...]:
    """Give every effect its F: its mean square over that of the rest of its combination."""
    plain = [Effect(key, ss, df) for key, (ss, df) in sums.items()]
    mean = {effect.factors: (effect.ms, effect.df) for effect in plain}
    tested: list[Effect] = []
    for effect in sorted(plain, key=lambda e: (not e.factors, len(e.factors))):
        if not effect.factors:
            tested.append(effect)
            continue
        signs = combination(plain, effect.factors)
        terms = [(-sign * mean[key][0], mean[key][1])
                 for key, sign in signs.items() if key != effect.factors]  # fmt: skip
        ms = math.fsum(term for term, _ in terms)
        if ms <= 0.0:
            f, p = (math.inf, 0.0) if effect.ms > 0 else (0.0, 1.0)
        else:
            # Satterthwaite; with a single term this is that term's own df
            df = ms**2 / math.fsum(term**2 / n for term, n in terms)
            f, p = _f_test(effect.ms, effect.df, ms, df)
        tested.append(Effect(effect.factors, effect.ss, effect.df, f, p))
    return tuple(tested)


def _f_test(above: float, above_df: float, below: float, below_df: float) -> tuple[float, float]:
    if below == 0.0:
        return (math.inf, 0.0) if above > 0.0 else (0.0, 1.0)
    f = above / below
    return f, float(fdtrc(above_df, below_df, f))


def _finite(value: float) -> float:
    if not math.isfinite(value):
        raise InputError(f"{value} is no reading")
    return value
