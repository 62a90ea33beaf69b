"""Judge readings files: a verdict per test line, in order, problems in their place."""

from __future__ import annotations

__all__ = ["MAXIMUM_SIBLINGS", "judge_files"]

import io
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from itertools import islice
from pathlib import Path
from typing import IO

from attrs import field, frozen

from labbench.errors import FileProblems, InputError, Problem
from labbench.jobs.part_types import for_any_name_or_marking
from labbench.judging.coil import Case, judge_coils
from labbench.judging.coil_lot_book import LotBook
from labbench.judging.stage import judge_stage
from labbench.judging.stage_quantities import StageSiblings
from labbench.judging.switch import judge_mosfet
from labbench.judging.switch_quantities import SwitchSiblings
from labbench.metrology.budgets import Budget, budgets_of_readings
from labbench.parts.coil_type import CoilType
from labbench.parts.mosfet_type import MosfetType
from labbench.parts.part_type import PartType
from labbench.parts.stage_type import StageType
from labbench.records.readings_file import read_readings
from labbench.results import Judgement, Readings

#: lines judged together
_BLOCK = 64
#: test parts of a lot that tell whether its siblings are of the same lot; of all lots together
_COMPANIONS, _MOST_COMPANIONS = 24, 10_000
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
    passes, so memory does not grow with the number of test lines; lines are judged a block at a
    time, which is several times faster than one by one. Raises FileProblems for a file that cannot
    be opened or a part type that cannot be read, before anything is judged. `tell_budgets` is
    given what a line tells of its uncertainties, before its judgement.
    """
    library = _Types(types, parts)
    with ExitStack() as stack:
        opened = [(name, stack.enter_context(_open(name))) for name in files]
        lots = _Lots.gathered(opened)
        book = LotBook()
        for block in _blocks(_cases(opened, library, lots), _BLOCK):
            cases = [item for item in block if isinstance(item, Case)]
            judged = iter(
                judge_coils(cases, risk=risk, false_reject=false_reject, book=book, with_band=False)
            )
            for item in block:
                if isinstance(item, Problem):
                    yield item
                    continue
                if isinstance(item, _Switch):
                    yield item.judged(lots, risk=risk, false_reject=false_reject)
                    continue
                if tell_budgets is not None:
                    at_c = _limit_c(item.part)
                    tell_budgets(budgets_of_readings(item.readings, resistance_at_c=at_c))
                yield next(judged)


@frozen(eq=False)
class _Switch:
    """Hold a test line of a MOSFET or a power stage with its type."""

    readings: Readings
    part: MosfetType | StageType

    def judged(self, lots: _Lots, *, risk: float, false_reject: float) -> Judgement:
        """Judge it by what its lot's siblings say, which is learned once a lot."""
        key = (self.readings.type, self.readings.lot)
        group = lots.siblings.get(key, [])
        if isinstance(self.part, MosfetType):
            if key not in lots.switches:
                lots.switches[key] = SwitchSiblings.of(group)
            return judge_mosfet(
                self.readings, self.part, siblings=lots.switches[key], risk=risk,
                false_reject=false_reject,
            )  # fmt: skip
        if key not in lots.stages:
            lots.stages[key] = StageSiblings.of(group)
        return judge_stage(
            self.readings, self.part, siblings=lots.stages[key], risk=risk,
            false_reject=false_reject,
        )  # fmt: skip


def _cases(
    opened: Sequence[tuple[str, IO[str]]], library: _Types, lots: _Lots
) -> Iterator[Case | _Switch | Problem]:
    """Yield what each test line is judged by, or its problem, in the order of the lines."""
    seen: set[tuple[str, str]] = set()
    for name, file in opened:
        file.seek(0)
        for line in read_readings(file, file=name, seen=seen):
            if isinstance(line, Problem):
                yield line
                continue
            if line.load:
                if line.role == "test":
                    yield _is_a_load(name, line)
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
            if not isinstance(part, CoilType):
                yield _Switch(line, part)
                continue
            siblings = lots.siblings.get((line.type, line.lot), [])
            yield Case(
                line,
                part,
                [s for s in siblings if s.specimen != line.specimen],
                lots.companions.get((line.type, line.lot), []) if siblings else [],
            )


def _is_a_load(name: str, line: Readings) -> Problem:
    message = "readings of a load: `labbench rail --readings` judges them"
    return Problem(file=name, line=line.line, key="load", message=message)


def _blocks(
    items: Iterator[Case | _Switch | Problem], size: int
) -> Iterator[list[Case | _Switch | Problem]]:
    while block := list(islice(items, size)):
        yield block


def _limit_c(part: CoilType) -> float:
    return part.dc_resistance[0].temperature_c if part.dc_resistance else 25.0


def _open(name: str) -> IO[str]:
    if name == "-":
        # two passes need a file that can be rewound; bytes: what is no UTF-8 is told in its place
        spool = tempfile.TemporaryFile("w+b")  # noqa: SIM115
        shutil.copyfileobj(sys.stdin.buffer, spool)
        spool.seek(0)
        return io.TextIOWrapper(spool, encoding="utf-8", errors="surrogateescape")
    try:
        return open(name, encoding="utf-8", errors="surrogateescape")
    except OSError as error:
        raise FileProblems(
            [Problem(file=name, message=f"cannot be opened: {error.strerror}")]
        ) from error


@frozen
class _Lots:
    """Hold the siblings of every type and lot, and some of its test parts as companions."""

    siblings: dict[tuple[str, str | None], list[Readings]]
    companions: dict[tuple[str, str | None], list[Readings]]
    #: what the siblings of a lot say, learned when its first test line is judged
    switches: dict[tuple[str, str | None], SwitchSiblings] = field(factory=dict)
    stages: dict[tuple[str, str | None], StageSiblings] = field(factory=dict)

    @classmethod
    def gathered(cls, opened: Sequence[tuple[str, IO[str]]]) -> _Lots:
        """Read all files once; lines without a lot form one lot per type."""
        siblings: dict[tuple[str, str | None], list[Readings]] = {}
        companions: dict[tuple[str, str | None], list[Readings]] = {}
        kept = 0
        for name, file in opened:
            # unread lines are reported in the second pass, in their place
            for line in read_readings(file, file=name, seen=set()):
                if not isinstance(line, Readings):
                    continue
                if line.role == "sibling":
                    group = siblings.setdefault((line.type, line.lot), [])
                    if len(group) < MAXIMUM_SIBLINGS:
                        group.append(line)
                elif kept < _MOST_COMPANIONS:
                    group = companions.setdefault((line.type, line.lot), [])
                    if len(group) < _COMPANIONS:
                        group.append(line)
                        kept += 1
        return cls(siblings, companions)


class _Types:
    """Find part types by name: those given first, then the library; each is read once."""

    def __init__(self, given: Sequence[str], directories: Sequence[Path]) -> None:
        self._directories = list(directories)
        self._found: dict[str, PartType | Problem] = {}
        problems: list[Problem] = []
        for name in given:
            try:
                part, _ = for_any_name_or_marking(name, self._directories)
            except FileProblems as error:
                problems += error.problems
            else:
                self._found[part.name] = part
        if problems:
            raise FileProblems(problems)

    def find(self, name: str) -> PartType | Problem:
        """Return the part type of that name, or why there is none."""
        if name not in self._found:
            try:
                self._found[name], _ = for_any_name_or_marking(name, self._directories)
            except FileProblems as error:
                first = error.problems[0]
                self._found[name] = Problem(
                    file=first.file, message=first.message, suggestion=first.suggestion
                )
            except InputError as error:
                self._found[name] = Problem(file=name, message=error.message)
        return self._found[name]
