"""Learn limits from siblings: parts of the same type and lot, one of which may be bad.

Siblings came off the same dead board, so neither mean and standard deviation nor a rejection of
outliers is safe. Centre: the median. Scale: the median absolute deviation pooled with what is
known beforehand of the spread of one lot, in the proportion of what each is worth:

    s^2 = [nu0 s0^2 + 0.37 (n-1) (1.4826 MAD)^2] / [nu0 + 0.37 (n-1)],   nu0 = 8

0.37 is the efficiency of the median absolute deviation; 1.4826 = 1/Phi^-1(3/4). The factors that
go with this scale were found by simulation for 1 % false reject per side with s0 wrong by a
third; the parts themselves are assumed to spread normally in the logarithm.
"""

from __future__ import annotations

__all__ = ["LEAST_SIBLINGS", "Learned", "learn_limits", "learned_resistance", "same_lot"]

import math
from collections.abc import Sequence
from statistics import median

from attrs import frozen

from labbench.judging.characteristics import resistance_at
from labbench.parts.coil_type import ResistanceLimit
from labbench.results import Readings

LEAST_SIBLINGS = 3

_NU0 = 8.0
_MAD_EFFICIENCY = 0.37
_MAD_TO_SD = 1.0 / 0.6744897501960817
# Number of siblings -> factor on the scale; beyond 8 the last stands (slightly wide).
_FACTORS = {3: 3.32, 4: 3.13, 5: 3.07, 6: 2.98, 7: 2.94, 8: 2.88}
# The 1 % is shared by the tests of a specimen: factors a third larger.
_SHARED = 1.3
# Spread of ln R between the parts of one lot; assumed.
_LOT_SD_RESISTANCE = 0.036
_REFERENCE_C = 25.0


@frozen
class Learned:
    """Hold limits learned from siblings and the siblings they came from."""

    nominal: float
    lower: float
    upper: float
    specimens: tuple[str, ...]


def same_lot(
    readings: Readings, siblings: Sequence[Readings]
) -> tuple[tuple[Readings, ...], tuple[str, ...]]:
    """Split siblings into usable ones and the ids of those of another type or lot.

    Parts of another lot would make healthy parts look bad. The specimen itself is left out.
    """
    usable, strangers = [], []
    for sibling in siblings:
        if sibling.specimen == readings.specimen:
            continue
        if sibling.type == readings.type and sibling.lot == readings.lot:
            usable.append(sibling)
        else:
            strangers.append(sibling.specimen)
    return tuple(usable), tuple(strangers)


def learn_limits(
    values: Sequence[float], specimens: Sequence[str], *, lot_sd: float, u_relative: float = 0.0
) -> Learned | None:
    """Learn two-sided limits of a positive quantity; None from fewer than three siblings.

    `lot_sd` is the standard deviation of its logarithm within a lot as known beforehand,
    `u_relative` the standard uncertainty of one sibling's value.
    """
    n = len(values)
    if n < LEAST_SIBLINGS or min(values) <= 0.0:
        return None
    logs = [math.log(value) for value in values]
    centre = median(logs)
    spread = _MAD_TO_SD * median(abs(x - centre) for x in logs)
    weight = _MAD_EFFICIENCY * (n - 1)
    variance = (_NU0 * lot_sd**2 + weight * spread**2) / (_NU0 + weight)
    # the median of n has pi/2 times the variance of their mean
    variance += math.pi / 2.0 * u_relative**2 / n
    half = _SHARED * _FACTORS[min(n, max(_FACTORS))] * math.sqrt(variance)
    return Learned(
        nominal=math.exp(centre),
        lower=math.exp(centre - half),
        upper=math.exp(centre + half),
        specimens=tuple(specimens),
    )


def learned_resistance(
    siblings: Sequence[Readings],
) -> tuple[ResistanceLimit, tuple[str, ...]] | None:
    """Learn the limits of the dc resistance at 25 degrees, and from which siblings."""
    values, relative, names = [], [], []
    for sibling in siblings:
        if sibling.dc_resistance is None:
            continue
        at = resistance_at(
            sibling.dc_resistance, _REFERENCE_C, part_temperature_c=sibling.temperature_c
        )
        if at is not None and at.value_ohm > 0.0:
            values.append(at.value_ohm)
            relative.append(at.u_ohm / at.value_ohm)
            names.append(sibling.specimen)
    if len(values) < LEAST_SIBLINGS:
        return None
    learned = learn_limits(values, names, lot_sd=_LOT_SD_RESISTANCE, u_relative=median(relative))
    if learned is None:
        return None
    limit = ResistanceLimit(
        nominal_ohm=learned.nominal,
        lower_ohm=learned.lower,
        upper_ohm=learned.upper,
        temperature_c=_REFERENCE_C,
    )
    return limit, learned.specimens
