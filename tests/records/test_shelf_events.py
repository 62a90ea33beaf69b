"""Events of the shelf in journals and store: idempotent, rebuilt, struck; one journal frozen.

Does not cover what events mean (test_part_life) nor the store's own rules (test_store).
"""

from __future__ import annotations

import json
import sqlite3
import threading
from pathlib import Path

import jsonschema
import pytest

from labbench.compose import data_folder
from labbench.errors import InputError
from labbench.jobs.shelf import board_outcome, fit, reserve, return_part, scrap
from labbench.jobs.shelf_parts import shelf_parts
from labbench.records.folder import DataFolder
from labbench.records.journal import amend, read_journal
from labbench.records.part_life import BoardPlace
from labbench.records.store import Store
from labbench.schemas import load_schema
from tests.shelf_records import ShelfRecords, coil

FROZEN = Path(__file__).parent / "frozen" / "journal-1-shelf.jsonl"
PLACE = BoardPlace(board="radar-supply", serial="12", rail="core", phase="2", designator="L12")


@pytest.fixture
def records(tmp_path: Path) -> ShelfRecords:
    return ShelfRecords(data_folder(tmp_path / "data"))


@pytest.fixture
def told(records: ShelfRecords) -> DataFolder:
    """Be a folder in which everything that can be done with parts was done once."""
    data = records.data
    for number in (4, 5):
        records.verified(coil(f"D{number}", 1.5e-3))
    reserve(data, "D4", reserved_for="radar-supply 12", who="anna", now=records.later())
    fit(data, "D4", PLACE, who="ben", now=records.later())
    board_outcome(data, BoardPlace(board="radar-supply", serial="12"), "works", who="ben",
                  note="runs cool", now=records.later())  # fmt: skip
    return_part(data, "D4", who="anna", why="board given up", now=records.later())
    scrap(data, "D5", who="anna", why="pad torn off", now=records.later())
    return data


def dump(data: DataFolder) -> list[str]:
    connection = sqlite3.connect(data.store)
    try:
        return sorted(line for line in connection.iterdump() if line.startswith("INSERT"))
    finally:
        connection.close()


def test_ingesting_again_and_rebuilding_change_nothing(told: DataFolder) -> None:
    before = dump(told)
    assert len([line for line in before if "shelf_events" in line]) == 5
    with Store(told.store) as store:
        for path in told.journals.glob("*.jsonl"):
            store.ingest(path)
        assert dump(told) == before
        lives = {part.specimen: part.life for part in shelf_parts(told)}
        assert store.rebuild(told.journals) == 7
    assert dump(told) == before
    told.store.unlink()
    assert {part.specimen: part.life for part in shelf_parts(told)} == lives
    assert dump(told) == before


def test_what_was_told_comes_back_whole(told: DataFolder) -> None:
    with Store(told.store) as store:
        events = store.shelf()
    assert [e.what for e in events] == ["reserved", "fitted", "outcome", "returned", "scrapped"]
    assert [e.who for e in events] == ["anna", "ben", "ben", "anna", "anna"]
    assert events[0].reserved_for == "radar-supply 12"
    assert events[1].place == PLACE
    assert (events[2].outcome, events[2].why, events[2].specimen) == ("works", "runs cool", None)
    assert events[3].why == "board given up"
    assert events[0].utc < events[1].utc < events[2].utc


def test_every_journal_of_the_shelf_fits_its_schema_and_is_closed(told: DataFolder) -> None:
    validator = jsonschema.Draft202012Validator(load_schema("journal-1"))
    shelf = sorted(told.journals.glob("*-shelf-*.jsonl"))
    assert len(shelf) == 5
    for path in shelf:
        for line in path.read_text(encoding="utf-8").splitlines():
            validator.validate(json.loads(line))
        assert [e.kind for e in read_journal(path).events] == ["opened", "shelf", "closed"]


def test_what_was_struck_never_happened(told: DataFolder) -> None:
    (scrapped,) = told.journals.glob("*-shelf-D5-*.jsonl")
    amend(scrapped, what="void", who="anna", why="wrong part")
    (part,) = [part for part in shelf_parts(told) if part.specimen == "D5"]
    assert part.life.state == "at-hand"
    assert part.is_at_hand
    # the journal is still there
    assert scrapped.exists()


def test_a_part_that_was_set_aside_twice_at_the_same_moment_goes_to_one(
    records: ShelfRecords,
) -> None:
    records.verified(coil("D4", 1.5e-3))
    done: list[str] = []
    refused: list[str] = []

    def take(name: str) -> None:
        try:
            done.append(reserve(records.data, "D4", reserved_for=name, who=name).event.who)
        except InputError as error:
            refused.append(error.message)

    threads = [threading.Thread(target=take, args=(f"radio {n}",)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(done) == 1
    assert len(refused) == 3
    assert all(f"reserved for {done[0]}" in text for text in refused)


def test_the_frozen_journal_still_means_what_it_meant(tmp_path: Path) -> None:
    data = data_folder(tmp_path / "data")
    data.journals.mkdir(parents=True)
    (data.journals / FROZEN.name).write_bytes(FROZEN.read_bytes())
    with Store(data.store) as store:
        store.ingest_waiting(data.journals)
        (event,) = store.shelf()
        (row,) = store.search()
    assert (event.what, event.specimen, event.who) == ("fitted", "D4", "ben")
    assert event.place == PLACE
    assert event.anyway
    assert event.why == "the customer waits"
    assert (row.job, row.specimen, row.type, row.status) == ("shelf", "D4", "coil-470n", "done")
