"""Program messages of IEEE 488.2: one line of bytes into headers and data elements.

Units come out one by one, so that those before a mistake are carried out, as an instrument does
it. The mistake itself comes as a :class:`~sim.scpi.errors.ScpiError`. Clause numbers are those of
IEEE 488.2 chapter 7, from memory.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from sim.scpi.errors import ScpiError

Kind = Literal["number", "based-number", "characters", "string", "block", "expression"]

# White space is every control character but the line feed, and the space (7.4.1.2).
_WHITE = re.compile(r"[\x00-\x09\x0b-\x20]*")
_HEADER = re.compile(r"(?P<lead>[*:]?)(?P<path>[A-Za-z]\w*(?::[A-Za-z]\w*)*)(?P<query>\??)", re.A)
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)")
_EXPONENT = re.compile(r"[\x00-\x09\x0b-\x20]*[Ee][\x00-\x09\x0b-\x20]*([+-]?[0-9]+)")
_SUFFIX = re.compile(r"[\x00-\x09\x0b-\x20]*([A-Za-z/][A-Za-z0-9/.-]*)")
_CHARACTERS = re.compile(r"[A-Za-z]\w*", re.A)
_BASED = re.compile(r"#(?:[Hh](?P<hex>[0-9A-Fa-f]+)|[Qq](?P<oct>[0-7]+)|[Bb](?P<bin>[01]+))")
_LONGEST_NAME = 12  # mnemonics, character data and suffixes alike
_MOST_DIGITS = 255  # 7.7.2.4.1
_LARGEST_EXPONENT = 32000  # 7.7.2.4.1


@dataclass(frozen=True)
class Datum:
    """One data element: what kind it is, its text, and the suffix of a number."""

    kind: Kind
    text: str
    suffix: str = ""


@dataclass(frozen=True)
class MessageUnit:
    """One command or query of a message."""

    header: tuple[str, ...]
    query: bool
    data: tuple[Datum, ...]
    common: bool = False
    from_root: bool = False

    @property
    def text(self) -> str:
        """Return the header as it was sent, for the error queue."""
        lead = "*" if self.common else ":" if self.from_root else ""
        return lead + ":".join(self.header) + ("?" if self.query else "")


def message_units(message: bytes) -> Iterator[MessageUnit]:
    """Yield the units of one message, which comes without its terminator.

    Raises :class:`ScpiError` at the first thing that is not IEEE 488.2 syntax.
    """
    # Latin-1 maps each byte to one character: offsets stay byte offsets, nothing is undecodable.
    yield from _Reader(message.decode("latin-1")).units()


class _Reader:
    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0

    def units(self) -> Iterator[MessageUnit]:
        while True:
            self._skip_white()
            here = self._peek()
            if not here:
                return
            if here == ";":
                self._at += 1
                continue
            yield self._unit()

    def _unit(self) -> MessageUnit:
        match = _HEADER.match(self._text, self._at)
        if match is None:
            raise self._unexpected(-102)
        path = tuple(match["path"].split(":"))
        if any(len(mnemonic) > _LONGEST_NAME for mnemonic in path):
            raise ScpiError(-112, match[0])
        if match["lead"] == "*" and len(path) > 1:
            raise ScpiError(-113, match[0])
        self._at = match.end()
        if self._peek() not in ("", ";") and not self._skip_white():
            raise self._unexpected(-111)
        data = self._data()
        return MessageUnit(
            header=path,
            query=bool(match["query"]),
            data=data,
            common=match["lead"] == "*",
            from_root=match["lead"] == ":",
        )

    def _data(self) -> tuple[Datum, ...]:
        data: list[Datum] = []
        self._skip_white()
        while self._peek() not in ("", ";") or data:
            data.append(self._datum())
            self._skip_white()
            separator = self._peek()
            if separator in ("", ";"):
                break
            if separator != ",":
                raise self._unexpected(-103)
            self._at += 1
            self._skip_white()
        return tuple(data)

    def _datum(self) -> Datum:
        here = self._peek()
        if here.isascii():
            if here.isdigit() or here in ("+", "-", "."):
                return self._number()
            if here.isalpha():
                return self._characters()
            if here in ("'", '"'):
                return self._string(here)
            if here == "#":
                return self._after_hash()
            if here == "(":
                return self._expression()
        raise self._unexpected(-102)

    def _number(self) -> Datum:
        mantissa = self._take(_NUMBER)
        if mantissa is None:
            raise self._unexpected(-121)
        if sum(character.isdigit() for character in mantissa[0]) > _MOST_DIGITS:
            raise ScpiError(-124)
        text = mantissa[0]
        exponent = self._take(_EXPONENT)
        if exponent is not None:
            # The digits are counted before they are converted: a line full of them is no number.
            digits = exponent[1].lstrip("+-").lstrip("0")
            if len(digits) > 5 or int(digits or "0") > _LARGEST_EXPONENT:
                raise ScpiError(-123)
            text += "E" + exponent[1]
        suffix = self._take(_SUFFIX)
        if suffix is not None and len(suffix[1]) > _LONGEST_NAME:
            raise ScpiError(-134)
        if self._peek() in ("+", "-", ".", "_"):
            raise self._unexpected(-121)
        return Datum("number", text, suffix[1].upper() if suffix is not None else "")

    def _characters(self) -> Datum:
        match = self._take(_CHARACTERS)
        assert match is not None
        if len(match[0]) > _LONGEST_NAME:
            raise ScpiError(-144, match[0])
        return Datum("characters", match[0])

    def _string(self, quote: str) -> Datum:
        parts: list[str] = []
        while True:
            end = self._text.find(quote, self._at + 1)
            if end < 0:
                raise ScpiError(-151, "no closing quote")
            parts.append(self._text[self._at + 1 : end])
            self._at = end + 1
            if self._peek() != quote:  # a doubled quote stands for one
                break
        content = quote.join(parts)
        if not content.isascii():
            raise ScpiError(-101, "in a string")
        return Datum("string", content)

    def _after_hash(self) -> Datum:
        based = self._take(_BASED)
        if based is not None:
            for name, base in (("hex", 16), ("oct", 8), ("bin", 2)):
                if based[name] is not None:
                    if len(based[name]) > _MOST_DIGITS:
                        raise ScpiError(-124)
                    return Datum("based-number", str(int(based[name], base)))
        count = self._text[self._at + 1 : self._at + 2]
        if count == "0":
            content = self._text[self._at + 2 :]  # indefinite length: to the end of the message
            self._at = len(self._text)
            return Datum("block", content)
        if not (count.isascii() and count.isdigit()):
            raise ScpiError(-121 if count.upper() in ("H", "Q", "B") else -161)
        start = self._at + 2 + int(count)
        length = self._text[self._at + 2 : start]
        if not (length.isascii() and length.isdigit() and len(length) == int(count)):
            raise ScpiError(-161, "no length")
        if start + int(length) > len(self._text):
            raise ScpiError(-161, "shorter than its length says")
        self._at = start + int(length)
        return Datum("block", self._text[start : self._at])

    def _expression(self) -> Datum:
        start, depth = self._at, 0
        for position in range(start, len(self._text)):
            here = self._text[position]
            if here == "(":
                depth += 1
            elif here == ")":
                depth -= 1
                if depth == 0:
                    self._at = position + 1
                    return Datum("expression", self._text[start + 1 : position])
            elif here in "\"#';" or not " " <= here <= "~":  # 7.7.7.2
                break
        raise ScpiError(-171, self._text[start : start + 40])

    def _take(self, pattern: re.Pattern[str]) -> re.Match[str] | None:
        match = pattern.match(self._text, self._at)
        if match is not None:
            self._at = match.end()
        return match

    def _skip_white(self) -> bool:
        before = self._at
        match = _WHITE.match(self._text, self._at)
        assert match is not None
        self._at = match.end()
        return self._at > before

    def _peek(self) -> str:
        return self._text[self._at : self._at + 1]

    def _unexpected(self, code: int) -> ScpiError:
        """Return an error about the next character, which is invalid anywhere or only here."""
        here = self._peek()
        if here and not " " <= here <= "~":
            return ScpiError(-101, f"byte {ord(here)}")
        return ScpiError(
            code, f"at {self._text[self._at : self._at + 20]}" if here else "at the end"
        )
