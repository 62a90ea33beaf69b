"""Put into words what lies on the shelf, where a part went, and how often a load survives."""

from __future__ import annotations

__all__ = [
    "event_text",
    "key_figures",
    "life_rows",
    "life_text",
    "outcome_words",
    "shelf_lines",
    "survival_text",
]

import textwrap
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from labbench.lots.outcomes import Survival
from labbench.quantities import format_si
from labbench.records.part_life import PartLife, ShelfEvent
from labbench.reports.words import LINE_WIDTH, cut

#: what an outcome means, as spoken
_OUTCOMES: Final[Mapping[str | None, str]] = {
    "works": "the board works",
    "load-dead": "the load was dead",
    "came-back": "the board came back",
}

_WIDEST_BOARD: Final = 20
#: characteristics by which parts are chosen, in the order of their worth
_KEY: Final = ("dc-resistance", "on-resistance", "inductance")


def outcome_words(outcome: str | None) -> str:
    """Return an outcome as spoken."""
    return _OUTCOMES[outcome]


def event_text(event: ShelfEvent) -> str:
    """Say what was done, without when and by whom: `fitted in radar-supply 12, core phase 2`."""
    where = event.place.text if event.place else "a board"
    said = {
        "reserved": f"reserved for {event.reserved_for}",
        "fitted": f"fitted in {where}",
        "returned": "returned to the shelf",
        "scrapped": "scrapped",
        "outcome": f"{where}: {_OUTCOMES.get(event.outcome, '')}",
    }[event.what]
    if event.anyway:
        said += " anyway"
    return f"{said}: {event.why}" if event.why else said


def life_text(life: PartLife, *, is_verified_anew: bool = False) -> str:
    """Say where a part is now and what became of it; nothing for one that lies on the shelf.

    `is_verified_anew` tells that its verdict is younger than its last board.
    """
    last = life.last
    if last is None:
        return ""
    if life.state == "at-hand":
        if life.lifted_utc is None:
            return ""
        where = life.place.text if life.place else "a board"
        again = "verified anew" if is_verified_anew else "verify it anew"
        return f"lifted off {where} on {life.lifted_utc[:10]}; {again}"
    text = f"{event_text(last)} ({last.utc[:10]}, {last.who})"
    if life.outcomes and life.state != "fitted" and life.place is not None:
        text += f"; was in {life.place.text}"
    for event in life.outcomes:
        note = f": {event.why}" if event.why else ""
        text += f"; {_OUTCOMES[event.outcome]} ({event.utc[:10]}){note}"
    return text


def life_rows(life: PartLife, *, since_utc: str = "") -> list[tuple[str, str, str]]:
    """Return day, what and who of everything that was done with a part since then, oldest first.

    Of the boards' outcomes those of the last board that it sat on.
    """
    after = [e for e in (*life.events, *life.outcomes) if e.utc > since_utc]
    events = sorted(after, key=lambda e: (e.utc, e.run))
    return [(event.utc[:10], event_text(event), event.who) for event in events]


def key_figures(
    characteristics: Sequence[Mapping[str, Any]], *, most: int = 2
) -> list[tuple[str, str, str]]:
    """Return name, value and expanded uncertainty (a share) of what a part is chosen by."""
    found: list[tuple[str, str, str]] = []
    for key in _KEY:
        # of several gate voltages the highest first
        entries = sorted(
            characteristics, key=lambda e: -abs(e.get("conditions", {}).get("gate_source_v", 0.0))
        )
        for entry in entries:
            name, value, u = entry["name"], entry["value"], entry["expanded_uncertainty"]
            is_key = name == key or (key == "on-resistance" and name.startswith(f"{key}-"))
            if is_key and value is not None and value > 0.0:
                share = f"±{100.0 * u / value:.2g} %" if u is not None else ""
                found.append((name, format_si(value, entry["unit"]), share))
    return found[:most]


def shelf_lines(
    *, specimen: str, word: str, type_name: str, characteristics: Sequence[Mapping[str, Any]],
    origin: str, verified_utc: str, notes: Sequence[str], width: int = LINE_WIDTH,
) -> Iterator[str]:  # fmt: skip
    """Yield the line of a part on the shelf, and a line for each note, at most `width` columns."""
    figures = key_figures(characteristics, most=1)
    figure = " ".join(figures[0][1:]).strip() if figures else ""
    head = f"{specimen:<5} {word:<9} {type_name:<15} {figure:<17} "
    room = max(width - len(head) - 11, 0)
    yield f"{head}{cut(origin, room):<{room}} {verified_utc[:10]}"
    for note in notes:
        yield from textwrap.wrap(
            note, width, initial_indent=" " * 6, subsequent_indent=" " * 6, break_on_hyphens=False
        )


def survival_text(found: Survival) -> str:
    """Say how often the load survives, with its interval and what it rests on."""
    interval = f"{100 * found.lower:.0f}-{100 * found.upper:.0f} %"
    others = found.all_boards - found.own_boards
    if found.own_boards == 0:
        rests = f"no board of this type, {others} of others"
    else:
        rests = f"{found.own_alive} of {found.own_boards}"
        if found.is_pooled:
            rests += f", beside {others} of other types"
    name = cut(found.board, _WIDEST_BOARD)
    return f"{name}: load survives in {100 * found.mean:.0f} % ({interval}); {rests}"
