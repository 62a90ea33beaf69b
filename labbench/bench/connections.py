"""Join instruments to the jig and put things into it: by a relay switch, or by a person.

A procedure asks for a hookup and a position and does not know which of the two makes them.
"""

from __future__ import annotations

__all__ = [
    "CANNOT",
    "DONE",
    "LOAD",
    "OPEN",
    "SHORT",
    "ByPerson",
    "BySwitch",
    "Connections",
    "Joined",
]

from collections.abc import Callable, Mapping, Sequence
from typing import Protocol

from attrs import frozen

from labbench.errors import InputError, StepAborted
from labbench.files import nearest
from labbench.ports import Answer, Event, Hookup, Prompt, Switch

#: positions that every bench has: tips open, tips on a copper strip
OPEN = "open"
SHORT = "short"
#: a position that a bench with a standard resistor may have
LOAD = "load"

#: of a long list of hookups or positions a sentence shows so many
_SHOWN = 12

DONE = "done"
CANNOT = "cannot"


@frozen
class Joined:
    """Hold what is joined: a hookup, and what is in the jig (None: whatever was there)."""

    hookup: Hookup | None = None
    position: str | None = None


class Connections(Protocol):
    """Make hookups and placements."""

    @property
    def by_person(self) -> bool:
        """Tell whether a person makes them."""
        ...

    def plan(self, now: Joined, wanted: Joined) -> Mapping[str, object] | None:
        """Say what has to change, for the journal; None where it is so already.

        Raises InputError for a hookup or position that the bench does not know.
        """
        ...

    def make(self, now: Joined, wanted: Joined, *, by_contact: bool) -> None:
        """Change it; raise StepAborted when a person cannot."""
        ...

    def knows(self, hookup: Hookup) -> bool:
        """Tell whether this hookup can be made; a person is taken to be able to."""
        ...

    def release(self) -> None:
        """Part the instruments from the jig where that needs no person."""
        ...


class BySwitch:
    """Make hookups with relays: `hookups` and `positions` say which are closed for each."""

    by_person = False

    def __init__(
        self,
        switch: Switch,
        hookups: Mapping[str, Sequence[int]],
        positions: Mapping[str, Sequence[int]],
    ) -> None:
        self._switch = switch
        self._hookups = hookups
        self._positions = positions

    def plan(self, now: Joined, wanted: Joined) -> Mapping[str, object] | None:
        """Compare the relays wanted with those that read back closed."""
        relays = self._relays(wanted)
        closed = self._switch.closed()
        return {"relays": relays, "closed": closed} if set(closed) != set(relays) else None

    def make(self, now: Joined, wanted: Joined, *, by_contact: bool) -> None:
        """Open every relay that is not wanted, then close the others.

        A position that stays is not opened: its contacts would land elsewhere.
        """
        relays = self._relays(wanted)
        closed = self._switch.closed()
        if set(closed) - set(relays):
            self._switch.close_only([relay for relay in relays if relay in closed])
        self._switch.close_only(relays)

    def knows(self, hookup: Hookup) -> bool:
        """Tell whether the bench file lists relays for it."""
        return hookup.name in self._hookups

    def release(self) -> None:
        """Open every relay."""
        self._switch.close_only(())

    def _relays(self, wanted: Joined) -> tuple[int, ...]:
        position: Sequence[int] = ()
        if wanted.position is not None:
            position = _known(self._positions, wanted.position, "position")
        hookup: Sequence[int] = ()
        if wanted.hookup is not None:
            hookup = _known(self._hookups, wanted.hookup.name, "hookup")
        return tuple(dict.fromkeys((*position, *hookup)))


class ByPerson:
    """Make hookups by asking a person."""

    by_person = True

    def __init__(self, ask: Callable[[Prompt], Answer], tell: Callable[[Event], None]) -> None:
        self._ask = ask
        self._tell = tell

    def plan(self, now: Joined, wanted: Joined) -> Mapping[str, object] | None:
        """Compare with what was asked for before: nobody can read back what a hand did."""
        change: dict[str, object] = {}
        if wanted.hookup is not None and wanted.hookup != now.hookup:
            change["hookup"] = wanted.hookup.name
        if wanted.position is not None and wanted.position != now.position:
            change["place"] = wanted.position
        return change or None

    def make(self, now: Joined, wanted: Joined, *, by_contact: bool) -> None:
        """Ask for the hookup, then for the placement.

        With `by_contact` the placement is only announced: the contact itself is waited for.
        """
        if wanted.hookup is not None and wanted.hookup != now.hookup:
            self._ask_done(
                Prompt(
                    kind="hookup",
                    name=wanted.hookup.name,
                    choices=(DONE, CANNOT),
                    default=DONE,
                    detail={
                        "joins": dict(wanted.hookup.joins),
                        "instruments": wanted.hookup.instruments,
                        "drawing": wanted.hookup.drawing,
                    },
                )
            )
        if wanted.position is None or wanted.position == now.position:
            return
        if by_contact:
            self._tell(Event("place", {"position": wanted.position}))
        else:
            self._ask_done(
                Prompt(kind="place", name=wanted.position, choices=(DONE, CANNOT), default=DONE)
            )

    def knows(self, hookup: Hookup) -> bool:
        """Tell that a person can make any."""
        return True

    def release(self) -> None:
        """Do nothing: the person takes the part out when told so."""

    def _ask_done(self, prompt: Prompt) -> None:
        if self._ask(prompt) == CANNOT:
            raise StepAborted(
                f"{prompt.kind} {prompt.name!r} was asked for and could not be made; "
                "the output is off",
                hint="make it and start the run again",
            )


def _known(table: Mapping[str, Sequence[int]], name: str, what: str) -> Sequence[int]:
    if name in table:
        return table[name]
    guess = nearest(name, table)
    shown = list(table)[:_SHOWN]
    more = f" and {len(table) - len(shown)} more" if len(table) > len(shown) else ""
    known = ", ".join(shown) + more if shown else "none"
    raise InputError(
        f"the bench file has no relays for the {what} {name!r} (it has: {known})",
        hint=f"did you mean {guess!r}?" if guess else f"add it to [{what}s] in the bench file",
    )
