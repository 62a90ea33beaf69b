"""Read journals back: at most the last line of one may be torn, and runs that broke off are found.

The writer is labbench.records.journal.
"""

from __future__ import annotations

__all__ = [
    "KINDS",
    "OFF_CONFIRMED",
    "VERSION",
    "JournalEvent",
    "JournalFile",
    "Kind",
    "UnfinishedRun",
    "amendments_of",
    "find_unfinished",
    "is_amendment",
    "read_journal",
    "track_output",
]

import os
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal, get_args

import attrs
from attrs import field, frozen

from labbench.errors import FileProblems, InputError, Problem
from labbench.files import parse_json_line

VERSION = 1

Kind = Literal[
    "opened",
    "identified",
    "asked",
    "answered",
    "connect",
    "about-to-energise",
    "energised",
    "off",
    "output-unknown",
    "step-begun",
    "step-ended",
    "reading",
    "void",
    "instrument-error",
    "recovered",
    "measured",
    "judged",
    "closed",
    "amended",
    # what became of a part after its verdict; such a journal holds no measurement
    "shelf",
]
KINDS: tuple[str, ...] = get_args(Kind)

#: What an amendment says when a supply was read back off after its run had broken off.
OFF_CONFIRMED = "off-confirmed"

_AMENDMENT = re.compile(r"(?P<run>.+)\.amended-(?P<number>\d+)$")
_TAIL_BYTES = 8192


@frozen
class JournalEvent:
    """Hold one line of a journal; `monotonic` is in seconds since some start of that run."""

    version: int
    sequence: int
    utc: str
    monotonic: float
    kind: str
    data: Mapping[str, Any]


@frozen
class JournalFile:
    """Hold a journal as read back; `torn` tells that its last line was cut off while written."""

    path: Path
    events: tuple[JournalEvent, ...]
    torn: bool = False
    torn_bytes: int = 0

    @property
    def note(self) -> str | None:
        """Say that the last line is torn; None where the journal is whole."""
        if not self.torn:
            return None
        return (
            f"{self.path}: the last line ({self.torn_bytes} bytes) is torn, it was being written "
            f"when the run broke off; the {len(self.events)} events before it are whole"
        )

    def of_kind(self, kind: Kind) -> tuple[JournalEvent, ...]:
        """Return the events of one kind, in order."""
        return tuple(event for event in self.events if event.kind == kind)

    def valid_readings(self) -> tuple[JournalEvent, ...]:
        """Return the readings that count: their step ended clean and nothing voided them."""
        clean = {
            event.data.get("step") for event in self.of_kind("step-ended") if event.data["clean"]
        }
        void = {number for event in self.of_kind("void") for number in event.data["readings"]}
        return tuple(
            event
            for event in self.of_kind("reading")
            if event.data.get("step") in clean and event.sequence not in void
        )

    def channels_not_off(self) -> tuple[int, ...]:
        """Return the supply channels that were energised, or about to be, and not read back off."""
        open_channels: set[int] = set()
        for event in self.events:
            track_output(open_channels, event.kind, event.data)
        return tuple(sorted(open_channels))


@frozen
class UnfinishedRun:
    """Name a run after which the output may still be on.

    `channels` is empty where the journal cannot be read: then every channel is meant.
    """

    path: Path
    run: str
    channels: tuple[int, ...]
    since_utc: str | None
    opened: Mapping[str, Any] = field(factory=dict)
    problem: str | None = None


def read_journal(path: Path) -> JournalFile:
    """Read a journal back; accept exactly one torn line, the last, and say so.

    A last line without its line feed counts as torn even where its JSON is complete: its fsync
    never returned, so what it announces was never begun. Raises FileProblems with every other
    line that cannot be read, and where the file is missing.
    """
    try:
        content = path.read_bytes()
    except OSError as error:
        raise FileProblems([Problem(str(path), f"cannot be read: {error.strerror}")]) from error
    *lines, tail = content.split(b"\n")
    torn = tail
    events: list[JournalEvent] = []
    problems: list[Problem] = []
    for number, line in enumerate(lines, start=1):
        try:
            events.append(_event(line, len(events)))
        except ValueError as error:
            if number == len(lines) and not tail and isinstance(error, _UnreadableError):
                # The first half of the block that held the last line never reached the disk.
                torn = line + b"\n"
            else:
                problems.append(Problem(str(path), str(error), line=number))
    if events and events[0].kind != "opened":
        problems.append(Problem(str(path), "the first event is not `opened`", line=1))
    if problems:
        raise FileProblems(problems, hint="is this a journal, and has nobody edited it?")
    return JournalFile(path, tuple(events), bool(torn), len(torn))


def find_unfinished(directory: Path) -> list[UnfinishedRun]:
    """Find runs that were energised, or about to be, without having been read back off.

    A journal that cannot be read is listed as well: nobody knows how that run ended. Most
    journals are decided by their last line alone, so that thousands of them cost little.
    """
    journals = sorted(directory.glob("*.jsonl"))
    amended: dict[str, list[Path]] = {}
    for path in journals:
        if match := _AMENDMENT.match(path.stem):
            amended.setdefault(match["run"], []).append(path)
    found = []
    for path in journals:
        if is_amendment(path) or _closed_with_output_off(path):
            continue
        if any(_confirms_off(amendment) for amendment in amended.get(path.stem, ())):
            continue
        try:
            journal = read_journal(path)
        except FileProblems as error:
            found.append(UnfinishedRun(path, path.stem, (), None, problem=str(error)))
            continue
        if channels := journal.channels_not_off():
            since = journal.of_kind("about-to-energise")[-1].utc
            found.append(UnfinishedRun(path, path.stem, channels, since, journal.events[0].data))
    return found


def amendments_of(path: Path) -> tuple[Path, ...]:
    """Return the amendments that stand beside a journal, in the order they were made."""
    found = []
    for candidate in path.parent.glob("*.jsonl"):
        match = _AMENDMENT.match(candidate.stem)
        if match and match["run"] == path.stem:
            found.append((int(match["number"]), candidate))
    return tuple(candidate for _, candidate in sorted(found))


def is_amendment(path: Path) -> bool:
    """Tell whether a journal is an amendment to another one, by its name."""
    return _AMENDMENT.match(path.stem) is not None


class _UnreadableError(ValueError):
    """Tell a line that is no JSON from one that is no event of ours: only the first may be torn."""


def _event(line: bytes, expected_sequence: int) -> JournalEvent:
    """Read one line strictly; raise ValueError with what is wrong with it."""
    try:
        event = parse_json_line(line.decode())
    except UnicodeDecodeError as error:
        raise _UnreadableError(f"not UTF-8: {error.reason}") from error
    except InputError as error:
        raise _UnreadableError(error.message) from error
    expected = tuple(attribute.name for attribute in attrs.fields(JournalEvent))
    if not isinstance(event, dict) or set(event) != set(expected):
        raise ValueError(f"is not an object with the keys {', '.join(expected)}")
    if event["version"] != VERSION:
        raise ValueError(f"has version {event['version']}; this tool reads version {VERSION}")
    if event["kind"] not in KINDS:
        raise ValueError(f"has the unknown kind {event['kind']!r}")
    if event["sequence"] != expected_sequence:
        raise ValueError(f"has sequence {event['sequence']}, expected {expected_sequence}")
    if not isinstance(event["data"], dict):
        raise ValueError("has data that is no object")
    return JournalEvent(**event)


def _closed_with_output_off(path: Path) -> bool:
    """Tell from the end of the file alone that the run was closed with every output off."""
    try:
        with path.open("rb") as file:
            size = file.seek(0, os.SEEK_END)
            file.seek(max(0, size - _TAIL_BYTES))
            lines = file.read().splitlines(keepends=True)
        if not lines or not lines[-1].endswith(b"\n"):
            return False
        last = parse_json_line(lines[-1].decode())
        return bool(last["kind"] == "closed" and last["data"]["channels_not_off"] == [])
    except (OSError, ValueError, KeyError, TypeError, InputError):
        return False  # the whole file then decides


def _confirms_off(amendment: Path) -> bool:
    try:
        said = read_journal(amendment).of_kind("amended")
    except FileProblems:
        return False
    return any(event.data.get("what") == OFF_CONFIRMED for event in said)


def track_output(open_channels: set[int], kind: str, data: Mapping[str, Any]) -> None:
    """Follow which channels may be on: add at `about-to-energise`, discard at `off`."""
    if kind in ("about-to-energise", "energised"):
        open_channels.add(int(data["channel"]))
    elif kind == "off":
        open_channels.discard(int(data["channel"]))
