"""Analyse a gauge study by averages and ranges, the way it is done on paper, for comparison."""

from __future__ import annotations

__all__ = ["AverageAndRange", "average_and_range"]

import math

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from labbench.errors import InputError
from labbench.lots.control_charts import d2, d2_star, range_limits
from labbench.lots.gauge_study import distinct_categories


@frozen
class AverageAndRange:
    """Hold the study by ranges: standard deviations, and what leads to them.

    `beyond` names the cells (part, operator; counted from 0) whose range is above the upper limit:
    one of their readings is probably a slip.
    """

    ev: float
    av: float
    grr: float
    pv: float
    tv: float
    categories: int
    mean_ranges: tuple[float, ...]
    operator_means: tuple[float, ...]
    range_limit: float
    beyond: tuple[tuple[int, int], ...]


def average_and_range(values: NDArray[np.float64]) -> AverageAndRange:
    """Analyse values with axes (part, operator, trial) by averages and ranges.

    The factors are computed (1/d2 for the trials, 1/d2* of one group for operators and parts) and
    rounded to four decimals as printed tables have them, so that a reckoning by hand agrees.
    Raises InputError for another shape or fewer than two of each.
    """
    y = np.asarray(values, dtype=float)
    if y.ndim != 3 or min(y.shape) < 2:
        raise InputError("average and range needs at least 2 parts, 2 operators and 2 trials")
    parts, operators, trials = y.shape
    ranges = y.max(axis=2) - y.min(axis=2)
    mean_range = float(ranges.mean())
    operator_means = y.mean(axis=(0, 2))
    part_means = y.mean(axis=(1, 2))
    ev = mean_range * round(1 / d2(trials), 4)
    spread = float(operator_means.max() - operator_means.min())
    av_squared = (spread * round(1 / d2_star(operators), 4)) ** 2 - ev**2 / (parts * trials)
    av = math.sqrt(max(0.0, av_squared))
    pv = float(part_means.max() - part_means.min()) * round(1 / d2_star(parts), 4)
    grr = math.hypot(ev, av)
    limit = range_limits(mean_range, trials)[1]
    return AverageAndRange(
        ev=ev, av=av, grr=grr, pv=pv, tv=math.hypot(grr, pv),
        categories=distinct_categories(pv, grr),
        mean_ranges=tuple(float(v) for v in ranges.mean(axis=0)),
        operator_means=tuple(float(v) for v in operator_means),
        range_limit=limit,
        beyond=tuple((int(p), int(o)) for p, o in np.argwhere(ranges > limit)),
    )  # fmt: skip
