"""What becomes of a part after its verdict: which step may follow which, and what is refused.

Sequences of steps are drawn (hypothesis) and held against a model of a few lines. Does not cover
how events are kept (test_store) nor who looks things up (tests/jobs/test_shelf).
"""

from __future__ import annotations

from typing import Any

import pytest
from attrs import evolve
from hypothesis import given, settings
from hypothesis import strategies as st

from labbench.records.part_life import (
    BoardPlace,
    PartLife,
    ShelfEvent,
    Verified,
    board_events,
    part_lives,
)
from labbench.records.shelf_rules import (
    Refusal,
    check_fit,
    check_outcome,
    check_reserve,
    check_return,
    check_scrap,
)

CORE_1 = BoardPlace(board="radar-supply", serial="12", rail="core", phase="1")
CORE_2 = BoardPlace(board="radar-supply", serial="12", rail="core", phase="2")
BOARD = BoardPlace(board="radar-supply", serial="12")
FIT = Verified(run="v1", utc="2026-11-25T08:00:00Z", type="coil-470n", disposition="fit")


def event(number: int, what: Any, specimen: str | None = "D4", **more: Any) -> ShelfEvent:
    return ShelfEvent(
        run=f"e{number:03}", utc=f"2026-11-25T09:{number // 60:02}:{number % 60:02}Z", what=what,
        who="anna", specimen=specimen, **more,
    )  # fmt: skip


def life(*events: ShelfEvent) -> PartLife:
    return part_lives(events).get("D4", PartLife(specimen="D4"))


def said(refusals: list[Refusal]) -> str:
    return "; ".join(f"{r.because} | {r.hint}" for r in refusals)


FITTED = life(event(1, "fitted", place=CORE_1))
RESERVED = life(event(1, "reserved", reserved_for="radio 3"))
SCRAPPED = life(event(1, "scrapped", why="pad torn off"))
RETURNED = life(event(1, "fitted", place=CORE_1), event(2, "returned"))


def test_a_fit_part_at_hand_may_be_reserved_and_fitted() -> None:
    assert check_reserve(PartLife(specimen="D4"), FIT, reserved_for="radio 3") == []
    assert check_fit(PartLife(specimen="D4"), FIT, CORE_1) == []


@pytest.mark.parametrize(
    ("disposition", "hint"),
    [("unfit", "shelf scrap D4"), ("undecided", "verify it"), ("plausible", "--plausible")],
)
def test_a_part_that_is_not_fit_is_refused_with_what_to_do(disposition: str, hint: str) -> None:
    verified = evolve(FIT, disposition=disposition)
    for refusals in (
        check_reserve(PartLife(specimen="D4"), verified, reserved_for="x"),
        check_fit(PartLife(specimen="D4"), verified, CORE_1),
    ):
        (refusal,) = refusals
        assert f"D4 is {disposition}" in refusal.because
        assert hint in refusal.hint
        assert refusal.may_anyway


def test_a_plausible_part_is_taken_where_asked_for_and_an_unfit_one_never_is() -> None:
    plausible, unfit = evolve(FIT, disposition="plausible"), evolve(FIT, disposition="unfit")
    assert check_fit(PartLife(specimen="D4"), plausible, CORE_1, plausible=True) == []
    assert check_fit(PartLife(specimen="D4"), unfit, CORE_1, plausible=True) != []


def test_a_part_that_was_never_verified_is_refused() -> None:
    (refusal,) = check_fit(PartLife(specimen="D4"), None, CORE_1)
    assert "never verified" in refusal.because
    assert refusal.may_anyway


def test_a_check_standard_is_never_fitted() -> None:
    (refusal,) = check_fit(PartLife(specimen="D4"), FIT, CORE_1, is_check_standard=True)
    assert "check standard" in refusal.because


def test_a_scrapped_part_stays_scrapped_even_anyway() -> None:
    for refusals in (
        check_reserve(SCRAPPED, FIT, reserved_for="x"), check_fit(SCRAPPED, FIT, CORE_1),
        check_return(SCRAPPED), check_scrap(SCRAPPED),
    ):  # fmt: skip
        assert "scrapped on 2026-11-25 by anna: pad torn off" in said(refusals)
        assert "labbench void e001" in said(refusals)
        assert not all(r.may_anyway for r in refusals)


def test_a_part_reserved_for_another_is_refused_by_name_and_its_own_board_takes_it() -> None:
    (refusal,) = check_fit(RESERVED, FIT, CORE_1)
    assert "reserved for radio 3 by anna since 2026-11-25" in refusal.because
    assert "shelf return D4" in refusal.hint
    assert refusal.may_anyway
    for reserved_for in ("radar-supply 12", "RADAR-SUPPLY/12", "radar-supply", "buoy 7"):
        mine = evolve(RESERVED, reserved_for=reserved_for)
        assert check_fit(mine, FIT, CORE_1, job="buoy 7") == []
    (again,) = check_reserve(RESERVED, FIT, reserved_for="Radio 3")
    assert "already" in again.because
    (other,) = check_reserve(RESERVED, FIT, reserved_for="radio 4")
    assert "radio 3" in other.because


def test_a_fitted_part_is_neither_reserved_nor_fitted_again() -> None:
    for refusals in (
        check_reserve(FITTED, FIT, reserved_for="x"), check_fit(FITTED, FIT, CORE_2),
    ):  # fmt: skip
        (refusal,) = refusals
        assert "fitted in radar-supply 12, core phase 1" in refusal.because
        assert not refusal.may_anyway


def test_a_part_that_came_off_a_board_needs_a_verdict_of_its_own() -> None:
    assert RETURNED.state == "at-hand"
    assert RETURNED.lifted_utc == "2026-11-25T09:00:02Z"
    (refusal,) = check_fit(RETURNED, FIT, CORE_1)
    assert "not verified since" in refusal.because
    assert not RETURNED.counts(FIT)
    later = evolve(FIT, utc="2026-11-25T10:00:00Z")
    assert RETURNED.counts(later)
    assert check_fit(RETURNED, later, CORE_1) == []


def test_giving_a_reserved_part_free_leaves_its_verdict_in_force() -> None:
    free = life(event(1, "reserved", reserved_for="radio 3"), event(2, "returned"))
    assert (free.state, free.reserved_for, free.lifted_utc) == ("at-hand", None, None)
    assert check_fit(free, FIT, CORE_1) == []


def test_a_part_at_hand_has_nothing_to_return_from() -> None:
    (refusal,) = check_return(PartLife(specimen="D4"))
    assert "neither reserved nor fitted" in refusal.because
    assert check_return(RESERVED) == check_return(FITTED) == []
    assert check_scrap(RESERVED) == check_scrap(FITTED) == check_scrap(RETURNED) == []


def test_a_place_holds_one_part_of_a_type_unless_a_designator_tells_two_apart() -> None:
    there: dict[str, tuple[str | None, BoardPlace]] = {"D1": ("coil-470n", CORE_1)}
    me = PartLife(specimen="D4")
    (refusal,) = check_fit(me, FIT, CORE_1, occupants=there)
    assert "radar-supply 12, core phase 1 holds D1 already" in refusal.because
    assert check_fit(me, FIT, CORE_2, occupants=there) == []
    assert check_fit(me, FIT, evolve(CORE_1, serial="13"), occupants=there) == []
    # a stage sits in the same phase as its coil
    assert check_fit(me, FIT, CORE_1, occupants={"Q1": ("stage-25v-50a", CORE_1)}) == []
    q3 = {"D1": ("coil-470n", evolve(CORE_1, designator="Q3"))}
    assert check_fit(me, FIT, evolve(CORE_1, designator="Q4"), occupants=q3) == []
    assert check_fit(me, FIT, evolve(CORE_1, designator="Q3"), occupants=q3) != []
    # the same designator is the same place, whatever sits there
    other = {"Q1": ("stage-25v-50a", evolve(CORE_1, designator="L1"))}
    assert check_fit(me, FIT, evolve(CORE_1, designator="L1"), occupants=other) != []


def test_a_part_is_not_spent_on_a_load_that_was_found_dead() -> None:
    (refusal,) = check_fit(PartLife(specimen="D4"), FIT, CORE_1, load_dead_utc="2026-11-24T08:00")
    assert "found dead on 2026-11-24" in refusal.because
    assert "labbench rail radar-supply core --serial 12" in refusal.hint
    assert refusal.may_anyway


def test_every_reason_is_given_at_once() -> None:
    refusals = check_fit(RESERVED, evolve(FIT, disposition="unfit"), CORE_1)
    assert "is unfit" in said(refusals)
    assert "reserved for radio 3" in said(refusals)


def test_an_outcome_counts_for_the_parts_that_sit_on_the_board_then() -> None:
    lives = part_lives([
        event(1, "fitted", place=CORE_1), event(2, "fitted", "D5", place=CORE_2),
        event(3, "outcome", None, place=BOARD, outcome="works"),
        event(4, "returned", "D5"),
        event(5, "outcome", None, place=BOARD, outcome="came-back"),
        event(6, "outcome", None, place=evolve(BOARD, serial="13"), outcome="load-dead"),
    ])  # fmt: skip
    assert [e.outcome for e in lives["D4"].outcomes] == ["works", "came-back"]
    assert [e.outcome for e in lives["D5"].outcomes] == ["works"]
    again = part_lives([event(1, "fitted", place=CORE_1),
                        event(2, "outcome", None, place=BOARD, outcome="works"),
                        event(3, "returned"), event(4, "fitted", place=CORE_2)])["D4"]  # fmt: skip
    assert again.outcomes == ()


def test_outcomes_follow_each_other_as_boards_do() -> None:
    def refused(outcome: Any, *earlier: Any) -> str:
        events = [event(n, "outcome", None, place=BOARD, outcome=o) for n, o in enumerate(earlier)]
        return said(check_outcome(BOARD, outcome, events))

    for outcome in ("works", "load-dead", "came-back"):
        assert refused(outcome) == ""
    assert refused("came-back", "works") == ""
    assert refused("works", "works", "came-back") == ""
    assert refused("load-dead", "works", "came-back") == ""
    assert refused("works", "load-dead") == ""
    assert "is known since 2026-11-25" in refused("works", "works")
    assert "unless it came back" in refused("load-dead", "works")
    assert "never worked" in refused("came-back", "load-dead")
    assert "labbench void e000" in refused("came-back", "load-dead")


def test_outcomes_are_kept_by_board_in_order_of_time() -> None:
    late = event(9, "outcome", None, place=BOARD, outcome="came-back")
    early = event(2, "outcome", None, place=BOARD, outcome="works")
    other = event(3, "outcome", None, place=evolve(BOARD, serial="13"), outcome="load-dead")
    found = board_events([late, other, early, event(1, "fitted", place=CORE_1)])
    assert found == {("radar-supply", "12"): (early, late), ("radar-supply", "13"): (other,)}


STEPS = st.lists(
    st.sampled_from(["verify", "reserve", "fit", "return", "scrap", "outcome"]), max_size=14
)


@given(STEPS)
@settings(max_examples=300)
def test_no_sequence_of_steps_offers_a_part_that_may_not_be_fitted(steps: list[str]) -> None:
    """A model of three facts is kept beside: scrapped, on a board, verdict older than a lift."""
    events: list[ShelfEvent] = []
    verified: Verified | None = None
    scrapped = on_board = reserved = False
    stale = True
    for number, step in enumerate(steps, start=1):
        now = life(*events)
        utc = event(number, "returned").utc
        if step == "verify":
            verified, stale = evolve(FIT, utc=utc), on_board
        elif step == "reserve":
            allowed = not check_reserve(now, verified, reserved_for="radio 3")
            assert allowed == (not (scrapped or on_board or reserved or stale))
            if allowed:
                events.append(event(number, "reserved", reserved_for="radio 3"))
                reserved = True
        elif step == "fit":
            allowed = not check_fit(now, verified, CORE_1, job="radio 3")
            assert allowed == (not (scrapped or on_board or stale))
            if allowed:
                events.append(event(number, "fitted", place=CORE_1))
                on_board, reserved = True, False
        elif step == "return":
            allowed = not check_return(now)
            assert allowed == (not scrapped and (on_board or reserved))
            if allowed:
                events.append(event(number, "returned"))
                stale, on_board, reserved = stale or on_board, False, False
        elif step == "scrap":
            assert (not check_scrap(now)) == (not scrapped)
            if not scrapped:
                events.append(event(number, "scrapped", why="dropped"))
                scrapped, on_board, reserved = True, False, False
        elif on_board:
            events.append(event(number, "outcome", None, place=BOARD, outcome="works"))
    after = life(*events)
    assert (after.state == "scrapped") == scrapped
    assert (after.state == "fitted") == on_board
    assert (after.state == "reserved") == reserved
    # the order in which events are read does not matter
    assert life(*reversed(events)) == after
