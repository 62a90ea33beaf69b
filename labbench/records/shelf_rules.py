"""Say what may be done with a part next, and every reason against what may not. Pure.

Some refusals can be overruled with a reason that is kept; one that only a mistake could have made
true (a part that was scrapped, or sits on a board) is struck at its source instead.
"""

from __future__ import annotations

__all__ = [
    "Refusal",
    "check_fit",
    "check_outcome",
    "check_reserve",
    "check_return",
    "check_scrap",
]

from collections.abc import Mapping, Sequence
from typing import Final

from attrs import evolve, frozen

from labbench.records.part_life import BoardPlace, Outcome, PartLife, ShelfEvent, Verified


@frozen
class Refusal:
    """Say why something cannot be done, what to do instead, and whether it may be done anyway."""

    because: str
    hint: str
    may_anyway: bool = False


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
    load_dead_utc: str | None = None,
) -> list[Refusal]:
    """Return every reason against fitting a part to a place on a board; none where it may be.

    `occupants` are the parts that are fitted now: specimen -> (part type, place). `load_dead_utc`
    is when the load there was found dead, unless it was found alive since.
    """
    found = _against_use(life, verified, plausible, is_check_standard)
    if life.state == "fitted":
        found.append(_fitted(life))
    if life.state == "reserved" and not _is_for(life.reserved_for or "", place, job):
        found.append(evolve(_reserved(life), may_anyway=True))
    if load_dead_utc is not None:
        rail = f" {place.rail}" if place.rail else ""
        found.append(
            Refusal(
                f"the load of {place.board} {place.serial} was found dead on {load_dead_utc[:10]}: "
                "a part that is fitted there is lost",
                f"once it is mended: labbench rail {place.board}{rail} --serial {place.serial}",
                may_anyway=True,
            )
        )
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


def _is_for(reserved_for: str, place: BoardPlace, job: str | None) -> bool:
    """Tell whether a board is what a part was set aside for."""
    names = {place.board, f"{place.board} {place.serial}", f"{place.board}/{place.serial}"}
    if job:
        names |= {job, f"{job}/{place.board}"}
    return reserved_for.casefold() in {name.casefold() for name in names}
