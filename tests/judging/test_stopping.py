"""The stop rule: when it goes on, when it stops, and that it keeps the risk.

Not covered: how many readings real parts need (tests/studies, benchmarks).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from labbench.errors import InputError
from labbench.judging.stopping import LOOKS, Look, last_share, next_step

RISKS = {"risk": 0.05, "rejection_risk": 0.002}


def look(n: int, value: float, *, u: float = 0.01, noise: float = 0.02, **more: float) -> Look:
    repeat = noise / math.sqrt(n)
    return Look(n, value, math.hypot(u, repeat), repeat, **more)


def test_a_clear_part_takes_one_quick_reading() -> None:
    step = next_step(look(1, 1.0, u=0.005, noise=0.002), 0.9, 1.1, **RISKS)
    assert (step.go_on, step.why, step.verdict) == (False, "settled", "conforms")
    step = next_step(look(1, 1.5, u=0.005, noise=0.002), 0.9, 1.1, **RISKS)
    assert (step.go_on, step.verdict) == (False, "fails")


def test_a_borderline_part_takes_what_it_needs() -> None:
    assert next_step(look(4, 1.08), 0.9, 1.1, **RISKS).go_on
    assert next_step(look(3, 1.0), 0.9, 1.1, **RISKS).go_on  # 3 is no look of the schedule
    last = next_step(look(16, 1.08), 0.9, 1.1, **RISKS)
    assert (last.go_on, last.why, last.verdict) == (
        False,
        "last look",
        "conforms",
    ) or not last.go_on


def test_at_the_floor_no_more_readings_are_taken() -> None:
    step = next_step(look(4, 1.09, u=0.01, noise=0.002), 0.9, 1.1, **RISKS)
    assert (step.go_on, step.why, step.verdict) == (False, "floor", "undecided")


def test_a_value_deep_in_a_guard_band_is_given_up() -> None:
    step = next_step(look(4, 1.1, u=0.05, noise=0.035), 0.9, 1.1, **RISKS)
    assert (step.go_on, step.why) == (False, "futile")


def test_one_reading_is_not_believed_to_scatter_as_little_as_its_class() -> None:
    # at its face value this look would accept even at the share of an early look
    one = Look(1, 1.06, 0.0117, 0.006)
    assert next_step(one, 0.9, 1.1, **RISKS).go_on
    four = Look(4, 1.06, 0.0117, 0.006)
    assert next_step(four, 0.9, 1.1, **RISKS).verdict == "conforms"


def test_a_part_whose_warmth_was_not_watched_is_never_failed() -> None:
    hot = look(1, 1.5, u=0.005, noise=0.001)
    step = next_step(hot, 0.9, 1.1, **RISKS, may_reject=False)
    assert (step.go_on, step.verdict) == (True, "undecided")


def test_a_value_that_may_read_high_is_not_accepted_near_its_lower_limit() -> None:
    near = look(1, 0.93, u=0.001, noise=0.0001)
    assert next_step(near, 0.9, 1.1, **RISKS).verdict == "conforms"
    warm = look(1, 0.93, u=0.001, noise=0.0001, may_read_high_by=0.04)
    assert next_step(warm, 0.9, 1.1, **RISKS, may_reject=False).go_on


def test_the_shares_of_all_looks_add_up_to_the_risk() -> None:
    accept, reject = last_share()
    assert accept + 0.02 * (len(LOOKS) - 1) == pytest.approx(1.0)
    assert reject + 0.001 * (len(LOOKS) - 1) == pytest.approx(1.0)


def test_a_schedule_that_does_not_ascend_is_refused() -> None:
    with pytest.raises(InputError, match="ascends"):
        next_step(look(1, 1.0), 0.9, 1.1, **RISKS, looks=(4, 2))


@given(
    value=st.floats(0.5, 1.5), u=st.floats(1e-4, 0.2), noise=st.floats(0.0, 0.3),
    n=st.integers(1, 20),
)  # fmt: skip
def test_it_always_ends_and_never_accepts_outside_or_fails_inside(
    value: float, u: float, noise: float, n: int
) -> None:
    step = next_step(look(n, value, u=u, noise=noise), 0.9, 1.1, **RISKS)
    if n >= LOOKS[-1]:
        assert not step.go_on
    if step.verdict == "conforms":
        assert 0.9 <= value <= 1.1
    if step.verdict == "fails":
        assert not 0.9 <= value <= 1.1


def test_a_part_at_its_limit_is_accepted_within_the_stated_risk() -> None:
    # simulated with the rule alone: a systematic error for the session, then readings
    rng = np.random.default_rng(20)
    accepted = 0
    runs = 3000
    for _ in range(runs):
        systematic = rng.normal(0.0, 0.01)
        total = 0.0
        for n in range(1, LOOKS[-1] + 1):
            total += 1.1 + systematic + rng.normal(0.0, 0.02)
            step = next_step(look(n, total / n), 0.9, 1.1, **RISKS)
            if not step.go_on:
                break
        accepted += step.verdict == "conforms"
    # three standard deviations of a count at the stated risk
    assert accepted <= runs * 0.05 + 3.0 * math.sqrt(runs * 0.05 * 0.95)
    assert accepted > 0.01 * runs  # and it is no rule that accepts nothing
