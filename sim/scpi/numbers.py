"""Numbers and units of program data, and the number formats of replies."""

from __future__ import annotations

import math
from functools import cache

from sim.scpi.errors import ScpiError

INFINITY = 9.9e37  # SCPI-99 vol. 1, 7.2.1.4
NOT_A_NUMBER = 9.91e37  # SCPI-99 vol. 1, 7.2.1.5

# IEEE 488.2, 7.7.3, table of suffix multipliers (from memory).
_MULTIPLIERS = {
    "EX": 1e18,
    "PE": 1e15,
    "T": 1e12,
    "G": 1e9,
    "MA": 1e6,
    "K": 1e3,
    "M": 1e-3,
    "U": 1e-6,
    "N": 1e-9,
    "P": 1e-12,
    "F": 1e-15,
    "A": 1e-18,
}


@cache
def _suffixes(unit: str) -> dict[str, float]:
    factors = {multiplier + unit: factor for multiplier, factor in _MULTIPLIERS.items()}
    factors[unit] = 1.0
    if unit in ("HZ", "OHM"):
        factors["M" + unit] = 1e6  # the one exception: MHZ and MOHM are mega, not milli
    return factors


def scaled(number: str, suffix: str, unit: str) -> float:
    """Return the value of an NRf text with its suffix, in the unit (``"HZ"``, ``""`` for none).

    Raises :class:`ScpiError` for a suffix that is not one of the unit's.
    """
    if not suffix:
        return float(number)
    if not unit:
        raise ScpiError(-138, suffix)
    factor = _suffixes(unit).get(suffix)
    if factor is None:
        raise ScpiError(-131, suffix)
    return float(number) * factor


def nearest_integer(value: float) -> int:
    """Return a number rounded as IEEE 488.2 rounds where an integer is wanted: halves away from 0.

    Raises :class:`ScpiError` for a number without bound.
    """
    if not math.isfinite(value):
        raise ScpiError(-222)
    return int(math.copysign(math.floor(abs(value) + 0.5), value))


def nr1(value: int) -> str:
    """Return an integer reply."""
    return str(int(value))


def nr3(value: float, decimals: int = 8) -> str:
    """Return a reply in scientific form with a sign and a two-digit exponent.

    What is no finite number, or too large for one, goes out as SCPI's special numbers.
    """
    if math.isnan(value):
        value = NOT_A_NUMBER
    elif abs(value) > INFINITY and value != NOT_A_NUMBER:
        value = math.copysign(INFINITY, value)
    return f"{value:+.{decimals}E}"


def boolean(value: bool) -> str:
    """Return ``1`` or ``0``."""
    return "1" if value else "0"


def quoted(text: str) -> str:
    """Return a string reply: in double quotes, those inside doubled, printable ASCII only."""
    clean = "".join(character if " " <= character <= "~" else "?" for character in text)
    return '"' + clean.replace('"', '""') + '"'
