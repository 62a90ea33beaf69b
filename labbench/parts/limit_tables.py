"""Check what every part type file may say: names, numbers, limits. One place for all families.

Every limit is `nominal` with `tolerance`, or `minimum` and/or `maximum`.
"""

from __future__ import annotations

__all__ = [
    "ambient",
    "check_limits",
    "fraction",
    "limit_bounds",
    "part_name",
    "positive",
    "tolerance_bounds",
]

from labbench.files import MistakeError, MistakesError


def positive(value: float) -> None:
    """Refuse zero and less."""
    if not value > 0:
        raise MistakeError("must be above zero")


def fraction(value: float) -> None:
    """Refuse what is no share between 0 and 1."""
    if not 0 < value < 1:
        raise MistakeError("must lie between 0 and 100 %")


def part_name(value: str) -> None:
    """Refuse a name that could not be a file's name."""
    if not value or not all(letter.isalnum() or letter in "-_.+" for letter in value):
        raise MistakeError("must be letters, digits, '-', '_', '.' or '+': it is also a file name")


def ambient(value: float) -> None:
    """Refuse a temperature (°C) at which no limit is stated."""
    if not -55 <= value <= 155:
        raise MistakeError("must lie between -55 °C and 155 °C")


def tolerance_bounds(nominal: float, tolerance: float) -> tuple[float, float]:
    """Give the limits of a nominal value with a symmetric relative tolerance.

    Rounded to twelve digits: 470 nH less 20 % is 376 nH and not 376.00000000000003 nH.
    """
    return float(f"{nominal * (1 - tolerance):.12g}"), float(f"{nominal * (1 + tolerance):.12g}")


def limit_bounds(
    nominal: float | None, tolerance: float | None, minimum: float | None, maximum: float | None
) -> tuple[float | None, float | None]:
    """Give the lower and upper limit of a limit's table."""
    if nominal is not None and tolerance is not None:
        return tolerance_bounds(nominal, tolerance)
    return minimum, maximum


def check_limits(
    nominal: float | None, tolerance: float | None, minimum: float | None, maximum: float | None
) -> None:
    """Raise MistakesError with everything that is wrong between the fields of a limit's table."""
    wrong: list[tuple[str, str]] = []
    if nominal is None and minimum is None and maximum is None:
        wrong.append(("", "needs nominal and tolerance, or minimum and/or maximum"))
    if tolerance is not None and nominal is None:
        wrong.append(("tolerance", "of what: nominal is missing"))
    if tolerance is not None and (minimum is not None or maximum is not None):
        wrong.append(("tolerance", "and minimum or maximum: give one of them"))
    if nominal is not None and tolerance is None and minimum is None and maximum is None:
        wrong.append(("tolerance", "missing: a nominal value alone limits nothing"))
    if minimum is not None and maximum is not None and minimum >= maximum:
        wrong.append(("minimum", "must be below maximum"))
    elif nominal is not None:
        if minimum is not None and nominal < minimum:
            wrong.append(("nominal", "is below minimum"))
        if maximum is not None and nominal > maximum:
            wrong.append(("nominal", "is above maximum"))
    if wrong:
        raise MistakesError(wrong)
