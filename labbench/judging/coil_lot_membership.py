"""Tell whether test parts are of the lot of their siblings, though most of them may be faulty.

A donor board that died may hold more faulty parts than sound ones, so neither mean nor median of
the test parts says where their lot lies. Each part is taken for sound, for one of the faults that
are looked for, or for something else; what all have in common is a shift of their lot's typical
part against the siblings. Where that shift is no larger than the siblings' mean is uncertain they
are of one lot.
"""

from __future__ import annotations

__all__ = ["FloatArray", "ln_bayes_other_lot"]

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

FloatArray = NDArray[np.float64]

# How often a part that comes to the bench is sound, has a fault that is looked for (shared among
# their families), or is like nothing known; assumed, and wide of any shop's figures on purpose.
_SOUND, _FAULTY, _OTHERWISE = 0.5, 0.45, 0.05
# What is like nothing known scatters by this many standard deviations of a sound part, with the
# tails of Student's distribution: a gross fault must not pull the shift of its lot.
_FAR, _FAR_FREEDOM = 12.0, 2.0
_FARTHEST_LOT = 4.0
#: the most promising starts only
_STARTS = 6
_ROUNDS = 25
_SETTLED = 1e-4


def ln_bayes_other_lot(
    parts: FloatArray,
    families: Sequence[FloatArray],
    same: FloatArray,
    other: FloatArray,
) -> float:
    """Return ln of the Bayes factor that the parts are of another lot than their siblings.

    `parts` (parts, D) are differences from the siblings' mean in units in which a sound part of the
    lot scatters with the unit matrix about its typical part; `families` hold signatures (K, D) of
    faults in the same units. `same` and `other` (D, D) are the covariances of the shift between the
    siblings' mean and the typical part of the parts' lot. Laplace's approximation about the best
    shift of each hypothesis, found by expectation maximisation from no shift and from every part.
    """
    parts = np.asarray(parts, dtype=float)
    width = parts.shape[1]
    components = np.concatenate([np.zeros((1, width)), *families])
    shares = np.concatenate(
        [[math.log(_SOUND)]]
        + [np.full(len(f), math.log(_FAULTY / (len(families) * len(f)))) for f in families]
    )
    # no lot lies as far off as a gross fault does
    near = parts[np.sum(parts**2, axis=1) < (_FARTHEST_LOT**2) * np.trace(other)]
    starts = np.concatenate([np.zeros((1, width)), near])
    return _ln_evidence(parts, components, shares, other, starts) - _ln_evidence(
        parts, components, shares, same, starts[:1]
    )


def _ln_evidence(
    parts: FloatArray,
    components: FloatArray,
    shares: FloatArray,
    covariance: FloatArray,
    starts: FloatArray,
) -> float:
    """Integrate the likelihood over the shift, about the best of the shifts found."""
    precision = np.asarray(np.linalg.inv(covariance), dtype=float)
    _, ln_det = np.linalg.slogdet(covariance)
    if len(starts) > _STARTS:
        promise = [
            _responsible(parts - start, components, shares)[1]
            - 0.5 * float(start @ precision @ start)
            for start in starts
        ]
        starts = starts[np.argsort(promise)[-_STARTS:]]
    best = -math.inf
    for start in starts:
        shift, ln_likelihood, known = _best_shift(parts, components, shares, precision, start)
        _, ln_curvature = np.linalg.slogdet(precision + known)
        ln = ln_likelihood - 0.5 * float(shift @ precision @ shift) - 0.5 * (ln_det + ln_curvature)
        best = max(best, ln)
    return best


def _best_shift(
    parts: FloatArray,
    components: FloatArray,
    shares: FloatArray,
    precision: FloatArray,
    start: FloatArray,
) -> tuple[FloatArray, float, FloatArray]:
    """Find the most probable shift near a start; its ln likelihood, and what the parts tell of it.

    The last is a precision (D, D): the number of parts that are like something known, less what
    the choice of a fault's size leaves open.
    """
    width = parts.shape[1]
    shift = start
    for _ in range(_ROUNDS):
        weights, _ = _responsible(parts - shift, components, shares)
        known = float(weights.sum())
        centre = np.sum(weights.sum(axis=1)[:, None] * parts - weights @ components, axis=0)
        moved = np.linalg.solve(precision + known * np.eye(width), centre)
        step = float(np.abs(moved - shift).max())
        shift = moved
        if step < _SETTLED:
            break
    weights, ln_likelihood = _responsible(parts - shift, components, shares)
    told = np.zeros((width, width))
    for row in weights:
        total = float(row.sum())
        if total < 1e-6:
            continue
        mean = row @ components / total
        spread = (components * (row / total)[:, None]).T @ components - np.outer(mean, mean)
        # a fault of unknown size says nothing of the shift along its own signature
        told += total * np.linalg.inv(np.eye(width) + spread)
    return shift, ln_likelihood, told


def _responsible(
    left: FloatArray, components: FloatArray, shares: FloatArray
) -> tuple[FloatArray, float]:
    """Share each part among the components: weights (parts, components), total ln likelihood."""
    width = left.shape[1]
    square = np.sum(left**2, axis=1)
    ln = shares - 0.5 * square[:, None] + left @ components.T - 0.5 * np.sum(components**2, axis=1)
    far = (
        math.log(_OTHERWISE)
        - width * math.log(_FAR)
        - 0.5 * (width + _FAR_FREEDOM) * np.log1p(square / (_FAR_FREEDOM * _FAR**2))
    )
    total = np.logaddexp(logsumexp(ln, axis=1), far)
    return np.exp(ln - total[:, None]), float(total.sum())
