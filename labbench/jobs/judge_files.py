"""Judge readings files: a verdict per test line, in order, problems in their place."""

from __future__ import annotations

__all__ = ["MAXIMUM_SIBLINGS", "judge_files"]

import shutil
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import IO

from labbench.errors import FileProblems, InputError, Problem
from labbench.judging.coil import judge_coil
from labbench.metrology.budgets import Budget, budgets_of_readings
from labbench.parts.coil_type import CoilType
from labbench.parts.library import find_part_type
from labbench.records.readings_file import read_readings
from labbench.results import Judgement, Readings

#: a reference of more siblings than this decides nothing more and would cost memory
MAXIMUM_SIBLINGS = 200


def judge_files(
    files: Sequence[str],
    *,
    types: Sequence[str] = (),
    parts: Sequence[Path] = (),
    risk: float = 0.05,
    false_reject: float = 0.01,
    tell_budgets: Callable[[Sequence[Budget]], object] | None = None,
) -> Iterator[Judgement | Problem]:
    """Yield a judgement per test line, or the problem of a line that cannot be read.

    `files` are readings/1 files, `-` for standard input; siblings stand anywhere in them. `types`
    are names or files of part types; a line's type must be one of them or in the library. Two
    passes, so memory does not grow with the number of test lines. Raises FileProblems for a file
    that cannot be opened or a part type that cannot be read, before anything is judged.
    `tell_budgets` is given what a line tells of its uncertainties, before its judgement.
    """
    library = _Types(types, parts)
    with ExitStack() as stack:
        opened = [(name, stack.enter_context(_open(name))) for name in files]
        siblings = _collect_siblings(opened)
        seen: set[tuple[str, str]] = set()
        for name, file in opened:
            file.seek(0)
            for line in read_readings(file, file=name, seen=seen):
                if isinstance(line, Problem):
                    yield line
                    continue
                part = library.find(line.type)
                if isinstance(part, Problem):
                    yield Problem(
                        file=name,
                        line=getattr(line, "line", None),
                        key="type",
                        message=part.message,
                        suggestion=part.suggestion,
                    )
                    continue
                if line.role != "test":
                    continue
                reference = [
                    s
                    for s in siblings.get((line.type, line.lot), [])
                    if s.specimen != line.specimen
                ]
                if tell_budgets is not None:
                    tell_budgets(budgets_of_readings(line, resistance_at_c=_limit_c(part)))
                yield judge_coil(
                    line, part, siblings=reference, risk=risk, false_reject=false_reject
                )


def _limit_c(part: CoilType) -> float:
    return part.dc_resistance[0].temperature_c if part.dc_resistance else 25.0


def _open(name: str) -> IO[str]:
    if name == "-":
        # two passes need a file that can be rewound
        spool = tempfile.TemporaryFile("w+", encoding="utf-8")  # noqa: SIM115
        shutil.copyfileobj(sys.stdin, spool)
        spool.seek(0)
        return spool
    try:
        return open(name, encoding="utf-8", errors="surrogateescape")
    except OSError as error:
        raise FileProblems(
            [Problem(file=name, message=f"cannot be opened: {error.strerror}")]
        ) from error


def _collect_siblings(
    opened: Sequence[tuple[str, IO[str]]],
) -> dict[tuple[str, str | None], list[Readings]]:
    """Gather the sibling lines by type and lot; lines without a lot form one lot per type."""
    found: dict[tuple[str, str | None], list[Readings]] = {}
    for name, file in opened:
        # unread lines are reported in the second pass, in their place
        for line in read_readings(file, file=name, seen=set()):
            if isinstance(line, Readings) and line.role == "sibling":
                group = found.setdefault((line.type, line.lot), [])
                if len(group) < MAXIMUM_SIBLINGS:
                    group.append(line)
    return found


class _Types:
    """Find part types by name: those given first, then the library; each is read once."""

    def __init__(self, given: Sequence[str], directories: Sequence[Path]) -> None:
        self._directories = list(directories)
        self._found: dict[str, CoilType | Problem] = {}
        problems: list[Problem] = []
        for name in given:
            try:
                part = find_part_type(name, directories=self._directories)
            except FileProblems as error:
                problems += error.problems
            else:
                self._found[part.name] = part
        if problems:
            raise FileProblems(problems)

    def find(self, name: str) -> CoilType | Problem:
        """Return the part type of that name, or why there is none."""
        if name not in self._found:
            try:
                self._found[name] = find_part_type(name, directories=self._directories)
            except FileProblems as error:
                first = error.problems[0]
                self._found[name] = Problem(
                    file=first.file, message=first.message, suggestion=first.suggestion
                )
            except InputError as error:
                self._found[name] = Problem(file=name, message=error.message)
        return self._found[name]
