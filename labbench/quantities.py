"""Read and write values with units, strictly.

Reads `150 nH`, `0.29 mΩ`, `4R7`, `2u2`, `20 %`, `25 °C`; micro as µ (U+00B5), μ (U+03BC) or u; ohm
as Ω (U+2126), Ω (U+03A9), `ohm` or `Ohm`. Refuses a decimal comma, a missing or foreign unit, a
prefix in the wrong case (milli and mega are a factor 1e9 apart), digit groups, NaN and infinity,
always with the reason and, where it can be guessed, what was meant. Values are SI floats.

Letter codes (`4R7`, `R47`, `4K7`; for farad and henry `2u2`, `n47`) follow the value code of
IEC 60062. That standard is for resistors and capacitors; henry is read by the same rule because
nothing in `2u2` is ambiguous. `4R7` as an inductance is a marking: `labbench.parts.markings`.
"""

from __future__ import annotations

__all__ = [
    "UNITS",
    "format_si",
    "parse_channel_list",
    "parse_quantity",
    "parse_with_tolerance",
]

import math
import re
from decimal import ROUND_HALF_EVEN, Context, Decimal
from typing import Final

from labbench.errors import QuantityError

#: canonical unit -> how it may be written (first: how it is written here)
UNITS: Final[dict[str, tuple[str, ...]]] = {
    "H": ("H",),
    "ohm": ("\u03a9", "\u2126", "ohm", "Ohm"),
    "V": ("V",),
    "A": ("A",),
    "F": ("F",),
    "Hz": ("Hz",),
    "s": ("s",),
    "W": ("W",),
    "J": ("J",),
    "°C": ("°C", "℃", "degC"),
    "%": ("%", "ppm"),
}

_PREFIXES: Final[dict[str, int]] = {
    "f": -15, "p": -12, "n": -9, "µ": -6, "μ": -6, "u": -6, "m": -3,
    "": 0, "k": 3, "M": 6, "G": 9, "T": 12,
}  # fmt: skip
_WRITTEN_PREFIX: Final[dict[int, str]] = {
    -15: "f", -12: "p", -9: "n", -6: "µ", -3: "m", 0: "", 3: "k", 6: "M", 9: "G", 12: "T",
}  # fmt: skip
_UNPREFIXED: Final = frozenset({"°C", "%"})
#: kiloseconds and megaseconds are no unit that anybody at a bench reads
_NO_MULTIPLES: Final = frozenset({"s"})

_NUMBER = r"[+\-−]?[0-9]+(?:\.[0-9]+)?(?:[eE][+\-−]?[0-9]+)?"
# a no-break, thin or narrow space stands before the unit in well-set text (SI Brochure, 5.4.3)
_SPACE = "[ \u00a0\u2009\u202f]*"
_PLAIN = re.compile(rf"({_NUMBER}){_SPACE}([^\s0-9.,+\-−]+)")
_BARE_NUMBER = re.compile(rf"{_NUMBER}")
_COMMA = re.compile(r"([+\-−]?[0-9]+),([0-9]+)(.*)", re.DOTALL)
_GROUPED = re.compile(r"([+\-−]?[0-9]{1,3}(?:[ \u00a0\u2009\u202f'_][0-9]{3})+)(\D.*)", re.DOTALL)
_NAKED_POINT = re.compile(r"([+\-−]?)(?:(\.[0-9]+)|([0-9]+)\.)(?![0-9])(.*)", re.DOTALL)

# IEC 60062: the letter stands in the place of the decimal point. K is written so in the standard,
# k by everybody; milli is left out for ohm because `4m7` is met both for 4.7 mΩ and for 4.7 MΩ.
_CODE_LETTERS: Final[dict[str, dict[str, int]]] = {
    "ohm": {"R": 0, "K": 3, "k": 3, "M": 6, "G": 9, "T": 12},
    "F": {"p": -12, "n": -9, "u": -6, "µ": -6, "μ": -6, "m": -3, "F": 0},
    "H": {"p": -12, "n": -9, "u": -6, "µ": -6, "μ": -6, "m": -3},
}
_CODE = re.compile(r"([0-9]*)([A-Za-zµμ])([0-9]*)")

_MAX_SHOWN = 60
_MAX_CHANNELS = 10_000
_CHANNEL = re.compile(r"([0-9]{1,9})(?::([0-9]{1,9}))?")


def parse_quantity(text: str, unit: str) -> float:
    """Read a value with its unit and return it in SI.

    `unit` is a key of `UNITS`: "H", "ohm", "V", "A", "F", "Hz", "s", "W", "J", "°C" or "%"
    ("20 %" gives 0.20). Raises QuantityError with the reason and, where it can be guessed, what
    was meant.
    """
    canonical = _canonical(unit)
    stripped = text.strip()
    if not stripped:
        raise QuantityError(
            f"empty, where a value in {_spelled(canonical)} is needed",
            hint=f"write it like {_example(canonical)!r}",
        )
    match = _PLAIN.fullmatch(stripped)
    if match:
        exponent = _exponent(match[2], canonical)
        if exponent is not None:
            return _float(match[1], exponent, stripped)
    coded = _read_code(stripped, canonical)
    if coded is not None:
        return coded
    raise _refusal(stripped, canonical, match)


def parse_with_tolerance(text: str, unit: str) -> tuple[float, float | None]:
    """Read "100 Ω 1 %" or "100 Ω ±1 %": the value in SI and the relative tolerance, or None.

    Raises QuantityError as `parse_quantity` does, and for a tolerance outside 0 to 100 %.
    """
    match = re.fullmatch(r"(.+?)\s*(?:±|\+/-|\s)\s*([^\s±]+\s*(?:%|ppm))", text.strip())
    if match is None:
        return parse_quantity(text, unit), None
    value = parse_quantity(match[1], unit)
    tolerance = parse_quantity(match[2], "%")
    if not 0 < tolerance < 1:
        raise QuantityError(f"{_shown(text)}: a tolerance lies between 0 and 100 %")
    return value, tolerance


def format_si(value: float, unit: str, digits: int = 3) -> str:
    """Write a value with an engineering prefix: "470 nH", "1.52 mΩ", "20 %".

    `digits` significant digits at most; trailing zeros are left out, so a nominal 1 kHz reads
    "1 kHz". `parse_quantity` reads every text this gives. Raises ValueError on NaN, infinity and
    digits below 1.
    """
    canonical = _canonical(unit)
    if not math.isfinite(value):
        raise ValueError(f"{value} has no place in a text with a unit")
    if digits < 1:
        raise ValueError(f"{digits} significant digits: at least one is needed")
    rounded = Decimal(repr(float(value)))
    if canonical == "%":
        rounded = rounded.scaleb(2)
    rounded = Context(prec=digits, rounding=ROUND_HALF_EVEN).plus(rounded)
    if rounded == 0:
        return f"0 {UNITS[canonical][0]}"
    # rounded first: 999.96 with four digits is 1 k, not 1000
    power = 3 * math.floor(rounded.adjusted() / 3)
    highest = 0 if canonical in _NO_MULTIPLES else max(_WRITTEN_PREFIX)
    power = min(max(power, min(_WRITTEN_PREFIX)), highest)
    if canonical in _UNPREFIXED:
        power = 0
    number = rounded.scaleb(-power)
    # 1e-20 A and 1e20 Ω lie beyond the prefixes: an exponent says more than a row of zeros
    plain = -5 < number.adjusted() < max(digits, 6)
    written = f"{number.normalize():f}" if plain else f"{number.normalize():e}"
    return f"{written} {_WRITTEN_PREFIX[power]}{UNITS[canonical][0]}"


def parse_channel_list(text: str) -> tuple[int, ...]:
    """Read a SCPI channel list such as "(@201,202:204)" (SCPI-99 vol. 1, 8.3.2) in its order.

    A range counts up or down. Raises QuantityError on anything else, on a channel named twice and
    on more than 10 000 channels.
    """
    match = re.fullmatch(r"\s*\(\s*@([^()@]*)\)\s*", text)
    if match is None:
        raise QuantityError(
            f"{_shown(text)} is no channel list", hint="write it like '(@101,203:205)'"
        )
    channels: list[int] = []
    for item in match[1].split(","):
        entry = _CHANNEL.fullmatch(item.strip())
        if entry is None:
            raise QuantityError(
                f"{_shown(text)}: {_shown(item.strip())} is neither a channel nor a range",
                hint="write it like '(@101,203:205)'",
            )
        first, last = int(entry[1]), int(entry[2] or entry[1])
        if abs(last - first) + len(channels) >= _MAX_CHANNELS:
            raise QuantityError(f"{_shown(text)}: more than {_MAX_CHANNELS} channels")
        step = 1 if last >= first else -1
        channels.extend(range(first, last + step, step))
    twice = sorted({channel for channel in channels if channels.count(channel) > 1})
    if twice:
        raise QuantityError(f"{_shown(text)}: channel {twice[0]} is named twice")
    return tuple(channels)


def _canonical(unit: str) -> str:
    for canonical, spellings in UNITS.items():
        if unit == canonical or (unit in spellings and unit != "ppm"):
            return canonical
    raise ValueError(f"{unit!r} is no unit of labbench.quantities: {', '.join(UNITS)}")


def _spelled(canonical: str) -> str:
    return {"ohm": "Ω"}.get(canonical, canonical)


def _example(canonical: str) -> str:
    examples = {"H": "470 nH", "ohm": "1.5 mΩ", "F": "220 µF", "Hz": "100 kHz", "°C": "25 °C",
                "%": "20 %", "s": "10 ms"}  # fmt: skip
    return examples.get(canonical, f"1.5 {canonical}")


def _shown(text: str) -> str:
    return repr(text if len(text) <= _MAX_SHOWN else text[:_MAX_SHOWN] + "...")


def _spellings(canonical: str) -> dict[str, int]:
    """List every accepted prefix and unit with its power of ten."""
    if canonical == "%":
        return {"%": -2, "ppm": -6}
    prefixes = {"": 0} if canonical in _UNPREFIXED else _PREFIXES
    return {
        prefix + written: power
        for written in UNITS[canonical]
        for prefix, power in prefixes.items()
    }


_ALL_SPELLINGS: Final = {canonical: _spellings(canonical) for canonical in UNITS}


def _exponent(written: str, canonical: str) -> int | None:
    return _ALL_SPELLINGS[canonical].get(written)


def _float(number: str, exponent: int, text: str) -> float:
    """Convert decimally, so that "470 nH" is the float nearest to 470e-9."""
    sign_and_digits, _, own_exponent = number.replace("−", "-").lower().partition("e")
    value = float(f"{sign_and_digits}e{int(own_exponent or 0) + exponent}")
    if not math.isfinite(value):
        raise QuantityError(f"{_shown(text)} is beyond any number that can be held")
    return value


def _read_code(text: str, canonical: str) -> float | None:
    match = _CODE.fullmatch(text)
    letters = _CODE_LETTERS.get(canonical)
    if match is None or letters is None or match[2] not in letters or not match[1] + match[3]:
        return None
    return _float(f"{match[1] or '0'}.{match[3] or '0'}", letters[match[2]], text)


def _refusal(text: str, canonical: str, plain: re.Match[str] | None) -> QuantityError:
    """Say why a text cannot be read and what was probably meant."""
    unit = _spelled(canonical)
    shown = _shown(text)
    guess: str | None
    if comma := _COMMA.fullmatch(text):
        if len(comma[2]) == 3 and _readable(comma[1] + comma[2] + comma[3], canonical):
            both = f"'{comma[1]}.{comma[2]}{comma[3]}' or '{comma[1]}{comma[2]}{comma[3]}'"
            return QuantityError(
                f"{shown}: a comma; the decimal point is '.'", hint=f"write {both}"
            )
        guess = _readable(f"{comma[1]}.{comma[2]}{comma[3]}", canonical)
        return _refuse(f"{shown}: a decimal comma; the decimal point is '.'", guess)
    if grouped := _GROUPED.fullmatch(text):
        digits = re.sub(r"[^0-9+\-−]", "", grouped[1])
        return _refuse(f"{shown}: digits in groups", _readable(digits + grouped[2], canonical))
    if naked := _NAKED_POINT.fullmatch(text):
        number = f"0{naked[2]}" if naked[2] else naked[3]
        return _refuse(
            f"{shown}: a decimal point needs digits on both sides",
            _readable(f"{naked[1]}{number}{naked[4]}", canonical),
        )
    if _BARE_NUMBER.fullmatch(text):
        return QuantityError(
            f"{shown} has no unit; it needs {unit}", hint=f"write it like {_example(canonical)!r}"
        )
    if plain:
        return _wrong_unit(shown, plain[1], plain[2], canonical)
    code = _CODE.fullmatch(text)
    if code and code[1] + code[3] and (code[1] or code[2] == "R"):
        return _wrong_code(shown, code, canonical)
    if re.match(r"[+\-−]?(nan|inf)", text, re.IGNORECASE):
        return QuantityError(
            f"{shown} is no value that can be used", hint=f"write it like {_example(canonical)!r}"
        )
    return QuantityError(
        f"{shown} is no value in {unit}", hint=f"write it like {_example(canonical)!r}"
    )


def _refuse(why: str, guess: str | None) -> QuantityError:
    return QuantityError(why, hint=f"did you mean {guess!r}?" if guess else None)


def _readable(text: str, canonical: str) -> str | None:
    """Give the text back when it can be read, the usual space put in."""
    stripped = text.strip()
    try:
        parse_quantity(stripped, canonical)
    except QuantityError:
        return None
    match = _PLAIN.fullmatch(stripped)
    return f"{match[1]} {match[2]}" if match else stripped


def _wrong_unit(shown: str, number: str, written: str, canonical: str) -> QuantityError:
    unit = _spelled(canonical)
    if canonical not in _UNPREFIXED and written in _PREFIXES:
        return _refuse(f"{shown} has a prefix but no unit", f"{number} {written}{unit}")
    for other, spellings in _ALL_SPELLINGS.items():
        if other != canonical and written in spellings:
            return QuantityError(f"{shown} is in {_spelled(other)}; it needs {unit}")
    # case matters: only spellings that differ in nothing else are offered
    near = {
        spelling: power
        for spelling, power in _ALL_SPELLINGS[canonical].items()
        if spelling.casefold() == written.casefold()
    }
    if canonical == "ohm" and written.casefold() == "mohm":
        return QuantityError(
            f"{shown}: milli and mega differ by the case of their m only",
            hint=f"write '{number} mΩ' (milliohm) or '{number} MΩ' (megohm)",
        )
    if len(set(near.values())) == 1:
        return _refuse(f"{shown}: {written!r} is not how it is written", f"{number} {min(near)}")
    if near:
        both = " or ".join(f"'{number} {spelling}'" for spelling in sorted(near))
        return QuantityError(f"{shown}: the case of the prefix matters", hint=f"write {both}")
    if canonical == "°C" and written in {"C", "°", "º", "ºC", "deg"}:
        return _refuse(f"{shown}: {written!r} is no degree Celsius", f"{number} °C")
    return QuantityError(
        f"{shown}: {written!r} is no unit of {unit}", hint=f"write it like {_example(canonical)!r}"
    )


def _wrong_code(shown: str, code: re.Match[str], canonical: str) -> QuantityError:
    number = f"{code[1] or '0'}.{code[3] or '0'}".removesuffix(".0")
    letter = code[2]
    if canonical == "H" and letter == "R":
        return QuantityError(
            f"{shown}: R stands for the point of a resistance",
            hint=f"as the marking of an inductor it means '{number} µH': write it so",
        )
    if canonical == "ohm" and letter == "m":
        return QuantityError(
            f"{shown} is met for milliohm and for megohm",
            hint=f"write '{number} mΩ' or '{number} MΩ'",
        )
    if letter == _spelled(canonical):  # 3V3 on a circuit diagram (common practice, no source)
        return _refuse(
            f"{shown}: only resistances and markings put a letter for the point",
            f"{number} {letter}",
        )
    return QuantityError(
        f"{shown}: the letter {letter!r} is no letter code for {_spelled(canonical)}",
        hint=f"write it like {_example(canonical)!r}",
    )
