"""Say how much of what a bench reads is the part, and how much the bench and the people.

Words as the trade uses them: EV equipment variation (repeatability), AV appraiser variation
(reproducibility between people), GRR both together with their interactions, PV variation of the
parts, TV all of it. All are standard deviations; a negative estimate of a variance is reported as
zero.
"""

from __future__ import annotations

__all__ = [
    "PART",
    "Component",
    "GaugeStudy",
    "Nested",
    "ReadingNoise",
    "crossed_study",
    "distinct_categories",
    "nested_study",
    "split_repeatability",
]

import math
from collections.abc import Mapping, Sequence
from statistics import stdev

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray

from labbench.errors import InputError
from labbench.lots.anova import Effect, combination, crossed, pooled
from labbench.lots.intervals import Term, variance_interval

PART = "part"


@frozen
class Component:
    """Hold one component: its standard deviation with its interval, and its shares.

    `study_percent` is of the total standard deviation, `contribution_percent` of the total
    variance, `tolerance_percent` six standard deviations of the width of the limits (None where
    there are not two). `raw_variance` may be negative.
    """

    name: str
    sd: float
    lower: float
    upper: float
    raw_variance: float
    study_percent: float
    contribution_percent: float
    tolerance_percent: float | None = None


@frozen
class GaugeStudy:
    """Hold a crossed study: the table before and after pooling, components, and shape.

    `components` has "repeatability", one entry a factor and kept interaction, then "grr" and
    "total"; the variation of the parts is "part".
    """

    effects: tuple[Effect, ...]
    kept: tuple[Effect, ...]
    components: Mapping[str, Component]
    categories: int
    levels: Mapping[str, int]
    confidence: float

    @property
    def pooled(self) -> tuple[str, ...]:
        """Name the interactions that were pooled with the repeatability."""
        kept = {effect.factors for effect in self.kept}
        return tuple(effect.name for effect in self.effects if effect.factors not in kept)


def crossed_study(
    values: NDArray[np.float64],
    factors: Sequence[str],
    *,
    tolerance: float | None = None,
    confidence: float = 0.95,
) -> GaugeStudy:
    """Analyse a crossed study: axes (part, other factors..., trial); `factors[0]` is "part".

    `tolerance` is the width between the limits, in the unit of the values. Interactions with
    p > 0.25 are pooled with the repeatability, the highest order first. Intervals: chi-square for
    repeatability, modified large sample for the rest. Raises InputError as `anova.crossed` does.
    """
    if not factors or factors[0] != PART:
        raise InputError("the first factor of a gauge study is the part")
    effects = crossed(values, factors)
    kept = pooled(effects)
    shape = np.asarray(values).shape
    levels = dict(zip((*factors, "trial"), shape, strict=True))
    mean = {effect.factors: (effect.ms, effect.df) for effect in kept}
    cells = math.prod(shape)
    coefficients: dict[str, dict[tuple[str, ...], float]] = {"repeatability": {(): 1.0}}
    for effect in kept:
        if effect.factors:
            copies = cells / math.prod(levels[name] for name in effect.factors)
            coefficients[effect.name] = {
                key: sign / copies for key, sign in combination(kept, effect.factors).items()
            }
    raw = {
        name: math.fsum(c * mean[key][0] for key, c in combined.items())
        for name, combined in coefficients.items()
    }
    coefficients["grr"] = _summed([c for name, c in coefficients.items() if name != PART])
    coefficients["total"] = _summed([coefficients["grr"], coefficients[PART]])
    raw["grr"] = math.fsum(max(0.0, v) for name, v in raw.items() if name != PART)
    raw["total"] = raw["grr"] + max(0.0, raw[PART])
    total = math.sqrt(raw["total"])
    components = {
        name: _component(
            name, raw[name],
            [Term(c, *mean[key]) for key, c in coefficients[name].items()],
            total=total, tolerance=tolerance, confidence=confidence,
        )
        for name in coefficients
    }  # fmt: skip
    return GaugeStudy(
        effects=effects,
        kept=kept,
        components=components,
        categories=distinct_categories(components[PART].sd, components["grr"].sd),
        levels=levels,
        confidence=confidence,
    )


def distinct_categories(part_sd: float, grr_sd: float) -> int:
    """Return how many groups of parts the bench can tell apart: 1.41 PV/GRR, cut to a whole number.

    Never less than one. Practices differ (some round): this one truncates.
    """
    if grr_sd == 0.0:
        raise InputError("all readings of each part are the same: the display is too coarse, or "
                         "it is one reading copied")  # fmt: skip
    return max(1, math.floor(1.41 * part_sd / grr_sd))


@frozen
class ReadingNoise:
    """Split the repeatability: noise within a placement, and what a new placement changes (sd)."""

    within_sd: float
    within_df: int
    placement_sd: float
    raw_placement_variance: float


def split_repeatability(
    repeatability_sd: float, within_sds: Sequence[float], within_dfs: Sequence[int]
) -> ReadingNoise | None:
    """Split repeatability into noise within placements and scatter between placements.

    Each placement gives the standard deviation of its value by noise alone, with its degrees of
    freedom; they are pooled. None where no placement was read more than once.
    """
    df = sum(within_dfs)
    if not df:
        return None
    noise = math.fsum(n * s * s for s, n in zip(within_sds, within_dfs, strict=True)) / df
    rest = repeatability_sd**2 - noise
    return ReadingNoise(math.sqrt(noise), df, math.sqrt(max(0.0, rest)), rest)


@frozen
class Nested:
    """Hold a nested study: repeatability, day to day, run to run, each pooled with its df.

    level 1: within a day (readings); level 2: of the day averages within a run; level 3: of the
    run averages. `day_variance` and `run_variance` are what days and runs add; they may be
    negative.
    """

    level_1: tuple[float, int]
    level_2: tuple[float, int]
    level_3: tuple[float, int] | None
    by_cell: Mapping[tuple[str, str], tuple[float, float, float]] = field(repr=False)
    day_variance: float = 0.0
    run_variance: float | None = None
    measurement_sd: float = 0.0


def nested_study(
    days: Mapping[tuple[str, str], Sequence[tuple[float, float, int]]],
) -> Nested:
    """Analyse repeatability within days, days within runs, and runs, over several parts.

    `days[(run, part)]` lists a day each: average, standard deviation, number of readings; all days
    have as many readings and all cells as many days. Standard deviations are pooled over parts.
    The standard deviation of a measurement (the average of a day, in any run) is that of NIST
    e-Handbook 2.4.5: s3^2 + (K-1)/K s2^2 + (J-1)/J s1^2 for single readings (from memory).
    """
    if not days:
        raise InputError("a nested study without a day")
    readings = {n for cell in days.values() for _, _, n in cell}
    counts = {len(cell) for cell in days.values()}
    if len(readings) != 1 or len(counts) != 1:
        raise InputError("a nested study needs as many readings each day and as many days each run")
    per_day, per_run = readings.pop(), counts.pop()
    if per_day < 2 or per_run < 2:
        raise InputError("a nested study needs two readings a day and two days a run at least")
    by_cell: dict[tuple[str, str], tuple[float, float, float]] = {}
    for key, cell in days.items():
        averages = [average for average, _, _ in cell]
        s1 = _pool([(sd, per_day - 1) for _, sd, _ in cell])[0]
        by_cell[key] = (math.fsum(averages) / per_run, s1, stdev(averages))
    level_1 = _pool([(sd, per_day - 1) for cell in days.values() for _, sd, _ in cell])
    level_2 = _pool([(s2, per_run - 1) for _, _, s2 in by_cell.values()])
    level_3: tuple[float, int] | None = None
    runs = {run for run, _ in days}
    if len(runs) > 1:
        of_part: dict[str, list[float]] = {}
        for (_, part), (average, _, _) in by_cell.items():
            of_part.setdefault(part, []).append(average)
        level_3 = _pool([(stdev(a), len(a) - 1) for a in of_part.values() if len(a) > 1])
    day_variance = level_2[0] ** 2 - level_1[0] ** 2 / per_day
    run_variance = level_3[0] ** 2 - level_2[0] ** 2 / per_run if level_3 else None
    return Nested(
        level_1=level_1,
        level_2=level_2,
        level_3=level_3,
        by_cell=by_cell,
        day_variance=day_variance,
        run_variance=run_variance,
        measurement_sd=math.sqrt(
            level_1[0] ** 2 + max(0.0, day_variance) + max(0.0, run_variance or 0.0)
        ),
    )


def _pool(parts: Sequence[tuple[float, int]]) -> tuple[float, int]:
    df = sum(n for _, n in parts)
    return math.sqrt(math.fsum(n * sd * sd for sd, n in parts) / df), df


def _summed(
    combined: Sequence[Mapping[tuple[str, ...], float]],
) -> dict[tuple[str, ...], float]:
    total: dict[tuple[str, ...], float] = {}
    for one in combined:
        for key, coefficient in one.items():
            total[key] = total.get(key, 0.0) + coefficient
    return total


def _component(
    name: str,
    variance: float,
    terms: Sequence[Term],
    *,
    total: float,
    tolerance: float | None,
    confidence: float,
) -> Component:
    sd = math.sqrt(max(0.0, variance))
    lower, upper = (math.sqrt(v) for v in variance_interval(terms, confidence=confidence))
    return Component(
        name=name,
        sd=sd,
        # a sum whose negative parts were set to zero may lie beside the interval of the plain sum
        lower=min(lower, sd),
        upper=max(upper, sd),
        raw_variance=variance,
        study_percent=100.0 * sd / total if total else 0.0,
        contribution_percent=100.0 * sd * sd / total**2 if total else 0.0,
        tolerance_percent=600.0 * sd / tolerance if tolerance else None,
    )
