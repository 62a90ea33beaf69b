"""Gather the parts that matching may choose from: the shelf, or verdict files."""

from __future__ import annotations

__all__ = [
    "Offer",
    "VerdictLines",
    "judgement_of",
    "offers_of_shelf",
    "offers_of_verdicts",
    "read_lines",
    "read_verdict",
]

import math
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from attrs import evolve, frozen

from labbench.errors import FileProblems, InputError, Problem
from labbench.files import parse_json_line, unreadable
from labbench.jobs.shelf_parts import ShelfPart, shelf_parts
from labbench.metrology.placements import Placement, pool_placements
from labbench.metrology.resistance import WHERE_PROBES_TOUCH
from labbench.records.folder import DataFolder
from labbench.records.journal import read_journal
from labbench.records.readings_file import judgement_from_json
from labbench.records.store import RunRow
from labbench.results import Judgement

_DC = "dc-resistance"


@frozen
class Offer:
    """Hold a part with its verdict, and why it cannot be had although it is fit."""

    judgement: Judgement
    why_not: str | None = None

    @property
    def specimen(self) -> str:
        """Name it."""
        return self.judgement.specimen


@frozen(kw_only=True)
class VerdictLines:
    """Hold what verdict files gave: parts, problems, and what was passed over."""

    offers: tuple[Offer, ...]
    problems: tuple[Problem, ...]
    notes: tuple[str, ...]


def offers_of_shelf(data: DataFolder, *, reserved_for: str | None = None) -> list[Offer]:
    """Return every verified part that is neither fitted nor scrapped.

    Those that cannot be had all the same say why.
    """
    return [
        Offer(judgement_of(part), _why_not(part, reserved_for))
        for part in shelf_parts(data)
        if part.life.state in ("at-hand", "reserved")
    ]


def offers_of_verdicts(files: Sequence[str]) -> VerdictLines:
    """Read verdict/1 lines (`-` for standard input), with every problem of all files."""
    offers: list[Offer] = []
    problems: list[Problem] = []
    notes: list[str] = []
    seen: set[str] = set()
    for file in files:
        try:
            lines = read_lines(file)
        except FileProblems as error:
            problems += error.problems
            continue
        for number, data in lines:
            if isinstance(data, Problem):
                problems.append(data)
                continue
            if data.get("schema") == "problem/1":
                notes.append(f"{file}, line {number} holds a problem, not a verdict: passed over")
                continue
            try:
                judgement = read_verdict(data, file, number)
            except FileProblems as error:
                problems += error.problems
                continue
            if judgement.specimen in seen:
                problems.append(
                    Problem(file, f"{judgement.specimen!r} came before: one verdict for each part",
                            key="specimen", line=number)
                )  # fmt: skip
            seen.add(judgement.specimen)
            offers.append(Offer(judgement))
    return VerdictLines(offers=tuple(offers), problems=tuple(problems), notes=tuple(notes))


def judgement_of(part: ShelfPart) -> Judgement:
    """Return the last verdict on a part of the shelf; of several its DC resistance is their mean.

    Each verdict is a new placement, so what the probes' position leaves open averages out.
    """
    verdict = {key: value for key, value in (part.run.judged or {}).items() if key != "band"}
    judgement = judgement_from_json(verdict, file=part.run.journal)
    if not part.earlier:
        return judgement
    placements = [p for p in map(_placement, (part.run, *part.earlier)) if p is not None]
    if len(placements) < 2:
        return judgement
    mean = pool_placements(placements)
    return evolve(
        judgement,
        characteristics=tuple(
            evolve(each, value=mean.value, expanded_uncertainty=2.0 * mean.u)
            if each.name == _DC else each
            for each in judgement.characteristics
        ),
    )  # fmt: skip


def _placement(row: RunRow) -> Placement | None:
    """Return the DC resistance of a run with what its budget says of the probes' position."""
    for each in (row.judged or {}).get("characteristics", ()):
        if each["name"] == _DC and each["value"] and each["expanded_uncertainty"]:
            events = read_journal(Path(row.journal)).of_kind("measured")
            budget = events[-1].data.get("dc_budget", ()) if events else ()
            touch = math.hypot(
                *(line["u"] for line in budget if line["label"] == WHERE_PROBES_TOUCH)
            )
            return Placement(each["value"], each["expanded_uncertainty"] / 2.0, touch)
    return None


def _why_not(part: ShelfPart, reserved_for: str | None) -> str | None:
    life = part.life
    if part.is_check_standard:
        return "check standard, never fitted"
    if not part.stands:
        return "lifted off a board and not verified since"
    if life.state == "reserved" and (life.reserved_for or "").casefold() != (
        reserved_for or ""
    ).casefold():  # fmt: skip
        return f"reserved for {life.reserved_for} (--for lets it be chosen)"
    return None


def read_lines(file: str) -> list[tuple[int, dict[str, Any] | Problem]]:
    """Read JSON lines, each an object or its problem; raise FileProblems for the file itself."""
    try:
        data = sys.stdin.buffer.read() if file == "-" else Path(file).read_bytes()
        text = data.decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise FileProblems([Problem(file, unreadable(error))]) from error
    found: list[tuple[int, dict[str, Any] | Problem]] = []
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.strip():
            continue
        try:
            data = parse_json_line(line)
        except InputError as error:
            found.append((number, Problem(file, error.message, line=number)))
            continue
        if not isinstance(data, dict):
            found.append((number, Problem(file, "must be a JSON object", line=number)))
        else:
            found.append((number, data))
    return found


def read_verdict(data: dict[str, Any], file: str, line: int) -> Judgement:
    """Read a verdict/1 object; raise FileProblems with its line."""
    if data.get("schema") != "verdict/1":
        text = f"must be a verdict ('verdict/1'), not {data.get('schema')!r}"
        raise FileProblems([Problem(file, text, key="schema", line=line)])
    try:
        return judgement_from_json(data, file=file)
    except FileProblems as error:
        raise FileProblems(
            [Problem(p.file, p.message, p.key, line, p.suggestion) for p in error.problems]
        ) from error
