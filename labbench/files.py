"""Read TOML and JSON into data classes and report every problem of a file at once.

Knows no domain: a class says what its file holds. A field's metadata may say

    unit    "Hz": takes the text "150 kHz" and holds 150e3; "%": takes "20 %" and holds 0.20
    plain   True: with `unit`, a bare number (already SI) is taken as well
    key     the key in the file where it differs from the field's name (`class` for `class_`)
    check   a function of the value that raises `MistakeError` when it cannot be right
    read    a function that makes the value from what the file holds (instead of the type's rule)
    each    such a function for every entry of a list or table
    single  True: a tuple field takes one entry as well as a list of entries
    missing why a required field is needed, said when it is not there
    omit    True: the file does not hold it

Rules between fields belong in `__attrs_post_init__`, which raises `MistakesError`. Numbers are not
read from text nor text from numbers; unknown keys are refused with the nearest known one.
"""

from __future__ import annotations

__all__ = [
    "FileProblems",
    "MistakeError",
    "MistakesError",
    "load_toml",
    "nearest",
    "parse_json_line",
    "read_toml",
    "structure",
    "unreadable",
]

import json
import math
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NoReturn, TypeVar

from labbench.errors import FileProblems, InputError, Problem
from labbench.structuring import (
    MistakeError,
    MistakesError,
    UnstructuredError,
    nearest,
    structured,
)
from labbench.toml_lines import line_of

T = TypeVar("T")

#: a part type or a bench file has a few kilobytes; reading a disk image by mistake is refused
_MAX_TOML_BYTES = 4_000_000
#: a number with a comma as the value of a key: after a comma a key has to follow
_DECIMAL_COMMA = re.compile(r'":\s*-?\d+,\d')
_SYNTAX_PLACE = re.compile(r"^(.*) \(at (?:line (\d+), column (\d+)|end of document)\)$", re.DOTALL)


def read_toml(path: Path) -> dict[str, Any]:
    """Read a TOML file; raise FileProblems with the line of a syntax error.

    A missing file is a problem that names files of like name beside it.
    """
    return _toml_data(_toml_text(path), str(path))


def _toml_data(text: str, file: str) -> dict[str, Any]:
    """Read TOML text; raise FileProblems with the line of a syntax error."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise FileProblems([_syntax_problem(error, text, file)]) from None
    except RecursionError:
        raise FileProblems([Problem(file, "nested too deeply to be read")]) from None


def load_toml(path: Path, cls: type[T]) -> T:
    """Read a TOML file into a data class; raise FileProblems with every problem, line and key."""
    text = _toml_text(path)
    data = _toml_data(text, str(path))
    try:
        return structure(data, cls, file=str(path))
    except FileProblems as found:
        placed = [_with_line(problem, line_of(text, problem.key)) for problem in found.problems]
        raise FileProblems(placed, hint=found.hint) from None


def structure(data: Mapping[str, Any], cls: type[T], *, file: str, line: int | None = None) -> T:
    """Make a data class from a mapping; raise FileProblems with every problem at once."""
    try:
        return structured(data, cls)
    except UnstructuredError as error:
        problems = [
            Problem(file, message, key=key or None, line=line, suggestion=suggestion)
            for key, message, suggestion in error.mistakes
        ]
    raise FileProblems(problems)


def parse_json_line(text: str) -> Any:
    """Read one JSON value strictly (RFC 8259): no NaN or infinity, no key twice, finite numbers.

    Raises InputError with the reason and the column.
    """
    try:
        value = json.loads(
            text,
            object_pairs_hook=_pairs_once,
            parse_constant=_refuse_constant,
            parse_float=_finite_float,
        )
    except json.JSONDecodeError as error:
        comma = ": a number takes a point, no comma" if _DECIMAL_COMMA.search(text) else ""
        raise InputError(f"not JSON: {error.msg} (column {error.colno}){comma}") from None
    except RecursionError:
        raise InputError("not readable: nested too deeply") from None
    except ValueError as error:  # MistakeError, or an integer of thousands of digits
        raise InputError(f"not readable: {error}") from None
    if "\\u" in text:
        _refuse_lone_surrogates(value)
    return value


def _with_line(problem: Problem, line: int | None) -> Problem:
    """Give the problem a line where it has none."""
    if problem.line is not None or line is None:
        return problem
    return Problem(problem.file, problem.message, problem.key, line, problem.suggestion)


def _toml_text(path: Path) -> str:
    file = str(path)
    try:
        if path.stat().st_size > _MAX_TOML_BYTES:
            raise FileProblems([Problem(file, f"larger than {_MAX_TOML_BYTES} bytes")])
        return path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise FileProblems([_missing_file(path)]) from None
    except IsADirectoryError:
        raise FileProblems([Problem(file, "is a folder, not a file")]) from None
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        raise FileProblems([Problem(file, "is not UTF-8 text", line=line)]) from None
    except (OSError, ValueError) as error:
        raise FileProblems([Problem(file, unreadable(error))]) from None


def unreadable(error: Exception) -> str:
    """Say why a file cannot be read, without what only a programmer wants to know."""
    if isinstance(error, UnicodeDecodeError):
        line = error.object[: error.start].count(b"\n") + 1
        return f"is not UTF-8 text (line {line})"
    return f"cannot be read: {error.strerror if isinstance(error, OSError) else error}"


def _missing_file(path: Path) -> Problem:
    try:
        beside = [entry.name for entry in path.parent.iterdir() if entry.is_file()]
    except OSError:
        return Problem(str(path), f"there is no folder {str(path.parent)!r}")
    match = nearest(path.name, beside)
    return Problem(
        str(path), "there is no such file", suggestion=str(path.with_name(match)) if match else None
    )


def _syntax_problem(error: tomllib.TOMLDecodeError, text: str, file: str) -> Problem:
    match = _SYNTAX_PLACE.match(str(error))
    if match is None:
        return Problem(file, f"not TOML: {error}")
    line = int(match[2]) if match[2] else text.count("\n") + 1
    column = f" (column {match[3]})" if match[3] else " (at the end)"
    return Problem(file, f"not TOML: {match[1]}{column}", line=line)


def _pairs_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    table = dict(pairs)
    if len(table) != len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for name in names if names.count(name) > 1)
        raise MistakeError(f"the key {twice!r} stands twice")
    return table


def _refuse_constant(name: str) -> NoReturn:
    raise MistakeError(
        f"{name} is no JSON number: a value that could not be had is null with a status"
    )


def _finite_float(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise MistakeError(f"{text[:40]} is beyond any number that can be held")
    return value


def _refuse_lone_surrogates(value: Any) -> None:
    try:
        json.dumps(value, ensure_ascii=False).encode()
    except UnicodeEncodeError:
        raise InputError("not readable: half of a surrogate pair in a text") from None
