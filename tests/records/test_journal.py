"""Check the journal: what is on disk when, what a cut leaves, what a full disk does.

Not covered: a power cut of a real disk (fsync is trusted), two processes on one journal file.
"""

from __future__ import annotations

import errno
import json
import math
import os
import subprocess
import sys
import textwrap
import time
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from attrs import frozen
from hypothesis import given, settings
from hypothesis import strategies as st

from labbench.errors import FileProblems, InputError, JournalFailed, StoppedByPerson
from labbench.records.journal import (
    KINDS,
    Journal,
    Kind,
    amend,
    amendments_of,
    find_unfinished,
    is_amendment,
    read_journal,
)
from tests.doubles import ManualClock


def a_run(path: Path) -> Path:
    """Write a whole run: energised once, one step clean, one void."""
    with Journal.create(path, {"job": "verify", "bench": "bench-1"}) as journal:
        journal.write("step-begun", step="sweep#1", name="sweep")
        journal.write("reading", step="sweep#1", value=1.0)
        journal.write("step-ended", step="sweep#1", clean=True)
        journal.write("about-to-energise", channel=1, volts=0.3)
        journal.write("energised", channel=1)
        journal.write("off", channel=1)
        journal.write("step-begun", step="pair#2", name="pair")
        number = journal.write("reading", step="pair#2", value=2.0)
        journal.write("void", step="pair#2", readings=[number], reason="timeout")
        journal.write("step-ended", step="pair#2", clean=False)
    return path


def test_each_event_is_on_disk_before_write_returns(tmp_path: Path) -> None:
    path = tmp_path / "run.jsonl"
    journal = Journal.create(path, {"job": "verify"})
    kinds: tuple[Kind, ...] = ("identified", "reading")
    for number, kind in enumerate(kinds, start=1):
        assert journal.write(kind, role="supply") == number
        assert json.loads(path.read_text().splitlines()[-1])["kind"] == kind
    journal.close("done")


def test_each_event_is_fsynced_before_write_returns(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "run.jsonl"
    journal = Journal.create(path, {"job": "verify"})
    seen: list[int] = []
    monkeypatch.setattr(os, "fsync", lambda _: seen.append(path.stat().st_size))
    journal.write("reading", value=1)
    assert seen == [path.stat().st_size]
    journal.close("done")


def test_an_event_holds_version_sequence_both_times_kind_and_data(tmp_path: Path) -> None:
    clock = ManualClock()
    path = tmp_path / "run.jsonl"
    with Journal.create(path, {"job": "verify", "who": "ada"}, clock=clock) as journal:
        clock.advance(2.5)
        journal.write("reading", value=0.1, specimen="µ-Ω")
    lines = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
    assert set(lines[1]) == {"version", "sequence", "utc", "monotonic", "kind", "data"}
    assert [line["sequence"] for line in lines] == [0, 1, 2]
    assert [line["kind"] for line in lines] == ["opened", "reading", "closed"]
    assert lines[1]["monotonic"] == 102.5
    assert lines[1]["data"] == {"value": 0.1, "specimen": "µ-Ω"}
    assert datetime.fromisoformat(lines[1]["utc"]) == clock.utc()


def test_a_journal_is_never_written_over(tmp_path: Path) -> None:
    path = a_run(tmp_path / "run.jsonl")
    before = path.read_bytes()
    with pytest.raises(InputError, match="exists already"):
        Journal.create(path, {})
    assert path.read_bytes() == before


def test_a_journal_in_a_folder_that_is_missing_says_so(tmp_path: Path) -> None:
    with pytest.raises(JournalFailed, match="nothing energised"):
        Journal.create(tmp_path / "none" / "run.jsonl", {})


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, object(), b"raw"])
def test_what_json_cannot_hold_is_refused_and_leaves_no_trace(tmp_path: Path, value: Any) -> None:
    path = tmp_path / "run.jsonl"
    with Journal.create(path, {}) as journal:
        with pytest.raises(JournalFailed):
            journal.write("reading", value=value)
        assert journal.write("reading", value=1.0) == 1
    assert [event.kind for event in read_journal(path).events] == ["opened", "reading", "closed"]


def test_an_unknown_kind_is_refused(tmp_path: Path) -> None:
    with Journal.create(tmp_path / "run.jsonl", {}) as journal, pytest.raises(JournalFailed):
        journal.write("chatter")  # type: ignore[arg-type]


def test_data_classes_are_kept_as_plain_data(tmp_path: Path) -> None:
    @frozen
    class Inner:
        numbers: tuple[float, ...]

    @frozen
    class Outer:
        inner: Inner
        where: Path

    path = tmp_path / "run.jsonl"
    with Journal.create(path, {}) as journal:
        journal.write("reading", reading=Outer(Inner((1.0, 2.0)), Path("a")))
    data = read_journal(path).events[1].data
    assert data == {"reading": {"inner": {"numbers": [1.0, 2.0]}, "where": "a"}}


def test_a_journal_left_by_an_error_is_closed_with_its_reason(tmp_path: Path) -> None:
    for error, status in (
        (ValueError("odd"), "failed"),
        (StoppedByPerson("stopped"), "stopped"),
        (KeyboardInterrupt(), "stopped"),
    ):
        path = tmp_path / f"{status}-{type(error).__name__}.jsonl"
        with pytest.raises(type(error)), Journal.create(path, {}):
            raise error
        closed = read_journal(path).events[-1]
        assert closed.kind == "closed"
        assert closed.data["status"] == status
        assert type(error).__name__ in closed.data["reason"]


def test_a_closed_journal_takes_nothing_more_and_closes_once(tmp_path: Path) -> None:
    path = tmp_path / "run.jsonl"
    journal = Journal.create(path, {})
    journal.close("done", "all measured")
    journal.close("failed")
    assert read_journal(path).events[-1].data["reason"] == "all measured"
    with pytest.raises(JournalFailed, match="closed"):
        journal.write("reading")


# -- cuts ------------------------------------------------------------------------------------


def test_a_journal_cut_at_any_byte_reads_back_with_at_most_its_last_line_torn(
    tmp_path: Path,
) -> None:
    whole = a_run(tmp_path / "run.jsonl").read_bytes()
    cut = tmp_path / "cut.jsonl"
    for length in range(len(whole) + 1):
        part = whole[:length]
        cut.write_bytes(part)
        back = read_journal(cut)
        assert len(back.events) == part.count(b"\n")
        assert back.torn == (not part.endswith(b"\n") and length > 0)
        assert (back.note is not None) == back.torn


def test_a_run_cut_between_on_and_off_is_found_and_no_other(tmp_path: Path) -> None:
    whole = a_run(tmp_path / "run.jsonl").read_bytes()
    (tmp_path / "run.jsonl").unlink()
    lines = whole.splitlines(keepends=True)
    kinds = [json.loads(line)["kind"] for line in lines]
    cut = tmp_path / "cut.jsonl"
    for count in range(len(lines) + 1):
        cut.write_bytes(b"".join(lines[:count]) + b'{"versi')
        on = "about-to-energise" in kinds[:count] and "off" not in kinds[:count]
        found = find_unfinished(tmp_path)
        assert bool(found) == on
        if on:
            assert (found[0].run, found[0].channels) == ("cut", (1,))
            assert found[0].opened["bench"] == "bench-1"


def test_a_last_line_of_zeros_is_torn(tmp_path: Path) -> None:
    # a file system may have grown the file without having written the block
    path = a_run(tmp_path / "run.jsonl")
    path.write_bytes(path.read_bytes() + b"\0" * 200)
    back = read_journal(path)
    assert back.torn
    assert back.torn_bytes == 200
    path.write_bytes(path.read_bytes() + b"rest}\n")
    assert read_journal(path).torn


def test_a_broken_line_before_the_last_is_a_problem_with_its_number(tmp_path: Path) -> None:
    path = a_run(tmp_path / "run.jsonl")
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(b"".join([*lines[:3], b"garbage\n", *lines[4:6], b"\xff\n", *lines[7:]]))
    with pytest.raises(FileProblems) as caught:
        read_journal(path)
    # the events after a missing one are out of sequence, and that is said too
    assert {4, 7} <= {problem.line for problem in caught.value.problems}


@pytest.mark.parametrize(
    ("key", "value", "said"),
    [
        ("version", 2, "version 2"),
        ("kind", "chatter", "'chatter'"),
        ("sequence", 7, "sequence 7"),
        ("data", [], "no object"),
        ("extra", 1, "keys"),
    ],
)
def test_a_line_that_is_no_event_is_a_problem_even_at_the_end(
    tmp_path: Path, key: str, value: object, said: str
) -> None:
    path = a_run(tmp_path / "run.jsonl")
    lines = path.read_text().splitlines()
    lines[-1] = json.dumps({**json.loads(lines[-1]), key: value})
    path.write_text("\n".join(lines) + "\n")
    with pytest.raises(FileProblems, match=said):
        read_journal(path)


def test_a_missing_journal_is_a_problem(tmp_path: Path) -> None:
    with pytest.raises(FileProblems, match="cannot be read"):
        read_journal(tmp_path / "none.jsonl")


@settings(max_examples=100, deadline=None)
@given(
    data=st.dictionaries(
        st.text(max_size=8),
        st.recursive(
            st.none() | st.booleans() | st.floats(allow_nan=False, allow_infinity=False)
            | st.integers(-(2**53), 2**53)
            | st.text(st.characters(exclude_categories=["Cs"]), max_size=12),
            lambda inner: st.lists(inner, max_size=3)
            | st.dictionaries(st.text(st.characters(exclude_categories=["Cs"])), inner, max_size=3),
            max_leaves=8,
        ),
        max_size=4,
    )
)  # fmt: skip
def test_any_plain_data_comes_back_as_written(
    tmp_path_factory: pytest.TempPathFactory, data: dict[str, Any]
) -> None:
    path = tmp_path_factory.mktemp("any") / "run.jsonl"
    with Journal.create(path, {}) as journal:
        journal.write("reading", data=data)
    assert read_journal(path).events[1].data == {"data": data}


def test_a_process_killed_while_writing_leaves_a_journal_that_reads_back(tmp_path: Path) -> None:
    script = textwrap.dedent(
        """
        import sys
        from pathlib import Path
        from labbench.records.journal import Journal
        journal = Journal.create(Path(sys.argv[1]), {"bench": "bench-1"})
        journal.write("about-to-energise", channel=1)
        print("on", flush=True)
        while True:
            journal.write("reading", text="x" * 3000)
        """
    )
    for number in range(3):
        path = tmp_path / f"run-{number}.jsonl"
        with subprocess.Popen(
            [sys.executable, "-c", script, str(path)],
            stdout=subprocess.PIPE,
            cwd=Path(__file__).parents[2],
        ) as process:
            assert process.stdout is not None
            assert process.stdout.readline() == b"on\n"
            time.sleep(0.02 * number)
            process.kill()
        back = read_journal(path)
        assert [event.kind for event in back.events[:2]] == ["opened", "about-to-energise"]
        assert path.stem in {run.run for run in find_unfinished(tmp_path)}


# -- a full disk -----------------------------------------------------------------------------


class FullDisk:
    """Let a number of bytes through, then fail as a full disk does."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, room: int) -> None:
        self.room = room
        self._write = os.write
        self._truncate = os.ftruncate
        self.truncates = True
        monkeypatch.setattr(os, "write", self.write)
        monkeypatch.setattr(os, "ftruncate", self.truncate)

    def write(self, descriptor: int, data: bytes) -> int:
        if self.room == 0:
            raise OSError(errno.ENOSPC, "No space left on device")
        count = self._write(descriptor, bytes(data)[: self.room])
        self.room -= count
        return count

    def truncate(self, descriptor: int, length: int) -> None:
        if not self.truncates:
            raise OSError(errno.EIO, "Input/output error")
        self._truncate(descriptor, length)


def test_a_full_disk_raises_and_leaves_whole_events(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "run.jsonl"
    journal = Journal.create(path, {})
    disk = FullDisk(monkeypatch, room=25)
    with pytest.raises(JournalFailed, match="No space left"):
        journal.write("reading", value=1.0)
    assert [event.kind for event in read_journal(path).events] == ["opened"]
    assert not read_journal(path).torn
    # space again: the journal goes on with the sequence number that was never written
    disk.room = 10_000
    assert journal.write("off", channel=1) == 1
    journal.close("failed", "disk full")
    assert [event.kind for event in read_journal(path).events] == ["opened", "off", "closed"]


def test_a_disk_that_cannot_even_shorten_a_file_ends_the_journal_torn(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "run.jsonl"
    journal = Journal.create(path, {})
    disk = FullDisk(monkeypatch, room=25)
    disk.truncates = False
    with pytest.raises(JournalFailed):
        journal.write("reading", value=1.0)
    disk.room = 10_000
    with pytest.raises(JournalFailed, match="takes no more events"):
        journal.write("reading", value=2.0)
    with pytest.raises(JournalFailed):
        journal.close("failed")
    assert journal.closed
    back = read_journal(path)
    assert back.torn
    assert [event.kind for event in back.events] == ["opened"]


def test_an_error_under_way_stays_the_one_raised_when_closing_fails_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    journal = Journal.create(tmp_path / "run.jsonl", {})
    FullDisk(monkeypatch, room=0)
    with pytest.raises(ValueError, match="odd") as caught, journal:
        raise ValueError("odd")
    assert "could not be closed" in "".join(caught.value.__notes__)


# -- afterwards ------------------------------------------------------------------------------


def test_only_readings_of_clean_steps_count(tmp_path: Path) -> None:
    back = read_journal(a_run(tmp_path / "run.jsonl"))
    assert [event.data["value"] for event in back.valid_readings()] == [1.0]


def test_an_amendment_stands_beside_and_changes_nothing(tmp_path: Path) -> None:
    path = a_run(tmp_path / "run.jsonl")
    before = path.read_bytes()
    first = amend(path, what="void", who="ada", why="wrong coil in the jig")
    second = amend(path, what="specimen", who="ada", why="a slip", details={"specimen": "D8"})
    assert path.read_bytes() == before
    assert amendments_of(path) == (first, second)
    assert is_amendment(first)
    assert not is_amendment(path)
    amended = read_journal(second).of_kind("amended")[0]
    assert amended.data == {
        "run": "run", "what": "specimen", "who": "ada", "why": "a slip", "specimen": "D8",
    }  # fmt: skip
    assert read_journal(first).events[0].data["amends"] == "run.jsonl"
    with pytest.raises(InputError, match="itself an amendment"):
        amend(first, what="void", who="ada", why="again")


def test_an_amendment_needs_who_and_why(tmp_path: Path) -> None:
    path = a_run(tmp_path / "run.jsonl")
    with pytest.raises(InputError, match="who and why"):
        amend(path, what="void", who="", why="")
    assert amendments_of(path) == ()


def test_a_run_confirmed_off_afterwards_is_not_found_again(tmp_path: Path) -> None:
    path = tmp_path / "run.jsonl"
    journal = Journal.create(path, {})
    journal.write("about-to-energise", channel=2)
    journal.close("failed")
    assert [run.channels for run in find_unfinished(tmp_path)] == [(2,)]
    amend(path, what="void", who="ada", why="mistaken")
    assert len(find_unfinished(tmp_path)) == 1
    amend(path, what="off-confirmed", who="ada", why="read back off")
    assert find_unfinished(tmp_path) == []


def test_a_journal_that_cannot_be_read_counts_as_unfinished(tmp_path: Path) -> None:
    path = a_run(tmp_path / "run.jsonl")
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(b"".join([lines[0], b"garbage\n", *lines[2:-1]]))
    (found,) = find_unfinished(tmp_path)
    assert found.problem is not None
    assert found.channels == ()


FROZEN = Path(__file__).parent / "frozen"


def test_the_journal_of_version_1_reads_back_for_ever() -> None:
    back = read_journal(FROZEN / "journal-1.jsonl")
    assert len(back.events) == 35
    assert not back.torn
    assert back.channels_not_off() == ()
    assert back.of_kind("closed")[0].data["status"] == "done"
    assert len(back.of_kind("reading")) == 9
    # the first sweep lost its link half way
    assert [event.sequence for event in back.valid_readings()][:2] == [15, 16]
    assert find_unfinished(FROZEN) == []


def test_the_kinds_are_a_closed_list() -> None:
    assert len(set(KINDS)) == len(KINDS) == 20
