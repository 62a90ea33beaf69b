"""How tightly a loop of shorted turns couples, and how many turns that may be.

Does not cover real windings: the couplings of turns are assumptions.
"""

from __future__ import annotations

import math

import pytest

from labbench.judging.loop_coupling import loop_couplings, turns_beforehand, turns_probability


def test_of_two_turns_one_couples_as_two_coupled_coils_do() -> None:
    # N = 2, m = 1: k2 = (1 + k)^2 / (2 + 2 k) = (1 + k) / 2 for a coupling k of the turns, from the
    # definition k2 = M^2 / (L1 L2); here k lies between 0.975 (0.45 + 0.55 0.45) and
    # 0.975 (0.87 + 0.13 0.87)
    mean, spread = loop_couplings(2, 1)
    low = 0.975 * (0.45 + 0.55 * 0.45)
    high = 0.975 * (0.87 + 0.13 * 0.87)
    ends = [math.log((1 + k) / (1 - k)) for k in (low, high)]
    assert ends[0] < mean - 0.5 * spread < mean + 0.5 * spread < ends[1]


@pytest.mark.parametrize("turns", [4, 6, 12, 25])
def test_more_shorted_turns_couple_tighter(turns: int) -> None:
    means = [loop_couplings(turns, m)[0] for m in (1, 2, 3)]
    assert means == sorted(means)
    assert means[0] < means[1] < means[2]


def test_a_coupling_between_two_numbers_of_turns_leaves_both_possible() -> None:
    between = 0.5 * (loop_couplings(12, 1)[0] + loop_couplings(12, 2)[0])
    chances = turns_probability(12, between, 0.05)
    assert sum(chances.values()) == pytest.approx(1.0)
    assert chances[1] > 0.2
    assert chances[2] > 0.1
    assert max(chances.values()) < 0.95


def test_a_loose_loop_is_one_turn_and_a_vague_reading_says_no_more_than_was_known() -> None:
    assert turns_probability(3, 1.0, 0.1)[1] > 0.95
    vague = turns_probability(6, 2.0, 50.0)
    for m, known in turns_beforehand(6).items():
        assert vague[m] == pytest.approx(known, abs=0.02)


def test_no_more_turns_are_shorted_than_there_are_but_one() -> None:
    assert set(turns_beforehand(2)) == {1}
    assert set(turns_probability(3, 2.0, 0.1)) == {1, 2}
