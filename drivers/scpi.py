"""Read and write SCPI text strictly.

Forms: IEEE 488.2 (8.7: response data NR1, NR2, NR3, string, character data) and SCPI-99 vol. 1
(special numbers 7.2.1.4 and 7.2.1.5, channel lists 8.3.2, error replies 21.8). Instruments answer
numbers in every NRf form (`9.91E37` has no sign in its exponent), so that is what is read; spaces
within, hexadecimal, decimal commas, `nan` and `inf` are refused. White space around is stripped: a
reply that ends CR LF under a line feed terminator leaves a CR.

Everything here raises ReplyMalformed and nothing else for text that is not what it should be.
"""

from __future__ import annotations

__all__ = [
    "ErrorEntry",
    "Number",
    "Sentinels",
    "format_boolean",
    "format_channel_list",
    "format_number",
    "parse_boolean",
    "parse_channel_list",
    "parse_error_entry",
    "parse_identity",
    "parse_integer",
    "parse_number",
    "parse_string",
    "parse_word",
    "split_outside_quotes",
]

import math
import re
from collections.abc import Iterable

from attrs import frozen

from labbench import quantities
from labbench.errors import InputError, QuantityError, ReplyMalformed
from labbench.ports import Identity, Status

_NRF = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,5})?")
_NR1 = re.compile(r"[+-]?[0-9]{1,18}")
_CHARACTER_DATA = re.compile(r"[A-Za-z][A-Za-z0-9_]*")
_STRING = re.compile(r"\"((?:[^\"]|\"\")*)\"|'((?:[^']|'')*)'")
_ERROR = re.compile(r"([+-]?[0-9]{1,6})\s*,\s*\"((?:[^\"]|\"\")*)\"")
#: what is stepped over as a whole: a text in quotes, a bracket, one other character
_UNIT = re.compile(r"\"[^\"]*\"|'[^']*'|\([^()]*\)|[^\"'()]")


@frozen
class Sentinels:
    """Hold the numbers that stand for "over range" and "not a number" (SCPI-99 by default)."""

    over_range: float = 9.9e37
    not_a_number: float = 9.91e37


@frozen
class Number:
    """Hold a number, or None and a status that says why there is none; the raw text always."""

    value: float | None
    status: Status
    raw: str


@frozen
class ErrorEntry:
    """Hold one entry of the error queue; code 0 means that the queue is empty."""

    code: int
    text: str
    raw: str

    def __str__(self) -> str:
        return f"{self.code}, {self.text}" if self.text else str(self.code)


_SCPI_99 = Sentinels()


def parse_number(text: str, sentinels: Sentinels = _SCPI_99) -> Number:
    """Read a number (NR1, NR2, NR3 or NRf).

    |x| at or above the over-range number is no reading, whatever its sign: only +9.9E37 being
    looked for is a mistake met in public drivers. The not-a-number number has either sign too.
    """
    raw = text.strip()
    if not _NRF.fullmatch(raw):
        raise _malformed(raw, "a number")
    value = float(raw)
    if math.isclose(abs(value), sentinels.not_a_number, rel_tol=1e-6):
        return Number(None, "not-measured", raw)
    if abs(value) >= sentinels.over_range * (1 - 1e-9):
        return Number(None, "over-range", raw)
    return Number(value, "ok", raw)


def parse_integer(text: str) -> int:
    """Read an integer (NR1)."""
    raw = text.strip()
    if not _NR1.fullmatch(raw):
        raise _malformed(raw, "an integer")
    return int(raw)


def parse_boolean(text: str) -> bool:
    """Read a Boolean reply: 0 or 1 (SCPI-99 vol. 1, 7.3)."""
    raw = text.strip()
    if raw not in ("0", "1"):
        raise _malformed(raw, "0 or 1")
    return raw == "1"


def parse_word(text: str) -> str:
    """Read character data such as `IMM`, or the same in quotes; give it in capitals."""
    raw = text.strip()
    if not _CHARACTER_DATA.fullmatch(raw):
        raise _malformed(raw, "a word")
    return raw.upper()


def parse_string(text: str) -> str:
    """Read string data in single or double quotes; a doubled quote stands for one."""
    raw = text.strip()
    match = _STRING.fullmatch(raw)
    if match is None:
        raise _malformed(raw, "a text in quotes")
    if match[1] is not None:
        return match[1].replace('""', '"')
    return match[2].replace("''", "'")


def parse_error_entry(text: str) -> ErrorEntry:
    """Read a reply of the error queue: `<NR1>,"<text>[;<device information>]"`."""
    raw = text.strip()
    match = _ERROR.fullmatch(raw)
    if match is None:
        raise _malformed(raw, 'a number and a text such as 0,"No error"')
    return ErrorEntry(int(match[1]), match[2].replace('""', '"'), raw)


def parse_identity(text: str) -> Identity:
    """Read an `*IDN?` reply: four fields, maker, model, serial number, firmware (10.14)."""
    raw = text.strip()
    fields = [field.strip() for field in raw.split(",")]
    if len(fields) != 4 or not (fields[0] or fields[1]) or not raw.isprintable():
        raise _malformed(raw, "an identity of four fields")
    maker, model, serial, firmware = fields
    return Identity(maker, model, serial, firmware, raw)


def parse_channel_list(text: str) -> tuple[int, ...]:
    """Read a channel list such as `(@101,201:204)`; `(@)` is the empty one."""
    raw = text.strip()
    if re.fullmatch(r"\(\s*@\s*\)", raw):
        return ()
    try:
        return quantities.parse_channel_list(raw)
    except QuantityError as error:
        raise _malformed(raw, f"a channel list: {error.message}") from None


def split_outside_quotes(text: str, separator: str) -> tuple[str, ...]:
    """Split a reply at `,` (fields) or `;` (answers to joined queries), not in quotes or ( )."""
    if not any(mark in text for mark in "\"'()"):
        return tuple(text.split(separator))
    parts: list[str] = []
    begun = at = 0
    while at < len(text):
        if text[at] == separator:
            parts.append(text[begun:at])
            begun = at = at + 1
            continue
        match = _UNIT.match(text, at)
        if match is None:
            raise _malformed(text, "complete: a quote or a bracket is not closed")
        at = match.end()
    return (*parts, text[begun:])


def format_number(value: float) -> str:
    """Write a number as program data (NRf), with 12 digits; raise InputError if not finite."""
    if not math.isfinite(value):
        raise InputError(f"{value} cannot be sent to an instrument")
    return format(value, ".12G")


def format_boolean(state: bool) -> str:
    """Write a Boolean as program data."""
    return "1" if state else "0"


def format_channel_list(channels: Iterable[int]) -> str:
    """Write a channel list, one entry a channel in the order given."""
    return "(@" + ",".join(str(int(channel)) for channel in channels) + ")"


def _malformed(raw: str, expected: str) -> ReplyMalformed:
    shown = raw if len(raw) <= 80 else raw[:80] + "..."
    return ReplyMalformed(f"{shown!r} is not {expected}", answered=raw)
