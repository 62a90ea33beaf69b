"""Follow what becomes of a part after its verdict: reserved, fitted, returned, scrapped, outcome.

Each of these is an event in a journal of its own (kind `shelf`); nothing is edited, and a mistaken
one is struck like any run. This module puts the events in order and says what may come next. Pure:
no files and no store.

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
    "Refusal",
    "ShelfAction",
    "ShelfEvent",
    "Verified",
    "board_events",
    "check_fit",
    "check_outcome",
    "check_reserve",
    "check_return",
    "check_scrap",
    "part_lives",
]

from collections.abc import Iterable, Mapping, Sequence
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


@frozen
class Refusal:
    """Say why something cannot be done, what to do instead, and whether it may be done anyway."""

    because: str
    hint: str
    may_anyway: bool = False


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


def check_reserve(
    life: PartLife,
    verified: Verified | None,
    *,
    reserved_for: str,
    plausible: bool = False,
    is_check_standard: bool = False,
) -> list[Refusal]:
    """Return every reason against setting a part aside; none where it may be."""
    name = life.specimen
    found = _against_use(life, verified, plausible, is_check_standard)
    if life.state == "fitted" and life.place is not None:
        found.append(_fitted(life))
    if life.state == "reserved":
        whom = life.reserved_for or ""
        found.append(
            Refusal(f"{name} is reserved for {whom} already", "nothing is to be done")
            if whom.casefold() == reserved_for.casefold()
            else _reserved(life)
        )
    return found


def check_fit(
    life: PartLife,
    verified: Verified | None,
    place: BoardPlace,
    *,
    job: str | None = None,
    plausible: bool = False,
    is_check_standard: bool = False,
    occupants: Mapping[str, tuple[str | None, BoardPlace]] | None = None,
) -> list[Refusal]:
    """Return every reason against fitting a part to a place on a board; none where it may be.

    `occupants` are the parts that are fitted now: specimen -> (part type, place).
    """
    found = _against_use(life, verified, plausible, is_check_standard)
    if life.state == "fitted":
        found.append(_fitted(life))
    if life.state == "reserved" and not _is_for(life.reserved_for or "", place, job):
        found.append(evolve(_reserved(life), may_anyway=True))
    for name, (type_, there) in (occupants or {}).items():
        same_name = place.designator is not None and there.designator == place.designator
        of_type = verified is not None and type_ == verified.type
        if name != life.specimen and place.is_the_same(there) and (same_name or of_type):
            found.append(
                Refusal(
                    f"{there.text} holds {name} already",
                    f"if it was lifted: labbench shelf return {name} (or scrap it); if there are "
                    "two of this type in the phase, tell them apart with --designator",
                )
            )
    return found


def check_return(life: PartLife) -> list[Refusal]:
    """Return why a part cannot come back to the shelf; none where it can."""
    name, last = life.specimen, life.last
    if life.state == "scrapped" and last is not None:
        return [_scrapped(life)]
    if life.state == "at-hand":
        return [
            Refusal(
                f"{name} is at hand: it is neither reserved nor fitted",
                "`labbench shelf list --all` tells where every part is",
            )
        ]
    return []


def check_scrap(life: PartLife) -> list[Refusal]:
    """Return why a part cannot be scrapped; none where it can."""
    return [_scrapped(life)] if life.state == "scrapped" else []


def check_outcome(
    place: BoardPlace, outcome: Outcome, earlier: Sequence[ShelfEvent]
) -> list[Refusal]:
    """Return why a board's outcome cannot follow the earlier ones; none where it can."""
    if not earlier:
        return []
    last = earlier[-1]
    board = f"{place.board} {place.serial}"
    strike = f"if that was a mistake: labbench void {last.run} --why ..."
    if last.outcome == outcome:
        return [Refusal(f"{board}: {_SAID[outcome]} is known since {last.utc[:10]}", strike)]
    if last.outcome == "works" and outcome == "load-dead":
        return [
            Refusal(
                f"{board} worked on {last.utc[:10]}: its load cannot be dead unless it came back",
                f"record came-back first, then load-dead; {strike}",
            )
        ]
    if last.outcome == "load-dead" and outcome == "came-back":
        return [
            Refusal(
                f"{board} never worked: its load was dead on {last.utc[:10]}",
                f"record works once it does; {strike}",
            )
        ]
    return []


_SAID: Final[Mapping[str, str]] = {
    "works": "that it works",
    "load-dead": "that its load is dead",
    "came-back": "that it came back",
}


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


def _against_use(
    life: PartLife, verified: Verified | None, plausible: bool, is_check_standard: bool
) -> list[Refusal]:
    """Say what speaks against putting a part to any use."""
    name = life.specimen
    found = [_scrapped(life)] if life.state == "scrapped" else []
    if is_check_standard:
        found.append(
            Refusal(
                f"{name} is a check standard: it is kept at the bench and never fitted",
                "take another part",
                may_anyway=True,
            )
        )
    again = f"verify it: labbench verify TYPE --specimen {name}"
    if verified is None:
        found.append(Refusal(f"{name} was never verified here", again, may_anyway=True))
    elif life.state != "fitted" and not life.counts(verified):
        found.append(
            Refusal(
                f"{name} came off a board on {(life.lifted_utc or '')[:10]} and was not verified "
                "since: it was heated twice and has worked in between",
                again,
                may_anyway=True,
            )
        )
    elif verified.disposition == "plausible" and not plausible:
        found.append(
            Refusal(
                f"{name} is plausible, not fit: something that matters was not seen",
                "`labbench report "
                f"{name}` says what; with --plausible it is taken and stays labelled so",
                may_anyway=True,
            )
        )
    elif verified.disposition in ("unfit", "undecided"):
        hint = (
            f"bin it: labbench shelf scrap {name} --why unfit"
            if verified.disposition == "unfit"
            else again
        )
        found.append(
            Refusal(
                f"{name} is {verified.disposition} (verified {verified.utc[:10]})",
                hint,
                may_anyway=True,
            )
        )
    return found


def _scrapped(life: PartLife) -> Refusal:
    last = life.last
    told = f" on {last.utc[:10]} by {last.who}: {last.why}" if last is not None else ""
    hint = "take another part"
    if last is not None:
        hint += f"; if that was a mistake: labbench void {last.run} --why ..."
    return Refusal(f"{life.specimen} was scrapped{told}", hint)


def _fitted(life: PartLife) -> Refusal:
    where = life.place.text if life.place else "a board"
    return Refusal(
        f"{life.specimen} is fitted in {where}",
        f"if it was lifted again: labbench shelf return {life.specimen}, then verify it anew",
    )


def _reserved(life: PartLife) -> Refusal:
    last = life.last
    by = f" by {last.who} since {last.utc[:10]}" if last is not None else ""
    return Refusal(
        f"{life.specimen} is reserved for {life.reserved_for}{by}",
        f"take another, or give it free: labbench shelf return {life.specimen}",
    )


def _same_board(one: BoardPlace, other: BoardPlace) -> bool:
    return (one.board, one.serial) == (other.board, other.serial)


def _is_for(reserved_for: str, place: BoardPlace, job: str | None) -> bool:
    """Tell whether a board is what a part was set aside for."""
    names = {place.board, f"{place.board} {place.serial}", f"{place.board}/{place.serial}"}
    if job:
        names |= {job, f"{job}/{place.board}"}
    return reserved_for.casefold() in {name.casefold() for name in names}
