"""Several placements of one part: what averages out and what stays.

Expected values are arithmetic by hand; a seeded simulation of independent touches checks the
stated uncertainty. Does not cover where placements come from (tests/jobs/test_match).
"""

from __future__ import annotations

import numpy as np
import pytest

from labbench.errors import InputError
from labbench.metrology.placements import Placement, pool_placements


def test_one_placement_is_itself() -> None:
    assert pool_placements([Placement(1.5, 0.01, 0.008)]) == Placement(1.5, 0.01, 0.008)


def test_the_touch_averages_out_and_the_gain_stays() -> None:
    """By hand: 3-4-5: touch 4, gain 3; of four placements the touch leaves 2: u = sqrt(13)."""
    mean = pool_placements([Placement(100.0, 5.0, 4.0)] * 4)
    assert mean.value == 100.0
    assert mean.u == pytest.approx(13.0**0.5)


def test_placements_that_scatter_more_than_they_say_count_by_their_scatter() -> None:
    """By hand: 90 and 110 have a standard deviation of 14.14, of their mean 10."""
    mean = pool_placements([Placement(90.0, 1.0, 1.0), Placement(110.0, 1.0, 1.0)])
    assert mean.value == 100.0
    assert mean.u == pytest.approx(10.0)


def test_a_placement_without_a_budget_gains_nothing_from_another() -> None:
    mean = pool_placements([Placement(100.0, 2.0), Placement(100.0, 2.0)])
    assert mean.u == pytest.approx(2.0)


def test_the_stated_interval_holds_the_truth_as_often_as_it_says() -> None:
    rng = np.random.default_rng(11)
    inside = 0
    for _ in range(2000):
        gain = rng.normal(0.0, 3.0)
        values = 100.0 + gain + rng.normal(0.0, 4.0, size=3)
        mean = pool_placements([Placement(float(v), 5.0, 4.0) for v in values])
        inside += abs(mean.value - 100.0) <= 2.0 * mean.u
    # 95.4 % for k = 2; the observed scatter only ever widens it
    assert 0.95 <= inside / 2000 <= 0.99


def test_without_a_placement_there_is_no_mean() -> None:
    with pytest.raises(InputError):
        pool_placements([])
