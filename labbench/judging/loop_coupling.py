"""Say how tightly a loop of shorted turns couples with its winding, by how many turns it spans."""

from __future__ import annotations

__all__ = ["FloatArray", "loop_couplings", "turns_beforehand", "turns_probability"]

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import logit

FloatArray = NDArray[np.float64]

# Coupling of two turns: a part that all share through the core, and a part that falls by a factor
# with each pitch of distance; both ranges are assumptions that hold the values met on simulated
# coils (neighbours 0.83 to 0.97 in closed cores). One to three layers.
_SHARED = (0.45, 0.6, 0.75, 0.87)
_FALL = (0.45, 0.6, 0.75, 0.87)
_LAYERS = (1, 2, 3)
_TIGHTEST = 0.975
# Turns that touch lie side by side in winding order far more often than not; a loop of two or three
# turns needs two layers that touch or burned enamel. An assumption.
_BEFOREHAND = (0.6, 0.25, 0.15)


@lru_cache(maxsize=64)
def loop_couplings(turns: int, shorted: int) -> tuple[float, float]:
    """Return mean and standard deviation of logit k2 of a loop over couplings and places.

    For m of N turns k2 = M^2 / (L L2) with every M and L a sum over turns (definition of the
    coupling coefficient). `turns` at least 2, `shorted` 1 to turns - 1.
    """
    found = []
    for layers in _LAYERS:
        if layers > 1 and turns < 3 * layers:
            continue
        rows = math.ceil(turns / layers)
        # wound to and fro: the end of a layer lies beside the start of the next
        number = np.arange(turns)
        layer, along = number // rows, number % rows
        along = np.where(layer % 2 == 1, rows - 1 - along, along)
        distance = np.hypot(layer[:, None] - layer, along[:, None] - along)
        for shared in _SHARED:
            for fall in _FALL:
                k = _TIGHTEST * (shared + (1.0 - shared) * fall**distance)
                np.fill_diagonal(k, 1.0)
                with_all = k.sum(axis=1)
                for first in range(turns - shorted + 1):
                    loop = slice(first, first + shorted)
                    mutual = float(with_all[loop].sum())
                    k2 = mutual**2 / (float(k.sum()) * float(k[loop, loop].sum()))
                    found.append(float(logit(min(k2, 1.0 - 1e-9))))
    return float(np.mean(found)), float(np.std(found))


def turns_beforehand(turns: int) -> dict[int, float]:
    """Return how probable it is that 1, 2 or 3 of so many turns are shorted, before a reading."""
    weights = dict(enumerate(_BEFOREHAND[: max(1, turns - 1)], start=1))
    return {m: w / sum(weights.values()) for m, w in weights.items()}


def turns_probability(turns: int, logit_k2: float, sd: float) -> dict[int, float]:
    """Return how probable it is that 1, 2 or 3 turns are shorted, from a loop's coupling.

    `logit_k2` and its standard deviation come from a fit; at most turns - 1 are considered.
    """
    weights = {}
    for shorted, beforehand in turns_beforehand(turns).items():
        mean, spread = loop_couplings(turns, shorted)
        width = math.hypot(spread, sd)
        weights[shorted] = math.log(beforehand / width) - 0.5 * ((logit_k2 - mean) / width) ** 2
    top = max(weights.values())
    total = sum(math.exp(w - top) for w in weights.values())
    return {m: math.exp(w - top) / total for m, w in weights.items()}
