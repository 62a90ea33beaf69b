"""Decode what stands on an inductor.

IEC 60062 covers resistors and capacitors; inductors are not in its scope. What follows is common
trade practice, no standard: microhenry as the base, R for the decimal point, three digits as two
figures and a power of ten, N for the decimal point in nanohenry, a trailing letter for the
tolerance. Every decode says what it assumed and how else the same text may be read.
"""

from __future__ import annotations

__all__ = [
    "ASSUMED_FREQUENCY_HZ",
    "ASSUMED_TOLERANCE",
    "AlternativeReading",
    "Marking",
    "coil_type_from_marking",
    "decode_inductor_marking",
]

import re
from decimal import Decimal
from typing import Final

from attrs import frozen

from labbench.errors import InputError, QuantityError
from labbench.parts.coil_type import CoilType, InductanceLimit
from labbench.parts.limit_tables import tolerance_bounds
from labbench.quantities import format_si, parse_quantity

#: tolerance of a coil whose marking gives none (common practice, no source)
ASSUMED_TOLERANCE: Final = 0.20
#: frequency at which the nominal inductance is taken to hold (common practice, no source)
ASSUMED_FREQUENCY_HZ: Final = 100e3

# percent; F, G, H, J, K, M, N as a public table of inductor codes gives them; L and V stand in the
# same table as trade practice
_TOLERANCE_PERCENT: Final = {
    "F": 1, "G": 2, "H": 3, "J": 5, "K": 10, "L": 15, "M": 20, "V": 25, "N": 30,
}  # fmt: skip
# nanohenry, on parts of a few nanohenry (same table, trade practice)
_TOLERANCE_NH: Final = {"A": "0.05", "B": "0.1", "C": "0.25", "D": "0.5"}

# IEC 60063
_E24: Final = frozenset(
    {10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91}
)
_MAX_LENGTH: Final = 12
#: 10 H: no coil that a board carries has more
_LARGEST_H: Final = Decimal(10)

_POINT = re.compile(r"([0-9]*)([RNU])([0-9]*)([A-Z]?)")
_DIGITS = re.compile(r"([0-9]{3,4})([A-Z]?)")

_PRACTICE = "common trade practice, no standard"


@frozen
class AlternativeReading:
    """Hold another inductance (H) that the same text may mean, and by which rule."""

    inductance_h: float
    rule: str


@frozen
class Marking:
    """Hold a decoded marking: inductance (H), relative tolerance or None, and what was assumed."""

    text: str
    inductance_h: float
    tolerance: float | None
    rule: str
    assumed: tuple[str, ...] = ()
    alternatives: tuple[AlternativeReading, ...] = ()


def decode_inductor_marking(text: str) -> Marking:
    """Decode "R47", "4R7", "1R0", "100", "332F", "1001", "10N", "2U2" or "4.7 µH".

    Case and spaces do not matter. Raises InputError that says why a text is no such marking.
    """
    shown = repr(text if len(text) <= 40 else text[:40] + "...")
    with_unit = _with_unit(text)
    if with_unit is not None:
        return with_unit
    # µ and μ become M when made upper case: they are put aside first
    code = re.sub(r"\s+", "", text.replace("µ", "u").replace("μ", "u")).upper()
    if not code:
        raise InputError("empty, where an inductor's marking is needed", hint="such as R47 or 100")
    if len(code) > _MAX_LENGTH or not code.isascii() or not code.isalnum():
        raise InputError(f"{shown} is no inductor marking: it has letters and digits only, up to "
                         f"{_MAX_LENGTH}")  # fmt: skip
    if match := _POINT.fullmatch(code):
        return _decode_point(code, shown, match)
    if match := _DIGITS.fullmatch(code):
        return _decode_digits(code, shown, match)
    raise _refusal(code, shown)


def coil_type_from_marking(
    marking: Marking,
    *,
    frequency_hz: float = ASSUMED_FREQUENCY_HZ,
    tolerance: float | None = None,
) -> CoilType:
    """Make a part type of what a marking says.

    Its tolerance is `tolerance`, else the marking's, else 20 %. DC resistance, core and turns are
    unknown. Everything assumed stands in `assumed`.
    """
    assumed = list(marking.assumed)
    relative = tolerance if tolerance is not None else marking.tolerance
    if relative is None:
        relative = ASSUMED_TOLERANCE
        assumed.append(f"tolerance {format_si(relative, '%')}: the marking gives none")
    assumed.append(f"inductance is meant at {format_si(frequency_hz, 'Hz')}")
    nominal = marking.inductance_h
    return CoilType(
        name=marking.text,
        description=f"{format_si(nominal, 'H')}, from the marking {marking.text} alone",
        inductance=(InductanceLimit(nominal, *tolerance_bounds(nominal, relative), frequency_hz),),
        assumed=tuple(assumed),
    )


def _with_unit(text: str) -> Marking | None:
    """Take an inductance written out; a person may type one where a marking is asked for."""
    # H alone at the end is the tolerance letter of 3 %
    if not re.search(r"[pnuµμm][Hh]\s*$", text):
        return None
    try:
        value = parse_quantity(text, "H")
    except QuantityError as error:
        raise InputError(error.message, hint=error.hint) from None
    if not 0 < value <= _LARGEST_H:
        raise InputError(f"{text.strip()!r} is no inductance that a board carries")
    name = format_si(value, "H", 6).replace(" ", "").replace("µ", "u")
    return Marking(name, value, None, "written with its unit")


def _decode_point(code: str, shown: str, match: re.Match[str]) -> Marking:
    before, letter, after, tolerance_letter = match.groups()
    if not before + after:
        raise InputError(f"{shown} has no figure: it is no inductor marking", hint="such as R47")
    if len(before + after) > 4:
        raise InputError(f"{shown} has more figures than a marking: it may be a date or lot code")
    exponent = -9 if letter == "N" else -6
    number = Decimal(f"{before or '0'}.{after or '0'}")
    value = _value(number.scaleb(exponent), shown)
    tolerance, assumed_tolerance = _tolerance(tolerance_letter, number, exponent, shown)
    unit = "nH" if letter == "N" else "µH"
    alternatives: list[AlternativeReading] = []
    assumed = [f"{letter} stands for the decimal point in {unit} ({_PRACTICE})", *assumed_tolerance]
    if letter == "N" and not after and not tolerance_letter and len(before) == 3:
        # N also is the tolerance letter of 30 %: 100N is 100 nH, or 10 µH 30 %
        other = _three_digits(before)
        if other is not None:
            if not _preferred(before) and _preferred(before[:2]):
                marking = _decode_digits(code, shown, _matched(_DIGITS, code))
                point = AlternativeReading(value, f"{before} nH, N for the decimal point")
                return Marking(code, marking.inductance_h, marking.tolerance, marking.rule,
                               marking.assumed, (point, *marking.alternatives))  # fmt: skip
            alternatives.append(AlternativeReading(other, "figures and power of ten, N for 30 %"))
    if letter == "R" and before and not after:
        assumed.append("R at the end: also how a resistor of that many ohm is marked")
    return Marking(code, value, tolerance, f"{letter} as the decimal point in {unit}",
                   tuple(assumed), tuple(alternatives))  # fmt: skip


def _decode_digits(code: str, shown: str, match: re.Match[str]) -> Marking:
    digits, tolerance_letter = match.groups()
    figures, power = digits[:-1], int(digits[-1])
    if figures[0] == "0":
        raise InputError(f"{shown} begins with 0: a code of figures and power of ten does not")
    if power > 6:
        raise InputError(f"{shown} would be {figures} times 10 to the {power} µH: no such coil")
    number = Decimal(figures).scaleb(power)
    value = _value(number.scaleb(-6), shown)
    tolerance, assumed = _tolerance(tolerance_letter, number, -6, shown)
    kind = "two" if len(figures) == 2 else "three"
    first = f"{kind} figures and a power of ten in µH ({_PRACTICE})"
    assumed = [first, *assumed]
    if not _preferred(figures):
        assumed.append(f"{figures} is no preferred number (IEC 60063, E24): the decode is doubtful")
    alternatives = []
    if _preferred(digits):  # the classic trap: 100 is 10 µH and not 100 µH
        plain = float(Decimal(digits).scaleb(-6))
        alternatives.append(AlternativeReading(plain, f"the plain number {digits} in µH"))
    if len(digits) == 3:
        nano = float(Decimal(figures).scaleb(power - 9))
        alternatives.append(
            AlternativeReading(nano, "figures and power of ten in nH, as on some small coils")
        )
    return Marking(code, value, tolerance, f"{kind} figures and a power of ten in µH",
                   tuple(assumed), tuple(alternatives))  # fmt: skip


def _tolerance(
    letter: str, number: Decimal, exponent: int, shown: str
) -> tuple[float | None, list[str]]:
    if not letter:
        return None, []
    if letter in _TOLERANCE_PERCENT:
        percent = _TOLERANCE_PERCENT[letter]
        return percent / 100, [f"{letter} at the end is a tolerance of {percent} % ({_PRACTICE})"]
    nanohenry = number.scaleb(exponent + 9)
    if letter in _TOLERANCE_NH and nanohenry < 10:
        absolute = Decimal(_TOLERANCE_NH[letter])
        if absolute < nanohenry:
            return float(absolute / nanohenry), [
                f"{letter} at the end is a tolerance of {absolute} nH ({_PRACTICE})"
            ]
    raise InputError(
        f"{shown}: {letter!r} at the end is no tolerance of such a coil",
        hint="did you mean the figure 0?"
        if letter in "OQ"
        else "the usual letters are F G H J K L M N V",
    )


def _value(henry: Decimal, shown: str) -> float:
    if henry <= 0:
        raise InputError(f"{shown} would be 0 H: a link, not an inductor")
    if henry > _LARGEST_H:
        raise InputError(f"{shown} would be {format_si(float(henry), 'H')}: no such coil")
    return float(henry)


def _three_digits(digits: str) -> float | None:
    if digits[0] == "0" or int(digits[2]) > 6:
        return None
    return float(Decimal(digits[:2]).scaleb(int(digits[2]) - 6))


def _preferred(figures: str) -> bool:
    significant = figures.rstrip("0")
    if len(significant) > 2:
        return False
    return int(significant.ljust(2, "0")) in _E24


def _matched(pattern: re.Pattern[str], text: str) -> re.Match[str]:
    match = pattern.fullmatch(text)
    assert match is not None, text
    return match


def _refusal(code: str, shown: str) -> InputError:
    look_alike = code.translate(str.maketrans("OQIL", "0011"))
    if look_alike != code and (_POINT.fullmatch(look_alike) or _DIGITS.fullmatch(look_alike)):
        return InputError(f"{shown} is no inductor marking", hint=f"did you mean {look_alike}?")
    if re.fullmatch(r"[0-9]{1,2}", code):
        return InputError(
            f"{shown} alone says neither nH nor µH",
            hint=f"write '{int(code)} µH' or '{int(code)} nH'",
        )
    if re.fullmatch(r"[0-9]{5,}", code):
        return InputError(f"{shown} has more figures than a marking: it may be a date or lot code")
    if re.fullmatch(r"[0-9]*[KM][0-9]+", code):
        return InputError(f"{shown} is how a resistor is marked: K and M stand for no inductance")
    if not re.search(r"[0-9]", code):
        return InputError(f"{shown} has no figure: it is no inductor marking", hint="such as R47")
    return InputError(
        f"{shown} is no inductor marking that is known here",
        hint="such as R47, 4R7, 100, 332F, 10N, or write it out: '4.7 µH'",
    )
