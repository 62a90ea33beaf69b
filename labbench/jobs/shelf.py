"""Keep the shelf: verified parts at hand; reserve, fit, return, scrap them; record outcomes.

Each act is a journal of its own without instruments. Look, decide and write happen while no other
writer has the store, so one part is not set aside twice.
"""

from __future__ import annotations

__all__ = [
    "BoardPlace",
    "ShelfDone",
    "board_outcome",
    "fit",
    "reserve",
    "return_part",
    "scrap",
]

import difflib
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from attrs import frozen

import labbench
from labbench.errors import InputError
from labbench.files import nearest
from labbench.jobs.cooling import now_utc
from labbench.jobs.shelf_parts import ShelfPart, parts_in, standards_in
from labbench.records.folder import DataFolder
from labbench.records.journal import Journal
from labbench.records.part_life import (
    BoardPlace,
    Outcome,
    PartLife,
    ShelfAction,
    ShelfEvent,
    board_events,
    part_lives,
)
from labbench.records.shelf_rules import (
    Refusal,
    check_fit,
    check_outcome,
    check_reserve,
    check_return,
    check_scrap,
)
from labbench.records.store import Store

_JOB = "shelf"


@frozen(kw_only=True)
class ShelfDone:
    """Hold what was done: the event, the life of the part after it, and what was overruled.

    `parts` are those that sat on the board, for an outcome. `near_board` is a known type of board
    that is spelled much like this one, which is new.
    """

    event: ShelfEvent
    life: PartLife | None = None
    overruled: tuple[str, ...] = ()
    parts: tuple[str, ...] = ()
    near_board: str | None = None


def reserve(
    data: DataFolder, specimen: str, *, reserved_for: str, who: str, plausible: bool = False,
    anyway: bool = False, why: str | None = None, now: datetime | None = None,
) -> ShelfDone:  # fmt: skip
    """Set a part aside for a job or a board. Raises InputError with every reason against it."""
    _given(who=who, reserved_for=reserved_for)
    with _Shelf(data) as shelf:
        part, life = shelf.part(specimen)
        against = check_reserve(
            life, part.verified if part else None, reserved_for=reserved_for,
            plausible=plausible, is_check_standard=shelf.is_standard(specimen),
        )  # fmt: skip
        told = shelf.refuse_or(against, specimen, part, anyway=anyway, why=why)
        return shelf.write(
            "reserved", specimen, part, who=who, why=why, told=told, now=now,
            reserved_for=reserved_for,
        )  # fmt: skip


def fit(
    data: DataFolder, specimen: str, place: BoardPlace, *, who: str, job: str | None = None,
    plausible: bool = False, anyway: bool = False, why: str | None = None,
    now: datetime | None = None,
) -> ShelfDone:  # fmt: skip
    """Record that a part was soldered in. Raises InputError with every reason against it."""
    _given(who=who, board=place.board, serial=place.serial)
    with _Shelf(data) as shelf:
        part, life = shelf.part(specimen)
        against = check_fit(
            life, part.verified if part else None, place, job=job, plausible=plausible,
            is_check_standard=shelf.is_standard(specimen), occupants=shelf.occupants(),
            load_dead_utc=shelf.load_dead_utc(place),
        )  # fmt: skip
        told = shelf.refuse_or(against, specimen, part, anyway=anyway, why=why)
        return shelf.write(
            "fitted", specimen, part, who=who, why=why, told=told, now=now, place=place
        )


def return_part(
    data: DataFolder, specimen: str, *, who: str, why: str | None = None,
    now: datetime | None = None,
) -> ShelfDone:  # fmt: skip
    """Give a reserved part free, or take back one that was lifted off a board again."""
    _given(who=who)
    with _Shelf(data) as shelf:
        part, life = shelf.part(specimen)
        shelf.refuse_or(check_return(life), specimen, part or life.last)
        return shelf.write("returned", specimen, part, who=who, why=why, now=now)


def scrap(
    data: DataFolder, specimen: str, *, who: str, why: str, now: datetime | None = None
) -> ShelfDone:
    """Bin a part, for good."""
    _given(who=who, why=why)
    with _Shelf(data) as shelf:
        part, life = shelf.part(specimen)
        shelf.refuse_or(check_scrap(life), specimen, part or life.last)
        return shelf.write("scrapped", specimen, part, who=who, why=why, now=now)


def board_outcome(
    data: DataFolder, place: BoardPlace, outcome: Outcome, *, who: str, note: str | None = None,
    now: datetime | None = None,
) -> ShelfDone:  # fmt: skip
    """Record what became of a board; it counts for every part of ours that sits on it."""
    _given(who=who, board=place.board, serial=place.serial)
    with _Shelf(data) as shelf:
        earlier = shelf.boards.get((place.board, place.serial), ())
        refused = check_outcome(place, outcome, earlier)
        if refused:
            raise _refusal(refused, may_anyway=False)
        return shelf.write(
            "outcome", None, None, who=who, why=note, now=now, place=place, outcome=outcome,
            parts=tuple(sorted(shelf.on_board(place))),
        )  # fmt: skip


class _Shelf:
    """Hold the store alone while something is looked up, decided and written."""

    def __init__(self, data: DataFolder) -> None:
        self._data = data
        self._store = Store(data.store)

    def __enter__(self) -> _Shelf:
        try:
            self._store.ingest_waiting(self._data.journals)
            self._alone = self._store.alone()
            self._alone.__enter__()
        except BaseException:
            self._store.close()
            raise
        self._parts = {part.specimen: part for part in parts_in(self._store)}
        events = self._store.shelf()
        self._lives = part_lives(events)
        self.boards = board_events(events)
        return self

    def __exit__(self, *error: Any) -> None:
        try:
            self._alone.__exit__(*error)
        finally:
            self._store.close()

    def part(self, specimen: str) -> tuple[ShelfPart | None, PartLife]:
        return (
            self._parts.get(specimen),
            self._lives.get(specimen, PartLife(specimen=specimen)),
        )

    def is_standard(self, specimen: str) -> bool:
        part = self._parts.get(specimen)
        return part.is_check_standard if part else specimen in standards_in(self._store)

    def occupants(self) -> dict[str, tuple[str | None, BoardPlace]]:
        return {
            name: (self._parts[name].type if name in self._parts else None, life.place)
            for name, life in self._lives.items()
            if life.state == "fitted" and life.place is not None
        }

    def on_board(self, place: BoardPlace) -> set[str]:
        return {
            name for name, (_, there) in self.occupants().items()
            if (there.board, there.serial) == (place.board, place.serial)
        }  # fmt: skip

    def load_dead_utc(self, place: BoardPlace) -> str | None:
        """Tell when the load at a place was found dead, by what was last said of it."""
        said = [
            (row.opened_utc, row.judged["word"] == "dead")
            for row in self._store.search(
                job="rail", type=place.board, specimen=place.serial, with_void=False
            )
            if row.lot == place.rail and row.judged and row.judged["word"] in ("alive", "dead")
        ]
        said += [
            (event.utc, event.outcome == "load-dead")
            for event in self.boards.get((place.board, place.serial), ())
        ]
        utc, is_dead = max(said, default=("", False))
        return utc if is_dead else None

    def near_board(self, board: str) -> str | None:
        """Name a board type that is spelled much like one that was never met before."""
        known = {row.type for row in self._store.search(job="rail") if row.type}
        known |= {there.board for _, there in self.occupants().values()}
        known |= {of_type for of_type, _ in self.boards}
        return None if board in known else nearest(board, known)

    def refuse_or(
        self, against: Sequence[Refusal], specimen: str, known: object, *, anyway: bool = False,
        why: str | None = None,
    ) -> tuple[str, ...]:  # fmt: skip
        """Raise what speaks against it, or return what was overruled."""
        overruled = [r for r in against if r.may_anyway] if anyway else []
        if anyway and not (why or "").strip():
            raise InputError(
                "--anyway needs a reason, which is kept for ever", hint="give --why TEXT"
            )
        rest = [r for r in against if r not in overruled]
        if rest:
            raise _refusal(
                rest, may_anyway=not anyway and all(r.may_anyway for r in rest),
                near=None if known else self._near(specimen),
            )  # fmt: skip
        return tuple(r.because for r in overruled)

    def write(
        self, what: ShelfAction, specimen: str | None, part: ShelfPart | None, *, who: str,
        why: str | None, told: tuple[str, ...] = (), now: datetime | None,
        parts: tuple[str, ...] = (), **more: Any,
    ) -> ShelfDone:  # fmt: skip
        """Journal the event, let the store read it, and return it."""
        place: BoardPlace | None = more.get("place")
        near = self.near_board(place.board) if place is not None else None
        subject = specimen or (f"{place.board}-{place.serial}" if place else "board")
        path = self._data.new_journal(now or now_utc(), f"{_JOB}-{subject}")
        opened: dict[str, Any] = {
            "job": _JOB,
            "tool": f"labbench {labbench.__version__}",
            "who": who,
        }
        if specimen is not None:
            opened["specimen"] = specimen
        if part is not None:
            copied = {
                "type": part.run.type,
                "donor": part.run.donor,
                "simulated": part.run.simulated,
            }
            opened |= {key: value for key, value in copied.items() if value}
        clock = _At(now) if now is not None else None
        with Journal.create(path, opened, clock=clock) as journal:
            journal.write(
                "shelf", what=what, specimen=specimen, who=who, why=why or None,
                anyway=bool(told), **more,
            )  # fmt: skip
        self._store.ingest(path)
        events = self._store.shelf()
        event = next(e for e in events if e.run == path.stem)
        life = part_lives(events).get(specimen) if specimen else None
        return ShelfDone(event=event, life=life, overruled=told, parts=parts, near_board=near)

    def _near(self, specimen: str) -> str | None:
        found = difflib.get_close_matches(specimen, [*self._parts, *self._lives], n=1)
        return found[0] if found else None


class _At:
    """Be a clock that stands: an event that is recorded for another moment."""

    def __init__(self, moment: datetime) -> None:
        self._moment = moment

    def utc(self) -> datetime:
        return self._moment

    def monotonic_s(self) -> float:
        return 0.0

    def sleep_s(self, seconds: float) -> None:
        """Do nothing: nothing waits here."""


def _given(**texts: str) -> None:
    missing = [name.replace("_", " ") for name, text in texts.items() if not text.strip()]
    if missing:
        raise InputError(f"empty: {', '.join(missing)}; it is kept for ever, so say it")


def _refusal(
    against: Sequence[Refusal], *, may_anyway: bool, near: str | None = None
) -> InputError:
    hints = list(dict.fromkeys(r.hint for r in against))
    if may_anyway:
        hints.append("or overrule it, for the record: --anyway --why TEXT")
    hint = "; ".join(hints)
    if near:
        hint = f"did you mean {near}? Else {hint}"
    return InputError("; ".join(r.because for r in against), hint=hint)
