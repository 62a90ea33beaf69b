"""Reads the text of scenarios and constructions: TOML tables, quantities with units, suggestions.

A file with several mistakes gets all of them in one error, each with its key and, where a name
is close to a known one, a suggestion.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from labbench.files import FileProblems, read_toml

_PREFIXES: Mapping[str, float] = {
    "p": 1e-12,
    "n": 1e-9,
    "u": 1e-6,
    "µ": 1e-6,  # U+00B5 micro sign
    "μ": 1e-6,  # U+03BC Greek small letter mu
    "m": 1e-3,
    "": 1.0,
    "k": 1e3,
    "M": 1e6,
    "G": 1e9,
}
_SPELLINGS: Mapping[str, tuple[str, ...]] = {
    "ohm": ("ohm", "Ω", "Ω"),
    "degC": ("degC", "°C"),
}
_NUMBER = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(.*?)\s*\Z")


class TextError(Exception):
    """A text that cannot be used, with every problem found in it."""

    def __init__(self, source: str, problems: Iterable[str]) -> None:
        self.source = source
        self.problems = tuple(problems)
        listed = "".join(f"\n  {problem}" for problem in self.problems)
        super().__init__(f"{source}: {len(self.problems)} problem(s){listed}")


def load_toml(path: Path) -> dict[str, Any]:
    """Read the TOML file at `path`; raise TextError when it is missing or not TOML."""
    try:
        return read_toml(path)
    except FileProblems as error:
        raise TextError(str(path), [str(problem) for problem in error.problems]) from error


def quantity(value: object, unit: str) -> float:
    """Read a quantity such as `"470 nH"` in SI; `unit` is the bare unit, `"H"`, `"ohm"`, `"%"`.

    A percentage becomes a ratio; a bare number is refused (it hides its unit) unless
    `unit` is `""`. Raise ValueError with one sentence that says what was wrong.
    """
    if isinstance(value, bool):
        raise ValueError(f"{value!r} is not a quantity")
    if isinstance(value, int | float):
        if unit:
            raise ValueError(f'{value!r} has no unit: write it as text, like "{value} {unit}"')
        return _finite(float(value), value)
    if not isinstance(value, str):
        raise ValueError(f"{value!r} is not a quantity")
    match = _NUMBER.match(value)
    if match is None:
        raise ValueError(f'"{value}" does not begin with a number (decimal point, no comma)')
    number, suffix = float(match[1]), match[2]
    if unit == "%":
        if suffix != "%":
            raise ValueError(f'"{value}" is not a percentage')
        return _finite(number / 100.0, value)
    for spelling in _SPELLINGS.get(unit, (unit,)):
        if suffix.endswith(spelling):
            prefix = suffix[: len(suffix) - len(spelling)]
            if prefix in _PREFIXES and not (unit == "degC" and prefix):
                return _finite(number * _PREFIXES[prefix], value)
    raise ValueError(f'"{value}" is not in {unit or "plain numbers"}')


def did_you_mean(name: str, known: Iterable[str]) -> str:
    """Suggest the known name nearest to `name`, or list the known ones."""
    candidates = sorted(known)
    near = difflib.get_close_matches(name, candidates, n=1, cutoff=0.6)
    if near:
        return f'did you mean "{near[0]}"?'
    return "known: " + ", ".join(candidates) if candidates else "none is known"


class Table:
    """One table of a text file, read key by key; problems are collected, not raised."""

    def __init__(self, data: object, where: str, problems: list[str]) -> None:
        self.where = where
        self._problems = problems
        self._read: set[str] = set()
        self._data: dict[str, Any] = {}
        if isinstance(data, dict):
            self._data = data
        else:
            self.problem(None, "must be a table")

    def problem(self, key: str | None, message: str) -> None:
        """Note a problem with `key`, or with the whole table when it is None."""
        place = self.where if key is None else f"{self.where}.{key}" if self.where else key
        self._problems.append(f"{place}: {message}" if place else message)

    def __contains__(self, key: str) -> bool:
        return key in self._data

    def raw(self, key: str, default: Any = None) -> Any:
        """Give the value as the file has it."""
        self._read.add(key)
        return self._data.get(key, default)

    def _present(self, key: str, default: object) -> bool:
        self._read.add(key)
        if key in self._data:
            return True
        if default is None:
            self.problem(key, "is missing")
        return False

    def text(self, key: str, default: str | None = None, *, known: Iterable[str] = ()) -> str:
        """Read a text, if `known` is given one of these."""
        if not self._present(key, default):
            return default or ""
        value = self._data[key]
        if not isinstance(value, str) or not value:
            self.problem(key, f"{value!r} is not a text")
            return default or ""
        choices = list(known)
        if choices and value not in choices:
            self.problem(key, f'"{value}" is not known; {did_you_mean(value, choices)}')
        return value

    def quantity(
        self,
        key: str,
        unit: str,
        default: float | None = None,
        *,
        at_least: float = -math.inf,
        at_most: float = math.inf,
    ) -> float:
        """Read a quantity in SI within its limits."""
        fallback = 0.0 if default is None else default
        if not self._present(key, default):
            return fallback
        try:
            value = quantity(self._data[key], unit)
        except ValueError as error:
            self.problem(key, str(error))
            return fallback
        if not at_least <= value <= at_most:
            limits = f"{at_least:g} to {at_most:g} {unit}".strip()
            self.problem(key, f"{self._data[key]!r} is outside {limits}")
            return fallback
        return value

    def whole(
        self, key: str, default: int | None = None, *, at_least: int = 0, at_most: int = 2**63 - 1
    ) -> int:
        """Read a whole number within its limits."""
        fallback = at_least if default is None else default
        if not self._present(key, default):
            return fallback
        value = self._data[key]
        if isinstance(value, bool) or not isinstance(value, int):
            self.problem(key, f"{value!r} is not a whole number")
            return fallback
        if not at_least <= value <= at_most:
            self.problem(key, f"{value} is outside {at_least} to {at_most}")
            return fallback
        return value

    def truth(self, key: str, default: bool) -> bool:
        """Read true or false."""
        value = self.raw(key, default)
        if not isinstance(value, bool):
            self.problem(key, f"{value!r} is not true or false")
            return default
        return value

    def table(self, key: str) -> Table:
        """Read a table inside this one; an absent one is empty."""
        place = f"{self.where}.{key}" if self.where else key
        return Table(self.raw(key, {}), place, self._problems)

    def tables(self, key: str) -> list[Table]:
        """Read a list of tables; an absent one is empty."""
        value = self.raw(key, [])
        place = f"{self.where}.{key}" if self.where else key
        if not isinstance(value, list):
            self.problem(key, "must be a list of tables")
            return []
        return [
            Table(item, f"{place}[{number}]", self._problems)
            for number, item in enumerate(value, start=1)
        ]

    def refuse_the_rest(self, known: Iterable[str] = ()) -> None:
        """Note every key that nobody read."""
        choices = self._read | set(known)
        for key in self._data:
            if key not in choices:
                self.problem(key, f"unknown key; {did_you_mean(key, choices)}")


def _finite(value: float, text: object) -> float:
    if not math.isfinite(value):
        raise ValueError(f"{text!r} is not a finite number")
    return value
