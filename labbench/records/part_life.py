"""Follow what becomes of a part after its verdict: reserved, fitted, returned, scrapped, outcome.

Each of these is an event in a journal of its own (kind `shelf`); nothing is edited, and a mistaken
one is struck like any run. This module puts the events in order; `shelf_rules` says what may come
next. Pure: no files and no store.

    at hand -> reserved -> fitted -> returned -> at hand, after it was verified anew
    any of these -> scrapped, which ends it

A part that was lifted off a board again has been heated twice and has worked in between: what was
measured before no longer speaks for it.
"""

from __future__ import annotations

__all__ = [
    "OUTCOMES",
    "BoardPlace",
    "Outcome",
    "PartLife",
    "PartState",
    "ShelfAction",
    "ShelfEvent",
    "Verified",
    "board_events",
    "part_lives",
]

from collections.abc import Iterable
from typing import Final, Literal, get_args

from attrs import evolve, frozen

ShelfAction = Literal["reserved", "fitted", "returned", "scrapped", "outcome"]
Outcome = Literal["works", "load-dead", "came-back"]
PartState = Literal["at-hand", "reserved", "fitted", "scrapped"]
OUTCOMES: Final[tuple[str, ...]] = get_args(Outcome)


@frozen(kw_only=True)
class BoardPlace:
    """Name where on a board a part sits: type and serial number of the board, rail, phase.

    `designator` is the reference designator printed on the board, such as L12; it tells apart two
    parts of one type in a phase.
    """

    board: str
    serial: str
    rail: str | None = None
    phase: str | None = None
    designator: str | None = None

    @property
    def text(self) -> str:
        """Say it: `radar-supply 12, core phase 2 (L12)`."""
        within = " ".join(
            word for word in (self.rail, f"phase {self.phase}" if self.phase else None) if word
        )
        said = f"{self.board} {self.serial}" + (f", {within}" if within else "")
        return f"{said} ({self.designator})" if self.designator else said

    def is_the_same(self, other: BoardPlace) -> bool:
        """Tell whether two parts of one type cannot both sit there."""
        mine = (self.board, self.serial, self.rail, self.phase)
        if mine != (other.board, other.serial, other.rail, other.phase):
            return False
        told_apart = self.designator is not None and other.designator is not None
        return not told_apart or self.designator == other.designator


@frozen(kw_only=True)
class ShelfEvent:
    """Hold one thing that was done with a part, or found out about a board.

    `run` is the journal's stem; `utc` ISO 8601. An outcome has `place` (board and serial number)
    and no specimen. `anyway` tells that a refusal was overruled, `why` says why.
    """

    run: str
    utc: str
    what: ShelfAction
    who: str
    specimen: str | None = None
    why: str | None = None
    reserved_for: str | None = None
    place: BoardPlace | None = None
    outcome: Outcome | None = None
    anyway: bool = False


@frozen(kw_only=True)
class Verified:
    """Hold the last verdict on a specimen: its run, when (ISO, UTC), type and disposition."""

    run: str
    utc: str
    type: str
    disposition: str


@frozen(kw_only=True)
class PartLife:
    """Hold where a part is now and what was done with it.

    `lifted_utc` is when it last came off a board that it had been fitted to: older verdicts do not
    count. `outcomes` are those of the boards that it sat on, while it sat there.
    """

    specimen: str
    state: PartState = "at-hand"
    reserved_for: str | None = None
    place: BoardPlace | None = None
    lifted_utc: str | None = None
    events: tuple[ShelfEvent, ...] = ()
    outcomes: tuple[ShelfEvent, ...] = ()

    def counts(self, verified: Verified | None) -> bool:
        """Tell whether a verdict still speaks for the part."""
        if verified is None:
            return False
        return self.lifted_utc is None or verified.utc > self.lifted_utc

    @property
    def last(self) -> ShelfEvent | None:
        """Return what was last done with the part itself."""
        return self.events[-1] if self.events else None


def part_lives(events: Iterable[ShelfEvent]) -> dict[str, PartLife]:
    """Put events in order of time and return the life of every part that they name."""
    lives: dict[str, PartLife] = {}
    for event in sorted(events, key=lambda e: (e.utc, e.run)):
        if event.what == "outcome":
            for name, life in lives.items():
                if life.state == "fitted" and life.place and event.place and _same_board(
                    life.place, event.place
                ):  # fmt: skip
                    lives[name] = evolve(life, outcomes=(*life.outcomes, event))
        elif event.specimen is not None:
            life = lives.get(event.specimen, PartLife(specimen=event.specimen))
            lives[event.specimen] = _after(life, event)
    return lives


def board_events(events: Iterable[ShelfEvent]) -> dict[tuple[str, str], tuple[ShelfEvent, ...]]:
    """Return the outcomes of every board, by type and serial number, in order of time."""
    found: dict[tuple[str, str], tuple[ShelfEvent, ...]] = {}
    for event in sorted(events, key=lambda e: (e.utc, e.run)):
        if event.what == "outcome" and event.place is not None:
            key = (event.place.board, event.place.serial)
            found[key] = (*found.get(key, ()), event)
    return found


def _after(life: PartLife, event: ShelfEvent) -> PartLife:
    kept = evolve(life, events=(*life.events, event))
    if event.what == "reserved":
        return evolve(kept, state="reserved", reserved_for=event.reserved_for)
    if event.what == "fitted":
        # what became of an earlier board is that board's
        return evolve(
            kept, state="fitted", reserved_for=None, place=event.place, lifted_utc=None, outcomes=()
        )
    off_a_board = life.state == "fitted"
    lifted = event.utc if off_a_board else life.lifted_utc
    state: PartState = "scrapped" if event.what == "scrapped" else "at-hand"
    return evolve(kept, state=state, reserved_for=None, lifted_utc=lifted)


def _same_board(one: BoardPlace, other: BoardPlace) -> bool:
    return (one.board, one.serial) == (other.board, other.serial)
