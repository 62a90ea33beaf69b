"""What a command takes: each parameter turns one data element into a value or refuses it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Protocol

from sim.scpi.errors import ScpiError
from sim.scpi.headers import HeaderTree, short_form
from sim.scpi.messages import Datum, message_units
from sim.scpi.numbers import INFINITY, NOT_A_NUMBER, nearest_integer, scaled

Limits = Callable[[], tuple[float, float, float]]  # least, largest, default

_NOT_ALLOWED = {
    "number": -128,
    "based-number": -128,
    "characters": -148,
    "string": -158,
    "block": -168,
    "expression": -178,
}
_MOST_CHANNELS = 1000  # in one list; a range with more numbers than that is a slip or an attack


class Parameter(Protocol):
    """One parameter of a command."""

    @property
    def optional(self) -> bool:
        """Tell whether it may be left out; the handler's own default then counts."""

    def read(self, datum: Datum) -> object:
        """Return the value of a data element; raises :class:`ScpiError`."""


def _refuse(datum: Datum) -> ScpiError:
    return ScpiError(_NOT_ALLOWED[datum.kind], datum.text[:40])


def is_word(sent: str, word: str) -> bool:
    """Tell whether characters are the long or the short form of a word such as ``MAXimum``."""
    return sent.upper() in (word.upper(), short_form(word))


@dataclass(frozen=True)
class Number:
    """A number with an optional unit, or MINimum, MAXimum, DEFault where there are limits.

    The range itself is the instrument's to check: it may depend on other settings.
    """

    unit: str = ""
    limits: Limits | None = None
    integer: bool = False
    optional: bool = False

    def read(self, datum: Datum) -> float | int:
        """Return the number in the unit; an integer where one is wanted."""
        if datum.kind == "number":
            value = scaled(datum.text, datum.suffix, self.unit)
        elif datum.kind == "based-number":
            value = float(datum.text)
        elif datum.kind == "characters":
            value = self._named(datum)
        else:
            raise _refuse(datum)
        if not math.isfinite(value):
            raise ScpiError(-222, datum.text[:40])
        return nearest_integer(value) if self.integer else value

    def _named(self, datum: Datum) -> float:
        for word, value in (("INFinity", INFINITY), ("NINF", -INFINITY), ("NAN", NOT_A_NUMBER)):
            if is_word(datum.text, word):
                return value
        if self.limits is not None:
            return Limit(self.limits).read(datum)
        raise _refuse(datum)


@dataclass(frozen=True)
class Limit:
    """MINimum, MAXimum or DEFault in a query: which limit of a setting is asked for."""

    limits: Limits
    optional: bool = True

    def read(self, datum: Datum) -> float:
        """Return the limit."""
        if datum.kind != "characters":
            raise _refuse(datum)
        for word, value in zip(("MINimum", "MAXimum", "DEFault"), self.limits(), strict=True):
            if is_word(datum.text, word):
                return value
        raise _refuse(datum)


@dataclass(frozen=True)
class Boolean:
    """``ON``, ``OFF``, or a number, which counts as off if it rounds to zero (from memory)."""

    optional: bool = False

    def read(self, datum: Datum) -> bool:
        """Return the truth."""
        if datum.kind == "characters":
            words = {"ON": True, "OFF": False}
            if datum.text.upper() not in words:
                raise ScpiError(-224, datum.text)
            return words[datum.text.upper()]
        if datum.kind in ("number", "based-number"):
            return nearest_integer(scaled(datum.text, datum.suffix, "")) != 0
        raise _refuse(datum)


@dataclass(frozen=True)
class Choice:
    """One word of a closed list; the value is its short form."""

    words: tuple[str, ...]
    optional: bool = False

    def read(self, datum: Datum) -> str:
        """Return the short form of the word sent."""
        if datum.kind != "characters":
            raise _refuse(datum)
        for word in self.words:
            if is_word(datum.text, word):
                return short_form(word)
        raise ScpiError(-224, datum.text)


class Named:
    """A string that names one thing in the words of a header, such as ``"VOLTage[:DC]"``."""

    optional = False

    def __init__(self, names: Mapping[str, str]) -> None:
        """Take headers and what each stands for."""
        self._tree: HeaderTree[str] = HeaderTree()
        for header, value in names.items():
            self._tree.add(header, value)

    def read(self, datum: Datum) -> str:
        """Return what the name stands for."""
        if datum.kind != "string":
            raise _refuse(datum)
        try:
            units = list(message_units(datum.text.encode("ascii")))
            if len(units) == 1 and not (units[0].query or units[0].common or units[0].data):
                return self._tree.find(units[0].header)[0]
        except ScpiError:
            pass
        raise ScpiError(-224, datum.text[:40])


@dataclass(frozen=True)
class ChannelList:
    """A channel list such as ``(@101,201:203)``; a range may run downwards."""

    optional: bool = False

    def read(self, datum: Datum) -> list[int]:
        """Return the channel numbers in the order they were named; ``(@)`` names none."""
        if datum.kind != "expression":
            raise _refuse(datum)
        if not datum.text.startswith("@"):
            raise ScpiError(-171, f"({datum.text[:40]})")
        body = datum.text[1:].strip()
        channels: list[int] = []
        for entry in body.split(",") if body else []:
            ends = [end.strip() for end in entry.split(":")]
            if len(ends) > 2 or not all(
                end.isascii() and end.isdigit() and len(end) <= 9 for end in ends
            ):
                raise ScpiError(-171, f"({datum.text[:40]})")
            first, last = int(ends[0]), int(ends[-1])
            if len(channels) + abs(last - first) >= _MOST_CHANNELS:
                raise ScpiError(-223, f"({datum.text[:40]})")
            step = 1 if last >= first else -1
            channels.extend(range(first, last + step, step))
        return channels
