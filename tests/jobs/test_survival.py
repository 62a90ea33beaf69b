"""How often the load survives, counted from outcomes and rail checks in the store.

Does not cover the statistics (tests/lots/test_outcomes).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from labbench.compose import data_folder
from labbench.jobs.shelf import board_outcome
from labbench.jobs.survival import (
    NO_SERIAL,
    board_histories,
    survival,
    survival_beside,
    survival_line,
)
from labbench.records.part_life import BoardPlace
from labbench.records.store import Store
from tests.shelf_records import ShelfRecords


@pytest.fixture
def records(tmp_path: Path) -> ShelfRecords:
    return ShelfRecords(data_folder(tmp_path / "data"))


def outcome(records: ShelfRecords, serial: str, what: Any, board: str = "radar-supply") -> None:
    place = BoardPlace(board=board, serial=serial)
    board_outcome(records.data, place, what, who="anna", now=records.later())


def known(records: ShelfRecords) -> dict[str, tuple[bool, str]]:
    with Store(records.data.store) as store:
        store.ingest_waiting(records.data.journals)
        return {h.serial: (h.is_alive, h.known_from) for h in board_histories(store)}


def test_each_board_counts_once_by_its_first_outcome(records: ShelfRecords) -> None:
    outcome(records, "1", "works")
    outcome(records, "1", "came-back")
    outcome(records, "1", "load-dead")
    outcome(records, "2", "load-dead")
    outcome(records, "2", "works")
    outcome(records, "3", "came-back")
    assert known(records) == {
        "1": (True, "outcome works"), "2": (False, "outcome load-dead"),
        "3": (True, "outcome came-back"),
    }  # fmt: skip


def test_a_board_that_got_no_part_counts_by_the_checks_of_its_rails(records: ShelfRecords) -> None:
    records.rail_check("radar-supply", "1", "dead")
    records.rail_check("radar-supply", "2", "alive")
    records.rail_check("radar-supply", "3", "alive", rail="core")
    records.rail_check("radar-supply", "3", "dead", rail="memory")
    # measured again: what was said last counts, and undecided says nothing
    records.rail_check("radar-supply", "4", "dead")
    records.rail_check("radar-supply", "4", "alive")
    records.rail_check("radar-supply", "4", "undecided")
    records.rail_check("radar-supply", "5", "undecided")
    assert known(records) == {
        "1": (False, "rail check"), "2": (True, "rail check"), "3": (False, "rail check"),
        "4": (True, "rail check"),
    }  # fmt: skip


def test_boards_that_never_burned_or_cannot_be_told_apart_do_not_count(
    records: ShelfRecords,
) -> None:
    records.rail_check("radar-supply", "1", "alive", role="good")
    records.rail_check("radar-supply", NO_SERIAL, "dead")
    records.rail_check("radar-supply", "2", "dead", rail="vin")
    assert known(records) == {}


def test_checks_on_a_simulated_bench_count_only_where_there_is_no_real_one(
    records: ShelfRecords,
) -> None:
    records.rail_check("radar-supply", "1", "dead", simulated=True)
    assert known(records) == {"1": (False, "rail check")}
    records.rail_check("radar-supply", "2", "alive")
    assert known(records) == {"2": (True, "rail check")}


def test_an_outcome_outranks_the_rail_check_of_its_board(records: ShelfRecords) -> None:
    records.rail_check("radar-supply", "1", "alive")
    outcome(records, "1", "load-dead")
    assert known(records) == {"1": (False, "outcome load-dead")}


def test_types_are_told_each_with_what_they_rest_on(records: ShelfRecords) -> None:
    assert survival(records.data) == []
    for serial in "123":
        outcome(records, serial, "works")
    outcome(records, "4", "load-dead")
    outcome(records, "9", "works", board="radio-supply")
    radar, radio = survival(records.data)
    assert (radar.board, radar.own_alive, radar.own_boards, radar.all_boards) == (
        "radar-supply", 3, 4, 5,
    )  # fmt: skip
    assert radar.lower < 0.75 < radar.upper
    assert (radio.own_alive, radio.own_boards) == (1, 1)
    (new,) = survival(records.data, "sonar-supply")
    assert (new.own_boards, new.all_boards) == (0, 5)


def test_the_line_leaves_out_the_board_in_question(records: ShelfRecords) -> None:
    with Store(records.data.store) as store:
        assert survival_line(store, "radar-supply") is None
    outcome(records, "1", "works")
    with Store(records.data.store) as store:
        assert survival_line(store, "radar-supply", but="1") is None
        line = survival_line(store, "radar-supply")
        assert line is not None
        assert line.startswith("radar-supply: load survives in ")
        assert line.endswith("; 1 of 1")
    outcome(records, "2", "load-dead", board="radio-supply")
    with Store(records.data.store) as store:
        other = survival_line(store, "radar-supply", but="1")
        assert other is not None
        assert "no board of this type, 1 of others" in other
        assert len(other) <= 80


def test_a_lost_store_takes_the_line_beside_a_rail_check_away_and_nothing_else(
    records: ShelfRecords,
) -> None:
    outcome(records, "1", "works")
    assert survival_beside(records.data, "radar-supply", "2") is not None
    assert survival_beside(records.data, "radar-supply", "1") is None
    for path in records.data.root.glob("store.sqlite*"):
        path.unlink()
    records.data.store.write_text("a letter, no database\n" * 100, encoding="utf-8")
    assert survival_beside(records.data, "radar-supply", "2") is None
