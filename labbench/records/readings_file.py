"""Read and write readings/1 files: JSON lines, one specimen a line.

Reading streams: a file of any length needs the memory of one line (and of the ids seen). A line
that cannot be read gives a problem in its place; the others go on.
"""

from __future__ import annotations

__all__ = [
    "judgement_from_json",
    "judgement_to_json",
    "problem_to_json",
    "read_readings",
    "readings_from_json",
    "readings_to_json",
]

import re
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

import attrs

from labbench.errors import FileProblems, InputError, Problem
from labbench.files import nearest, parse_json_line, structure
from labbench.records.readings_tables import ReadingsTable
from labbench.records.verdict_json import (
    judgement_from_json,
    judgement_to_json,
    plain,
    problem_to_json,
)
from labbench.results import Readings

_SCHEMA = "readings/1"
#: a sweep of ten thousand points has less; a line of this length is not a readings file
_MAX_LINE = 4_000_000
#: what a byte becomes that is no UTF-8 (the file is opened with `surrogateescape`)
_NOT_UTF_8 = re.compile("[\udc80-\udcff]")

#: names of the shared data that the file spells without its unit: the block has one unit only
_FILE_NAMES = {
    f"{name}_{unit}": name for name in ("greater_than", "less_than") for unit in ("ohm", "a", "v")
}
_NOT_IN_FILE = frozenset({"line"})


def read_readings(
    lines: Iterable[str], *, file: str, seen: set[tuple[str, str]] | None = None
) -> Iterator[Readings | Problem]:
    """Read each line: its readings, or one problem that names every mistake of the line.

    `seen` holds (specimen, role) of the lines read so far; give one set to several files and a
    duplicate is found across them. Blank lines are passed over.
    """
    known: set[tuple[str, str]] = set() if seen is None else seen
    for number, text in enumerate(lines, start=1):
        stripped = text.removeprefix("\ufeff").strip() if number == 1 else text.strip()
        if not stripped:
            continue
        try:
            readings = _read_line(stripped, file, number)
        except FileProblems as found:
            yield _in_one(found.problems, file, number)
            continue
        identity = (readings.specimen, readings.role)
        if identity in known:
            yield Problem(
                file,
                f"{readings.specimen!r} with role {readings.role!r} came before: "
                "a specimen has one line for each role",
                key="specimen",
                line=number,
            )
            continue
        known.add(identity)
        yield readings


def readings_from_json(
    data: Mapping[str, Any], *, file: str = "readings", line: int | None = None
) -> Readings:
    """Give the readings of one readings/1 object; raise FileProblems with every problem."""
    if (problem := _foreign(data, file, line)) is not None:
        raise FileProblems([problem])
    return structure(data, ReadingsTable, file=file, line=line).to_readings(line)


def readings_to_json(readings: Readings) -> dict[str, Any]:
    """Give the readings/1 object; what is absent is left out.

    Raises ValueError on NaN.
    """
    return {"schema": _SCHEMA, **_written(readings)}


def _written(block: Any) -> dict[str, Any]:
    written: dict[str, Any] = {}
    for field in attrs.fields(type(block)):
        value = getattr(block, field.name)
        if field.name in _NOT_IN_FILE or (value == field.default and not _required(field)):
            continue
        name = _FILE_NAMES.get(field.name, field.name)
        if attrs.has(type(value)):
            written[name] = _written(value)
        elif isinstance(value, tuple) and value and attrs.has(type(value[0])):
            written[name] = [_written(item) for item in value]
        else:
            item = plain(value)
            # infinitely many degrees of freedom are what an absent `dof` means
            if item is not None or value is None:
                written[name] = item
    return written


def _required(field: attrs.Attribute[Any]) -> bool:
    return field.default is attrs.NOTHING


def _read_line(text: str, file: str, number: int) -> Readings:
    if len(text) > _MAX_LINE:
        raise FileProblems([Problem(file, f"longer than {_MAX_LINE} characters", line=number)])
    if not text.isascii() and (foreign := _NOT_UTF_8.search(text)) is not None:
        told = f"not UTF-8 text (column {foreign.start() + 1}): save the file as UTF-8"
        raise FileProblems([Problem(file, told, line=number)])
    try:
        data = parse_json_line(text)
    except InputError as error:
        told = error.message
        if not text.lstrip().startswith(("{", "[")):
            told += f"; a line is one JSON object of {_SCHEMA}, not a row of a table"
        raise FileProblems([Problem(file, told, line=number)]) from None
    if not isinstance(data, dict):
        raise FileProblems([Problem(file, "must be a JSON object", line=number)])
    return readings_from_json(data, file=file, line=number)


def _foreign(data: Mapping[str, Any], file: str, line: int | None) -> Problem | None:
    """Answer a foreign schema with one sentence."""
    schema = data.get("schema")
    if schema == _SCHEMA:
        return None
    shown = "missing" if schema is None else f"must be {_SCHEMA!r}, not {schema!r}"
    near = nearest(schema, (_SCHEMA,)) if isinstance(schema, str) else None
    return Problem(file, shown, key="schema", line=line, suggestion=repr(near) if near else None)


def _in_one(problems: list[Problem], file: str, line: int) -> Problem:
    if len(problems) == 1:
        return problems[0]
    told = []
    for problem in problems:
        text = f"{problem.key}: {problem.message}" if problem.key else problem.message
        told.append(f"{text} (did you mean {problem.suggestion}?)" if problem.suggestion else text)
    return Problem(file, "; ".join(told), line=line)
