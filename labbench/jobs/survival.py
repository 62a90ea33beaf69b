"""Tell from the shop's own records how often the load survives when the power stage burns.

Each board counts once. What its first outcome says counts (it worked, or came back after it had:
its load was alive; its load was dead), else what the checks of its rails said: dead where one rail
was, alive where one was and none dead; the input of a board is no load. So a board that was given
up because its load was dead counts too; leaving those out would promise too much. Boards that were
measured as known to be good never burned, and those without a serial number cannot be told apart:
neither counts. Checks on a simulated bench count only where there is no real one.
"""

from __future__ import annotations

__all__ = [
    "NO_SERIAL",
    "BoardHistory",
    "board_histories",
    "survival",
    "survival_beside",
    "survival_line",
]

from collections.abc import Iterable

from attrs import frozen

from labbench.errors import InputError
from labbench.judging.load import INPUT_NAMES
from labbench.lots.outcomes import Survival, load_survival
from labbench.records.folder import DataFolder
from labbench.records.part_life import board_events
from labbench.records.store import RunRow, Store
from labbench.reports.shelf_words import survival_text

#: what a rail check calls a board whose serial number nobody gave
NO_SERIAL = "this board"


@frozen(kw_only=True)
class BoardHistory:
    """Hold what is known of the load of one board, and from what: an outcome or a rail check."""

    board: str
    serial: str
    is_alive: bool
    known_from: str


def board_histories(store: Store) -> list[BoardHistory]:
    """Return every board whose load is known to have survived or not, by type and serial number."""
    rows = store.search(job="rail", with_void=False)
    found = _from_rails([row for row in rows if not row.simulated] or rows)
    for (board, serial), events in board_events(store.shelf()).items():
        first = events[0].outcome
        found[board, serial] = BoardHistory(
            board=board, serial=serial, is_alive=first != "load-dead", known_from=f"outcome {first}"
        )
    return [found[key] for key in sorted(found)]


def survival(data: DataFolder, board: str | None = None) -> list[Survival]:
    """Return the survival of a type of board, or of every type with a history."""
    with Store(data.store) as store:
        store.ingest_waiting(data.journals)
        histories = board_histories(store)
    counts = _counts(histories)
    names = sorted(counts) if board is None else [board]
    return [load_survival(counts, name) for name in names]


def survival_line(store: Store, board_type: str, *, but: str | None = None) -> str | None:
    """Return one line on a type of board, None where nothing is known of any type.

    `but` is a serial number to leave out: the board in question says nothing about itself.
    """
    histories = [h for h in board_histories(store) if (h.board, h.serial) != (board_type, but)]
    if not histories:
        return None
    return survival_text(load_survival(_counts(histories), board_type))


def survival_beside(data: DataFolder, board_type: str, serial: str) -> str | None:
    """Return the line to show beside a rail check of a board; None where there is none.

    A store that is lost takes the line away, and nothing else.
    """
    try:
        with Store(data.store) as store:
            store.ingest_waiting(data.journals)
            return survival_line(store, board_type, but=serial)
    except InputError:
        return None


def _counts(histories: Iterable[BoardHistory]) -> dict[str, tuple[int, int]]:
    counts: dict[str, tuple[int, int]] = {}
    for history in histories:
        alive, boards = counts.get(history.board, (0, 0))
        counts[history.board] = (alive + history.is_alive, boards + 1)
    return counts


def _from_rails(rows: Iterable[RunRow]) -> dict[tuple[str, str], BoardHistory]:
    """Judge each board by the latest word on each of its rails that is a decision."""
    words: dict[tuple[str, str], dict[str, str]] = {}
    for row in rows:
        role = (row.measured or {}).get("role", "test")
        word = (row.judged or {}).get("word")
        if not row.type or row.specimen in (None, NO_SERIAL) or role == "good":
            continue
        if (row.lot or "").casefold() in INPUT_NAMES:
            continue
        if word in ("alive", "dead"):
            # latest first
            words.setdefault((row.type, row.specimen or ""), {}).setdefault(row.lot or "", word)
    return {
        (board, serial): BoardHistory(
            board=board, serial=serial, is_alive="dead" not in rails.values(),
            known_from="rail check",
        )
        for (board, serial), rails in words.items()
    }  # fmt: skip
