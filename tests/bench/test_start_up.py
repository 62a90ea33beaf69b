"""Check that a run that broke off while energised is dealt with before anything else.

Not covered: two benches that start at the same moment (address locks are the drivers').
"""

from __future__ import annotations

from pathlib import Path

import pytest

from labbench.bench.start_up import settle_unfinished
from labbench.errors import OutputStateUnknown, SafetyError, StillCharged
from labbench.ports import STATUS_OK, ScalarReading
from labbench.records.journal import Journal, find_unfinished, read_journal
from tests.doubles import Exchanges, FakeSupply, ManualClock, World


def broken_off(folder: Path, name: str = "run", bench: str = "bench-1") -> Path:
    path = folder / f"{name}.jsonl"
    journal = Journal.create(path, {"bench": bench})
    journal.write("about-to-energise", channel=1)
    journal.write("energised", channel=1)
    journal.close("failed")
    return path


def supply() -> FakeSupply:
    return FakeSupply(Exchanges(), World(ManualClock()))


def test_without_such_a_run_nothing_is_sent(tmp_path: Path) -> None:
    one = supply()
    with Journal.create(tmp_path / "run.jsonl", {}) as journal:
        journal.write("reading")
    assert settle_unfinished(tmp_path, one, who="ada") == []
    assert one.exchanges.names == []


def test_every_channel_is_read_back_off_and_that_is_kept_beside_the_journal(
    tmp_path: Path,
) -> None:
    path = broken_off(tmp_path)
    before = path.read_bytes()
    one = supply()
    (run,) = settle_unfinished(tmp_path, one, who="ada")
    assert run.run == "run"
    assert one.exchanges.names == ["supply.is_on", "supply.is_on"]
    assert path.read_bytes() == before
    (beside,) = tmp_path.glob("run.amended-*.jsonl")
    amended = read_journal(beside).of_kind("amended")[0].data
    assert amended["what"] == "off-confirmed"
    assert amended["were_still_on"] == []
    assert find_unfinished(tmp_path) == []
    assert settle_unfinished(tmp_path, one, who="ada") == []


def test_a_channel_still_on_is_switched_off_and_that_is_written(tmp_path: Path) -> None:
    broken_off(tmp_path)
    one = supply()
    one.world.switch(True)
    settle_unfinished(tmp_path, one, who="ada")
    assert not one.world.on
    (beside,) = tmp_path.glob("run.amended-*.jsonl")
    assert read_journal(beside).of_kind("amended")[0].data["were_still_on"] == [1]


def test_what_an_output_still_holds_is_waited_out_before_anything_moves(tmp_path: Path) -> None:
    broken_off(tmp_path)
    one = supply()
    one.world.switch(True)
    readings = iter([5.0, 1.0, 0.01])
    one.read_voltage = lambda channel: ScalarReading(next(readings, 0.0), "V", STATUS_OK, "")  # type: ignore[method-assign]
    settle_unfinished(tmp_path, one, who="ada", clock=one.world.clock)
    assert list(readings) == []
    assert find_unfinished(tmp_path) == []


def test_one_low_answer_alone_is_not_believed_it_may_be_that_of_the_question_before(
    tmp_path: Path,
) -> None:
    broken_off(tmp_path)
    one = supply()
    readings = iter([0.0, 5.0, 0.3, 0.01, 0.01])
    one.read_voltage = lambda channel: ScalarReading(next(readings), "V", STATUS_OK, "")  # type: ignore[method-assign]
    one.channels = 1
    settle_unfinished(tmp_path, one, who="ada", clock=one.world.clock)
    assert list(readings) == []


def test_a_charge_that_stays_stops_everything(tmp_path: Path) -> None:
    broken_off(tmp_path)
    one = supply()
    one.read_voltage = lambda channel: ScalarReading(5.0, "V", STATUS_OK, "+5.0")  # type: ignore[method-assign]
    with pytest.raises(StillCharged):
        settle_unfinished(tmp_path, one, who="ada", clock=one.world.clock)
    assert len(find_unfinished(tmp_path)) == 1


def test_a_supply_that_cannot_be_read_back_stops_everything(tmp_path: Path) -> None:
    broken_off(tmp_path)
    one = supply()
    one.world.switch(True)
    one.stays_on = True
    with pytest.raises(OutputStateUnknown):
        settle_unfinished(tmp_path, one, who="ada")
    assert len(find_unfinished(tmp_path)) == 1


def test_a_bench_without_a_supply_says_what_to_look_at(tmp_path: Path) -> None:
    broken_off(tmp_path)
    with pytest.raises(SafetyError, match="broke off while its supply was on"):
        settle_unfinished(tmp_path, None, who="ada")


def test_a_run_of_another_bench_is_left_to_that_bench(tmp_path: Path) -> None:
    broken_off(tmp_path, "other", bench="bench-2")
    one = supply()
    assert settle_unfinished(tmp_path, one, who="ada", bench="bench-1") == []
    assert len(find_unfinished(tmp_path)) == 1


def test_a_damaged_journal_is_settled_once_too(tmp_path: Path) -> None:
    path = broken_off(tmp_path)
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(lines[0] + b"garbage\n" + b"".join(lines[1:3]))
    (run,) = settle_unfinished(tmp_path, supply(), who="ada", bench="bench-1")
    assert run.problem is not None
    assert find_unfinished(tmp_path) == []
