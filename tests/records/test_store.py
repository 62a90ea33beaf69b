"""The store: filled from journals, idempotent, rebuilt, searched; SQLite only.

Does not cover PostgreSQL.
"""

from __future__ import annotations

import json
import sqlite3
import threading
from pathlib import Path

import pytest
from hypothesis import given, settings
from sqlalchemy import inspect

from labbench.errors import InputError
from labbench.records.journal import Journal, amend
from labbench.records.readings_file import judgement_to_json, readings_to_json
from labbench.records.store import RunRow, Store
from labbench.results import Judgement, Readings
from tests.doubles import ManualClock
from tests.records.samples import judgement_samples, readings_samples


class Records:
    """Make journals in a folder, a minute apart."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir(exist_ok=True)
        self.clock = ManualClock()

    def run(
        self, name: str, *, specimen: str | None = "D1", closed: bool = True,
        disposition: str | None = "fit", job: str = "verify", **opened: object,
    ) -> Path:  # fmt: skip
        self.clock.advance(60)
        path = self.folder / f"{name}.jsonl"
        journal = Journal.create(
            path,
            {"job": job, "specimen": specimen, "type": "coil-470n", "bench": "bench-1",
             "who": "tester", "donor": "radar board 12", **opened},
            clock=self.clock,
        )  # fmt: skip
        if disposition is not None:
            journal.write("measured", readings={"schema": "readings/1", "specimen": specimen})
            journal.write(
                "judged",
                specimen=specimen,
                disposition=disposition,
                characteristics=[
                    {"name": "inductance", "value": 4.7e-7, "unit": "H",
                     "expanded_uncertainty": 3e-9, "verdict": "conforms"}
                ],
                findings=[{"fault": "cracked-core", "grade": "sure", "probability": 0.99}],
            )  # fmt: skip
        if closed:
            journal.close("done")
        else:
            journal._close_descriptor()
        return path


@pytest.fixture
def records(tmp_path: Path) -> Records:
    return Records(tmp_path / "journals")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "store.sqlite"


def names(rows: list[RunRow]) -> list[str]:
    return [row.run for row in rows]


def test_a_journal_becomes_a_run_with_what_was_found(records: Records, path: Path) -> None:
    with Store(path) as store:
        assert store.ingest(records.run("one", customer_job="buoy 7", simulated=True)) == "one"
        (row,) = store.search()
    assert (row.run, row.job, row.specimen, row.type) == ("one", "verify", "D1", "coil-470n")
    assert (row.donor, row.customer_job, row.who) == ("radar board 12", "buoy 7", "tester")
    assert (row.status, row.disposition, row.simulated) == ("done", "fit", True)
    assert row.measured == {"schema": "readings/1", "specimen": "D1"}
    assert row.judged is not None
    assert row.judged["characteristics"][0]["value"] == 4.7e-7
    assert row.void is None
    with sqlite3.connect(path) as connection:
        rows = connection.execute("select name, value, unit from characteristics").fetchall()
        faults = connection.execute("select run, fault, grade from findings").fetchall()
    connection.close()
    assert rows == [("inductance", 4.7e-7, "H")]
    assert faults == [("one", "cracked-core", "sure")]


def test_ingesting_twice_changes_nothing(records: Records, path: Path) -> None:
    journal = records.run("one")
    strike = amend(journal, what="void", who="tester", why="wrong part")
    with Store(path) as store:
        for _ in range(3):
            store.ingest(journal)
            store.ingest(strike)
        once = dump(path)
        store.ingest_waiting(records.folder)
        assert dump(path) == once
        assert len(store.search()) == 1


def dump(path: Path) -> list[str]:
    connection = sqlite3.connect(path)
    try:
        return sorted(line for line in connection.iterdump() if line.startswith("INSERT"))
    finally:
        connection.close()


def test_a_store_rebuilt_from_the_journals_is_the_same(records: Records, path: Path) -> None:
    for number in range(4):
        journal = records.run(f"run-{number}", specimen=f"D{number}")
    amend(journal, what="void", who="tester", why="wrong part")
    with Store(path) as store:
        assert store.ingest_waiting(records.folder) == 5
        before, rows = dump(path), store.search()
        assert store.rebuild(records.folder) == 5
        assert dump(path) == before
        assert store.search() == rows
    path.unlink()
    with Store(path) as store:
        store.ingest_waiting(records.folder)
    assert dump(path) == before


def test_only_journals_that_wait_are_read(records: Records, path: Path) -> None:
    records.run("one")
    open_one = records.run("two", closed=False)
    with Store(path) as store:
        assert store.ingest_waiting(records.folder) == 2
        # a run that may still be under way is read again; a closed one is not
        assert store.ingest_waiting(records.folder) == 1
        records.run("three")
        assert store.ingest_waiting(records.folder) == 2
        assert {row.run: row.status for row in store.search()}[open_one.stem] is None


def test_a_torn_last_line_is_no_obstacle(records: Records, path: Path) -> None:
    journal = records.run("one", closed=False)
    with journal.open("ab") as file:
        file.write(b'{"version": 1, "sequence": 3, "utc": "2026-')
    with Store(path) as store:
        store.ingest_waiting(records.folder)
        (row,) = store.search()
    assert row.disposition == "fit"
    assert row.status is None


def test_one_journal_that_cannot_be_read_does_not_hide_the_others(
    records: Records, path: Path
) -> None:
    records.run("a-good")
    damaged = records.run("b-damaged")
    lines = damaged.read_bytes().splitlines(keepends=True)
    damaged.write_bytes(lines[0] + b"not json\n" + b"".join(lines[1:]))
    records.run("c-good")
    with Store(path) as store:
        assert store.ingest_waiting(records.folder) == 2
        assert names(store.search()) == ["c-good", "a-good"]
        (problem,) = store.unreadable
        assert "b-damaged.jsonl, line 2" in problem.message
        damaged.unlink()
        store.ingest_waiting(records.folder)
        assert store.unreadable == []


def test_an_amendment_may_come_before_its_run(records: Records, path: Path) -> None:
    journal = records.run("one")
    strike = amend(journal, what="void", who="tester", why="wrong part")
    with Store(path) as store:
        store.ingest(strike)
        assert store.search() == []
        store.ingest(journal)
        (row,) = store.search()
    assert row.void is not None
    assert (row.void["who"], row.void["why"]) == ("tester", "wrong part")


def test_only_a_void_strikes_a_run(records: Records, path: Path) -> None:
    journal = records.run("one")
    amend(journal, what="off-confirmed", who="tester", why="read back off at the next start")
    with Store(path) as store:
        store.ingest_waiting(records.folder)
        (row,) = store.search(with_void=False)
    assert row.void is None


def test_runs_are_found_by_what_they_are_known_by_latest_first(
    records: Records, path: Path
) -> None:
    records.run("one", specimen="D1", donor="radar board 12", lot="pulled")
    records.run("two", specimen="D2", donor="radio board 4", disposition="unfit")
    records.run("three", specimen="D1", donor="radar board 12")
    records.run("four", specimen=None, job="compensate", disposition=None)
    with Store(path) as store:
        store.ingest_waiting(records.folder)
        assert names(store.search()) == ["four", "three", "two", "one"]
        assert names(store.search(specimen="D1")) == ["three", "one"]
        assert names(store.search(specimen="D1", lot="pulled")) == ["one"]
        assert names(store.search(donor="radio board 4")) == ["two"]
        assert names(store.search(disposition="unfit")) == ["two"]
        assert names(store.search(job="compensate")) == ["four"]
        assert names(store.search(run="three")) == ["three"]
        assert names(store.search(limit=2)) == ["four", "three"]
        assert names(store.search(type="coil-4u7")) == []
        amend(records.folder / "three.jsonl", what="void", who="tester", why="wrong part")
        store.ingest_waiting(records.folder)
        assert names(store.search(specimen="D1", with_void=False)) == ["one"]
        # the limit counts what is shown, not what is struck
        assert names(store.search(with_void=False, limit=2)) == ["four", "two"]


def test_text_that_looks_like_a_query_is_text(records: Records, path: Path) -> None:
    records.run("one", specimen="D1'; drop table runs; --")
    with Store(path) as store:
        store.ingest_waiting(records.folder)
        assert names(store.search(specimen="D1'; drop table runs; --")) == ["one"]
        assert names(store.search(specimen="%")) == []


def test_the_next_number_is_one_above_the_highest(records: Records, path: Path) -> None:
    with Store(path) as store:
        assert store.next_specimen() == "D1"
        for specimen in ("D1", "D12", "D3", "Dx9", "Q40", "D7b"):
            store.ingest(records.run(f"run-{specimen}", specimen=specimen))
        assert store.next_specimen() == "D13"
        assert store.next_specimen("Q") == "Q41"


@settings(max_examples=25, deadline=None)
@given(readings=readings_samples(), judgement=judgement_samples())
def test_readings_and_judgement_come_back_as_they_were_written(
    tmp_path_factory: pytest.TempPathFactory, readings: Readings, judgement: Judgement
) -> None:
    folder = tmp_path_factory.mktemp("store")
    journal = Journal.create(folder / "run.jsonl", {"job": "verify"})
    measured, judged = readings_to_json(readings), judgement_to_json(judgement)
    with journal:
        journal.write("measured", readings=measured)
        journal.write("judged", **judged)
    with Store(folder / "store.sqlite") as store:
        store.ingest(journal.path)
        (row,) = store.search()
    assert row.measured == json.loads(json.dumps(measured))
    assert row.judged == json.loads(json.dumps(judged))


def test_writers_at_the_same_time_wait_for_each_other(records: Records, path: Path) -> None:
    journals = [records.run(f"run-{number}", specimen=f"D{number}") for number in range(8)]
    errors: list[BaseException] = []

    def write(mine: list[Path]) -> None:
        try:
            with Store(path) as store:
                for journal in mine:
                    store.ingest(journal)
        except BaseException as error:
            errors.append(error)

    threads = [threading.Thread(target=write, args=(journals[n::4],)) for n in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert errors == []
    with Store(path) as store:
        assert len(store.search()) == 8


def test_a_locked_store_is_a_sentence_that_says_nothing_is_lost(
    records: Records, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("labbench.records.store.BUSY_TIMEOUT_MS", 50)
    journal = records.run("one")
    with Store(path) as store:
        other = sqlite3.connect(path, isolation_level=None)
        try:
            other.execute("begin immediate")
            with pytest.raises(InputError, match="nothing is lost"):
                store.ingest(journal)
            other.execute("rollback")
        finally:
            other.close()
        store.ingest(journal)
        assert len(store.search()) == 1


def test_a_file_that_is_no_database_is_named_with_the_way_out(path: Path) -> None:
    path.write_text("a letter\n" * 1000, encoding="utf-8")
    with pytest.raises(InputError, match="history --rebuild") as caught:
        Store(path)
    assert str(path) in caught.value.message


def test_sqlite_is_set_up_to_survive_a_power_cut(path: Path) -> None:
    with Store(path) as store, store._begin() as connection:
        settings_ = {
            name: connection.exec_driver_sql(f"PRAGMA {name}").scalar()
            for name in ("journal_mode", "synchronous", "foreign_keys", "busy_timeout")
        }
        assert inspect(connection).get_table_names() == [
            "amendments", "characteristics", "findings", "runs", "shelf_events",
        ]  # fmt: skip
    assert settings_ == {
        "journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "busy_timeout": 5000,
    }  # fmt: skip
