"""Keep what happens during a run: one journal file, one JSON event per line.

A journal is created exclusively and only ever grows. Each event is written, flushed and fsynced
before the next action, so after a power cut at most the last line is torn. Nothing is edited or
deleted: what is said afterwards stands in an amendment, a journal of its own beside.
"""

from __future__ import annotations

__all__ = [
    "KINDS",
    "OFF_CONFIRMED",
    "VERSION",
    "Journal",
    "JournalEvent",
    "JournalFile",
    "Kind",
    "UnfinishedRun",
    "amend",
    "amendments_of",
    "find_unfinished",
    "is_amendment",
    "read_journal",
]

import hashlib
import json
import os
import threading
import time
from collections.abc import Mapping
from contextlib import suppress
from datetime import UTC, date, datetime
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import attrs

from labbench.errors import InputError, JournalFailed, StoppedByPerson
from labbench.ports import Clock
from labbench.records.journal_file import (
    KINDS,
    OFF_CONFIRMED,
    VERSION,
    JournalEvent,
    JournalFile,
    Kind,
    UnfinishedRun,
    amendments_of,
    find_unfinished,
    is_amendment,
    read_journal,
    track_output,
)


class Journal:
    """Write a journal. Made by `Journal.create`; a context manager that always writes `closed`."""

    def __init__(self, path: Path, descriptor: int, clock: Clock | None) -> None:
        self.path = path
        self._descriptor: int | None = descriptor
        self._clock = clock
        self._sequence = 0
        self._good_bytes = 0
        self._broken: str | None = None
        self._open_channels: set[int] = set()
        # The page's thread may journal a stop while the worker journals a reading.
        self._lock = threading.RLock()

    @classmethod
    def create(cls, path: Path, opened: Mapping[str, Any], *, clock: Clock | None = None) -> Self:
        """Create a journal that does not exist yet and write its `opened` event.

        `clock` stamps the events (bench seconds); without one the computer's clock does. Raises
        InputError where the file exists, JournalFailed where it cannot be made.
        """
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND
        flags |= getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
        try:
            descriptor = os.open(path, flags, 0o644)
        except FileExistsError as error:
            raise InputError(
                f"the journal {path} exists already and a journal is never written over",
                hint="give the run another file name",
            ) from error
        except OSError as error:
            raise JournalFailed(
                f"the journal {path} cannot be created: {error.strerror}; "
                "nothing was measured and nothing energised",
                hint="check the folder, its permissions and the free space",
            ) from error
        journal = cls(path, descriptor, clock)
        try:
            _sync_folder(path.parent)
            journal.write("opened", **opened)
        except BaseException:
            journal._close_descriptor()
            raise
        return journal

    @property
    def closed(self) -> bool:
        """Tell whether the journal has been closed."""
        return self._descriptor is None

    def write(self, kind: Kind, /, **data: Any) -> int:
        """Write one event, flush and fsync it, and return its sequence number.

        Raises JournalFailed when the event is not safely on disk (a full disk, a number that is
        not finite); the file then ends with the last whole event.
        """
        if kind not in KINDS:
            raise JournalFailed(f"{kind!r} is no kind of journal event")
        with self._lock:
            if self._descriptor is None:
                raise JournalFailed(f"the journal {self.path} is closed: {kind!r} was not written")
            if self._broken is not None:
                raise JournalFailed(
                    f"the journal {self.path} takes no more events since one could not be "
                    f"written: {self._broken}"
                )
            line = self._line(kind, data)
            self._append(self._descriptor, kind, line)
            self._sequence += 1
            track_output(self._open_channels, kind, data)
            return self._sequence - 1

    def close(self, status: str, reason: str | None = None) -> None:
        """Write the `closed` event with its status and reason, and close the file.

        The file is closed even when the event cannot be written. Closing twice does nothing.
        """
        with self._lock:
            if self._descriptor is None:
                return
            try:
                self.write(
                    "closed",
                    status=status,
                    reason=reason,
                    # read from the file's end at the next start, see find_unfinished
                    channels_not_off=sorted(self._open_channels),
                )
            finally:
                self._close_descriptor()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        exc_type: type[BaseException] | None,
        exc: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        if exc is None:
            self.close("done")
            return
        stopped = isinstance(exc, StoppedByPerson | KeyboardInterrupt)
        try:
            self.close(
                "stopped" if stopped else "failed", f"{type(exc).__name__}: {exc}".rstrip(": ")
            )
        except JournalFailed as error:
            # The first error stays the one raised (energy rule 3).
            exc.add_note(f"besides, the journal could not be closed: {error}")

    def _line(self, kind: str, data: Mapping[str, Any]) -> bytes:
        event = {
            "version": VERSION,
            "sequence": self._sequence,
            "utc": _utc_text(self._clock.utc() if self._clock else datetime.now(UTC)),
            "monotonic": self._clock.monotonic_s() if self._clock else time.monotonic(),
            "kind": kind,
            "data": data,
        }
        try:
            text = json.dumps(event, allow_nan=False, ensure_ascii=False, default=_plain)
            return text.encode() + b"\n"
        except (ValueError, TypeError) as error:
            raise JournalFailed(
                f"the event {kind!r} cannot be written to {self.path}: {error}"
            ) from error

    def _append(self, descriptor: int, kind: str, line: bytes) -> None:
        try:
            rest = memoryview(line)
            while rest:
                rest = rest[os.write(descriptor, rest) :]
            os.fsync(descriptor)
        except OSError as error:
            # Half a line would make the next event unreadable: cut it off, which needs no space.
            try:
                os.ftruncate(descriptor, self._good_bytes)
            except OSError as second:
                self._broken = str(second)
            raise JournalFailed(
                f"the event {kind!r} could not be written to {self.path}: {error.strerror}; "
                "the run stops and the output is switched off",
                hint="free some space, then check with `labbench bench` that the output is off",
            ) from error
        self._good_bytes += len(line)

    def _close_descriptor(self) -> None:
        descriptor, self._descriptor = self._descriptor, None
        if descriptor is not None:
            os.close(descriptor)


def amend(
    path: Path,
    *,
    what: str,
    who: str,
    why: str,
    details: Mapping[str, Any] | None = None,
    readable: bool = True,
    clock: Clock | None = None,
) -> Path:
    """Write an amendment to a run (such as `void`) beside its journal and return its file.

    The amended journal stays as it is; its digest is kept, so that both belong together. Raises
    InputError without who and why, FileProblems where the journal cannot be read (unless
    `readable` is False: a damaged journal can be amended too).
    """
    missing = [name for name, text in (("who", who), ("why", why), ("what", what)) if not text]
    if missing:
        raise InputError(
            f"an amendment to {path.name} needs {' and '.join(missing)}: it is kept for ever"
        )
    if is_amendment(path):
        raise InputError(f"{path.name} is itself an amendment: amend the run, not its amendment")
    if readable:
        read_journal(path)
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    opened = {"job": "amend", "who": who, "amends": path.name, "sha256": digest}
    number = len(amendments_of(path)) + 1
    while True:
        beside = path.with_name(f"{path.stem}.amended-{number}{path.suffix}")
        if not beside.exists():
            break
        number += 1
    with Journal.create(beside, opened, clock=clock) as journal:
        journal.write("amended", run=path.stem, what=what, who=who, why=why, **dict(details or {}))
    return beside


def _plain(value: object) -> object:
    """Turn the project's data into what JSON holds; refuse everything else."""
    kind = type(value)
    if attrs.has(kind):
        return {attribute.name: getattr(value, attribute.name) for attribute in attrs.fields(kind)}
    if isinstance(value, Mapping):
        return dict(value)
    if isinstance(value, datetime):
        return _utc_text(value)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Path):
        return str(value)
    raise TypeError(f"{type(value).__name__} is not kept in journals")


def _utc_text(moment: datetime) -> str:
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def _sync_folder(folder: Path) -> None:
    # The new name must survive a power cut too. Windows cannot open a folder: nothing to do there.
    with suppress(OSError):
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
