"""Put the readings of a gauge study into the block that the analysis takes, or say what lacks."""

from __future__ import annotations

__all__ = ["StudyBlock", "StudyReading", "study_block"]

from collections.abc import Sequence

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray

from labbench.errors import InputError

_SHOWN = 5


@frozen(kw_only=True)
class StudyReading:
    """Hold one reading of a study, with the noise of its placement where that is known.

    `trial` None: counted in the order of the readings. `where` says where it stands (a file's
    line, a run), for messages.
    """

    part: str
    value: float
    operator: str = ""
    day: str = ""
    trial: str | None = None
    noise_sd: float = 0.0
    noise_df: int = 0
    where: str = ""


@frozen(kw_only=True, eq=False)
class StudyBlock:
    """Hold a complete study: `values` with the axes `factors` and then the trials.

    `names` gives the levels of each factor. Factors are "part", and "operator" and "day" where
    there is more than one.
    """

    values: NDArray[np.float64] = field(repr=False)
    factors: tuple[str, ...]
    names: dict[str, tuple[str, ...]]
    noise_sds: tuple[float, ...]
    noise_dfs: tuple[int, ...]


def study_block(readings: Sequence[StudyReading]) -> StudyBlock:
    """Arrange readings by part, operator and day; every cell holds as many trials.

    Raises InputError that lists the cells with missing or surplus readings.
    """
    if not readings:
        raise InputError("the study holds no reading yet")
    names = {
        factor: tuple(dict.fromkeys(getattr(r, factor) for r in readings))
        for factor in ("part", "operator", "day")
    }
    factors = ("part", *(f for f in ("operator", "day") if len(names[f]) > 1))
    cells: dict[tuple[str, ...], list[StudyReading]] = {}
    for reading in readings:
        cells.setdefault(tuple(getattr(reading, f) for f in factors), []).append(reading)
    problems = _repeated(cells, factors)
    trials = max(len(cell) for cell in cells.values())
    shape = tuple(len(names[f]) for f in factors)
    values = np.full((*shape, trials), np.nan)
    for place in np.ndindex(*shape):
        key = tuple(names[f][i] for f, i in zip(factors, place, strict=True))
        cell = cells.get(key, [])
        if len(cell) < trials:
            what = ", ".join(f"{f} {name}" for f, name in zip(factors, key, strict=True))
            problems.append(f"{what}: {len(cell)} of {trials} readings")
            continue
        values[place] = [reading.value for reading in cell]
    if problems:
        shown = "; ".join(problems[:_SHOWN])
        more = f"; and {len(problems) - _SHOWN} more" if len(problems) > _SHOWN else ""
        raise InputError(
            f"the study is not complete: {shown}{more}",
            hint="every part is measured equally often by everyone; measure what is missing",
        )
    return StudyBlock(
        values=values,
        factors=factors,
        names={f: names[f] for f in factors},
        noise_sds=tuple(r.noise_sd for r in readings if r.noise_df),
        noise_dfs=tuple(r.noise_df for r in readings if r.noise_df),
    )


def _repeated(
    cells: dict[tuple[str, ...], list[StudyReading]], factors: tuple[str, ...]
) -> list[str]:
    """List trials that stand twice: the same reading entered again hides the scatter."""
    problems = []
    for key, cell in cells.items():
        named = [reading.trial for reading in cell if reading.trial is not None]
        what = ", ".join(f"{f} {name}" for f, name in zip(factors, key, strict=True))
        problems += [
            f"{what}: trial {trial} stands twice"
            for trial in dict.fromkeys(named) if named.count(trial) > 1
        ]  # fmt: skip
    return problems
