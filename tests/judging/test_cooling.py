"""Check how long a part has to cool, and that nothing is failed for warmth.

Does not cover: the clock and the list (tests/jobs, tests/end_to_end); real cooling constants, which
are estimates.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labbench.judging.cooling import (
    cooling_time_s,
    excess_after_k,
    excess_from_drift_k,
    leave_warm_undecided,
    wait_text,
    waiting_judgement,
)
from labbench.metrology.temperature import copper_resistance_at
from tests.records.samples import judgement_samples


@pytest.mark.parametrize(("tau_s", "expected_s"), [(10.0, 45.0), (25.0, 112.0), (60.0, 270.0)])
def test_from_200_degrees_to_two_kelvin_takes_what_newton_says(
    tau_s: float, expected_s: float
) -> None:
    # t = tau ln(dT0/dTol): 45 to 112 s bare, 270 s on a board (closed form, 177 K to 2 K)
    assert cooling_time_s(177.0, within_k=2.0, tau_s=tau_s) == pytest.approx(expected_s, abs=2.0)


def test_a_part_that_is_cool_waits_for_nothing() -> None:
    assert cooling_time_s(2.0) == 0.0
    assert cooling_time_s(-5.0) == 0.0


@given(st.floats(2.5, 300.0), st.floats(5.0, 80.0))
def test_after_the_wait_what_is_left_is_the_tolerance(excess_k: float, tau_s: float) -> None:
    wait_s = cooling_time_s(excess_k, tau_s=tau_s)
    assert excess_after_k(wait_s, from_k=excess_k, tau_s=tau_s) == pytest.approx(2.0, rel=1e-9)


@given(st.floats(1.0, 100.0), st.floats(1.0, 20.0))
def test_the_fall_of_copper_tells_how_warm_it_still_is(left_k: float, over_s: float) -> None:
    before_k = left_k * math.exp(over_s / 25.0)
    fall = (
        copper_resistance_at(1.0, 23.0, 23.0 + before_k)
        - copper_resistance_at(1.0, 23.0, 23.0 + left_k)
    ) if before_k < 170 else 0.0  # fmt: skip
    if fall:
        assert excess_from_drift_k(fall, over_s, 23.0) == pytest.approx(left_k, rel=1e-6)


def test_a_resistance_that_does_not_fall_is_no_warmth() -> None:
    assert excess_from_drift_k(-0.01, 5.0, 23.0) == 0.0
    assert excess_from_drift_k(0.01, 0.0, 23.0) == 0.0


@pytest.mark.parametrize(("seconds", "text"), [(39.2, "wait 40 s"), (0.0, "wait 1 s")])
def test_the_wait_is_told_in_whole_seconds(seconds: float, text: str) -> None:
    assert wait_text(seconds) == text


def test_a_waiting_part_is_undecided_and_told_to_wait() -> None:
    judgement = waiting_judgement("D9", "coil-470n", 40.0)
    assert judgement.disposition == "undecided"
    assert judgement.would_decide[0].action == "wait"


@given(judgement_samples())
@settings(max_examples=60)
def test_whatever_was_said_of_a_warm_part_it_is_not_failed(judgement: object) -> None:
    warm = leave_warm_undecided(judgement, 30.0)  # type: ignore[arg-type]
    assert warm.disposition == "undecided"
    assert all(c.verdict != "fails" for c in warm.characteristics)
    assert all(f.grade != "sure" for f in warm.findings)
    assert [w.action for w in warm.would_decide].count("wait") == 1
    assert warm.would_decide[0].text == "wait 30 s"
