"""What is done with parts on the shelf, through the jobs: refused with every reason, or journalled.

Does not cover which step may follow which (tests/records/test_part_life) nor how events are kept
(tests/records/test_shelf_events).
"""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from labbench.compose import data_folder
from labbench.errors import InputError
from labbench.jobs.look_up import find_run, history, page_for, shelf_texts, strike, where_now
from labbench.jobs.shelf import board_outcome, fit, reserve, return_part, scrap
from labbench.jobs.shelf_parts import coil_on_board, shelf_parts, told_elsewhere
from labbench.records.part_life import BoardPlace
from tests.shelf_records import ShelfRecords, coil

PLACE = BoardPlace(board="radar-supply", serial="12", rail="core", phase="1")
BOARD = BoardPlace(board="radar-supply", serial="12")


@pytest.fixture
def records(tmp_path: Path) -> ShelfRecords:
    made = ShelfRecords(data_folder(tmp_path / "data"))
    made.verified(coil("D4", 1.5e-3))
    made.verified(coil("D5", 1.6e-3, disposition="unfit"))
    return made


def test_a_part_is_reserved_fitted_and_told_with_what_became_of_it(records: ShelfRecords) -> None:
    data = records.data
    assert where_now(data, "D4") == ""
    reserve(data, "D4", reserved_for="radar-supply 12", who="anna", now=records.later())
    assert where_now(data, "D4") == "reserved for radar-supply 12 (2026-11-25, anna)"
    done = fit(data, "D4", PLACE, who="ben", now=records.later())
    assert done.life is not None
    assert done.life.state == "fitted"
    assert done.overruled == ()
    told = board_outcome(data, BOARD, "came-back", who="ben", note="hums", now=records.later())
    assert told.parts == ("D4",)
    now = where_now(data, "D4")
    assert now == (
        "fitted in radar-supply 12, core phase 1 (2026-11-25, ben); the board came back "
        "(2026-11-25): hums"
    )
    assert sorted(shelf_texts(data).values()) == [
        "fitted in radar-supply 12, core phase 1", "radar-supply 12: the board came back: hums",
        "reserved for radar-supply 12",
    ]  # fmt: skip
    return_part(data, "D4", who="ben", now=records.later())
    assert where_now(data, "D4") == (
        "lifted off radar-supply 12, core phase 1 on 2026-11-25; verify it anew"
    )
    scrap(data, "D4", who="ben", why="torn pad", now=records.later())
    assert "; was in radar-supply 12, core phase 1; the board came back" in where_now(data, "D4")


def test_a_refusal_changes_nothing_and_gives_every_reason(records: ShelfRecords) -> None:
    reserve(records.data, "D4", reserved_for="radio 3", who="anna", now=records.later())
    before = sorted(records.data.journals.glob("*.jsonl"))
    with pytest.raises(InputError) as caught:
        fit(records.data, "D5", PLACE, who="ben")
    assert "D5 is unfit" in caught.value.message
    assert "--anyway --why" in (caught.value.hint or "")
    with pytest.raises(InputError, match="reserved for radio 3"):
        fit(records.data, "D4", PLACE, who="ben")
    assert sorted(records.data.journals.glob("*.jsonl")) == before


def test_a_refusal_is_overruled_with_a_reason_only_and_what_was_overruled_is_kept(
    records: ShelfRecords,
) -> None:
    with pytest.raises(InputError, match="--anyway needs a reason"):
        fit(records.data, "D5", PLACE, who="ben", anyway=True)
    with pytest.raises(InputError, match="--anyway needs a reason"):
        fit(records.data, "D5", PLACE, who="ben", anyway=True, why="  ")
    done = fit(records.data, "D5", PLACE, who="ben", anyway=True, why="for a trial")
    assert done.event.anyway
    assert done.event.why == "for a trial"
    assert "D5 is unfit" in done.overruled[0]
    assert where_now(records.data, "D5").startswith(
        "fitted in radar-supply 12, core phase 1 anyway"
    )


def test_leave_that_was_not_needed_is_not_kept_as_used(records: ShelfRecords) -> None:
    done = fit(records.data, "D4", PLACE, who="ben", anyway=True, why="to be sure")
    assert not done.event.anyway
    assert done.overruled == ()


def test_what_stands_for_ever_cannot_be_overruled(records: ShelfRecords) -> None:
    scrap(records.data, "D4", who="anna", why="torn pad", now=records.later())
    with pytest.raises(InputError, match="was scrapped") as caught:
        fit(records.data, "D4", PLACE, who="ben", anyway=True, why="found it again")
    assert "labbench void" in (caught.value.hint or "")
    assert "--anyway" not in (caught.value.hint or "")


def test_a_slip_of_the_keyboard_gets_a_suggestion(records: ShelfRecords) -> None:
    with pytest.raises(InputError) as caught:
        reserve(records.data, "D44", reserved_for="x", who="anna")
    assert "never verified" in caught.value.message
    assert (caught.value.hint or "").startswith("did you mean D4?")


def test_who_and_why_are_not_left_empty(records: ShelfRecords) -> None:
    with pytest.raises(InputError, match="empty: why"):
        scrap(records.data, "D4", who="anna", why=" ")
    with pytest.raises(InputError, match="empty: who, reserved for"):
        reserve(records.data, "D4", reserved_for="", who="")


def test_a_mistaken_step_is_struck_like_a_run_and_the_part_is_where_it_was(
    records: ShelfRecords,
) -> None:
    done = scrap(records.data, "D4", who="anna", why="torn pad", now=records.later())
    strike(records.data, done.event.run, who="anna", why="that was D6")
    (part,) = [part for part in shelf_parts(records.data) if part.specimen == "D4"]
    assert part.life.state == "at-hand"
    # a specimen's name still means its verdict, not what was done with it since
    fit(records.data, "D4", PLACE, who="ben", now=records.later())
    assert find_run(records.data, "D4").job == "verify"
    assert [row.job for row in history(records.data, specimen="D4")] == ["shelf", "shelf", "verify"]


def test_a_part_is_at_hand_only_while_its_verdict_stands(records: ShelfRecords) -> None:
    def at_hand() -> list[str]:
        return [p.specimen for p in shelf_parts(records.data, type="coil-470n") if p.is_at_hand]

    assert at_hand() == ["D4", "D5"]
    fit(records.data, "D4", PLACE, who="ben", now=records.later())
    assert at_hand() == ["D5"]
    return_part(records.data, "D4", who="ben", now=records.later())
    assert at_hand() == ["D5"]
    records.verified(coil("D4", 1.5e-3))
    assert at_hand() == ["D4", "D5"]
    assert shelf_parts(records.data, type="coil-4u7") == []


def test_parts_are_listed_by_number(records: ShelfRecords) -> None:
    for name in ("D10", "D2", "Q1", "C1"):
        records.verified(coil(name, 1.5e-3))
    assert [p.specimen for p in shelf_parts(records.data)] == ["C1", "D2", "D4", "D5", "D10", "Q1"]


def test_events_of_one_moment_keep_the_order_of_their_runs(records: ShelfRecords) -> None:
    moment = records.later()
    reserve(records.data, "D4", reserved_for="radar-supply 12", who="anna", now=moment)
    fit(records.data, "D4", PLACE, who="ben", now=moment + timedelta(microseconds=1))
    assert where_now(records.data, "D4").startswith("fitted")


def test_the_page_of_a_part_says_where_it_is_now(records: ShelfRecords) -> None:
    fit(records.data, "D4", PLACE, who="ben", now=records.later())
    board_outcome(records.data, BOARD, "works", who="ben", now=records.later())
    page = page_for(find_run(records.data, "D4"), records.data)
    # a fitted part is not told to be soldered in
    assert "Since then: fitted in radar-supply 12, core phase 1 (2026-11-25, ben); the" in page
    assert "Next: solder it in" not in page
    assert "<td>fitted in radar-supply 12, core phase 1</td><td>ben</td>" in page
    assert "<td>radar-supply 12: the board works</td><td>ben</td>" in page
    other = page_for(find_run(records.data, "D5"), records.data)
    assert "Next: bin it" in other
    assert "What was done with it since" not in other


def test_the_page_of_a_verdict_tells_what_was_done_after_it_and_not_before(
    records: ShelfRecords,
) -> None:
    first = find_run(records.data, "D4").run
    fit(records.data, "D4", PLACE, who="ben", now=records.later())
    return_part(records.data, "D4", who="ben", now=records.later())
    records.verified(coil("D4", 1.5e-3))
    latest = page_for(find_run(records.data, "D4"), records.data)
    assert "Next: solder it in" in latest
    assert "What was done with it since" not in latest
    assert "<td>returned to the shelf</td>" in page_for(find_run(records.data, first), records.data)
    assert where_now(records.data, "D4").endswith("; verified anew")


def test_the_coil_that_sits_on_the_one_phase_that_was_fitted_is_known(
    records: ShelfRecords,
) -> None:
    def coil_on(*phases: int, serial: str = "12") -> str | None:
        return coil_on_board(records.data, board="radar-supply", serial=serial, rail="core",
                             phases=phases)  # fmt: skip

    assert coil_on(1) is None
    fit(records.data, "D4", PLACE, who="ben", now=records.later())
    assert coil_on(1) == "D4"
    assert coil_on(2) is None
    assert coil_on(1, 2) is None
    assert coil_on(1, serial="13") is None
    records.verified(coil("D6", 1.5e-3))
    fit(records.data, "D6", BoardPlace(board="radar-supply", serial="13", rail="core"), who="ben",
        now=records.later())  # fmt: skip
    assert coil_on(1, serial="13") == "D6"


def test_a_part_that_should_be_elsewhere_is_told_so_when_it_is_measured(
    records: ShelfRecords,
) -> None:
    assert told_elsewhere(records.data, "D4") is None
    fit(records.data, "D4", PLACE, who="ben", now=records.later())
    said = told_elsewhere(records.data, "D4")
    assert said is not None
    assert "fitted in radar-supply 12, core phase 1" in said
    assert "labbench shelf return D4" in said
    return_part(records.data, "D4", who="ben", now=records.later())
    assert told_elsewhere(records.data, "D4") is None
    scrap(records.data, "D4", who="ben", why="torn pad", now=records.later())
    assert "was scrapped" in (told_elsewhere(records.data, "D4") or "")


def test_a_load_that_was_found_dead_takes_no_part_until_it_was_found_alive(
    records: ShelfRecords,
) -> None:
    records.rail_check("radar-supply", "12", "dead")
    records.rail_check("radar-supply", "12", "alive", rail="memory")
    records.rail_check("radar-supply", "12", "undecided")
    with pytest.raises(InputError, match="load of radar-supply 12 was found dead"):
        fit(records.data, "D4", PLACE, who="ben", now=records.later())
    records.rail_check("radar-supply", "12", "alive")
    board_outcome(records.data, BOARD, "load-dead", who="ben", now=records.later())
    with pytest.raises(InputError, match="found dead"):
        fit(records.data, "D4", PLACE, who="ben", now=records.later())
    records.rail_check("radar-supply", "12", "alive")
    assert fit(records.data, "D4", PLACE, who="ben", now=records.later()).overruled == ()


def test_a_board_type_that_is_new_and_spelled_like_another_is_told(records: ShelfRecords) -> None:
    assert fit(records.data, "D4", PLACE, who="ben", now=records.later()).near_board is None
    slip = BoardPlace(board="radar-suply", serial="14")
    told = board_outcome(records.data, slip, "works", who="ben", now=records.later())
    assert told.near_board == "radar-supply"
    other = BoardPlace(board="sonar", serial="14")
    done = board_outcome(records.data, other, "works", who="ben", now=records.later())
    assert done.near_board is None
