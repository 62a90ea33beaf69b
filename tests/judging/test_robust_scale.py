"""Check that one bad sibling of five costs little, where the textbook ways of comparing fail.

Parts are normal, in units of their own standard deviation. Does not cover: spreads that are not
normal, several bad siblings.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import norm
from scipy.stats import t as student

from labbench.judging.robust_scale import learn, tail

SIBLINGS, TRIALS, BAD_SDS = 5, 2000, 8.0
Array = NDArray[np.float64]


def flagged(rng: np.random.Generator, shift: float, *, one_bad: bool) -> dict[str, float]:
    """Compare parts that lie `shift` sigmas off with five siblings, at 1 % one-sided."""
    siblings = rng.standard_normal((TRIALS, SIBLINGS))
    if one_bad:
        siblings[:, -1] += BAD_SDS
    parts = rng.standard_normal(TRIALS) + shift
    # prediction of one more of a normal sample: mean + t sd sqrt(1 + 1/n)
    factor = float(student.ppf(0.99, SIBLINGS - 1)) * math.sqrt(1.0 + 1.0 / SIBLINGS)
    plain = parts > siblings.mean(axis=1) + factor * siblings.std(axis=1, ddof=1)
    centre = np.median(siblings, axis=1)
    scale = 1.4826 * np.median(np.abs(siblings - centre[:, None]), axis=1)
    # 10.0: factor for 1 % at five siblings, from a simulation of the same comparison
    absolute = parts > centre + 10.0 * scale
    learned = np.array([above(siblings[k], float(parts[k])) < 0.01 for k in range(TRIALS)])
    return {
        "t": float(plain.mean()), "mad": float(absolute.mean()), "learned": float(learned.mean()),
    }  # fmt: skip


def above(siblings: Array, value: float, *, s0: float = 1.0) -> float:
    """Return the share of sound parts above a value, by five or so siblings."""
    reference = learn(siblings.tolist(), s0)
    assert reference is not None
    return reference.above(value, 0.0)


def test_the_factor_of_the_t_prediction_is_that_of_the_table() -> None:
    """Four degrees of freedom at 99 %, one-sided: 3.747 (table of Student's t); 4.10 with 1/n."""
    assert float(student.ppf(0.99, 4)) == pytest.approx(3.747, abs=5e-4)
    assert 3.747 * math.sqrt(1.2) == pytest.approx(4.10, abs=0.01)


@pytest.mark.parametrize("one_bad", [False, True])
def test_sound_parts_are_flagged_no_more_often_than_was_asked(one_bad: bool) -> None:
    found = flagged(np.random.default_rng(71), 0.0, one_bad=one_bad)
    assert found["learned"] <= 0.015


def test_a_plain_median_deviation_misses_with_five_siblings_what_is_found_beside_it() -> None:
    for one_bad in (False, True):
        found = flagged(np.random.default_rng(72), 5.6, one_bad=one_bad)
        assert found["learned"] >= 0.97
        assert found["mad"] <= 0.65


def test_one_bad_sibling_blinds_a_t_test_and_not_this_one() -> None:
    clean = flagged(np.random.default_rng(73), 5.6, one_bad=False)
    spoiled = flagged(np.random.default_rng(73), 5.6, one_bad=True)
    assert clean["t"] >= 0.8
    assert spoiled["t"] <= 0.05
    assert clean["learned"] - spoiled["learned"] <= 0.02


@pytest.mark.parametrize("siblings", [3, 5, 8])
def test_where_the_spread_is_known_within_a_third_the_share_asked_for_is_kept(
    siblings: int,
) -> None:
    """The spreads are drawn as the doubt says; none of the siblings is bad, so a little less."""
    rng = np.random.default_rng(74)
    sds = np.exp(0.3 * rng.standard_normal(6_000))
    drawn = rng.standard_normal((sds.size, siblings)) * sds[:, None]
    parts = rng.standard_normal(sds.size) * sds
    shares = np.array([above(drawn[k], float(parts[k])) for k in range(sds.size)])
    # three standard deviations of a count of 60, and of one of 30
    assert 0.5 * 0.01 <= np.mean(shares < 0.01) <= 1.39 * 0.01
    assert 0.4 * 0.005 <= np.mean(shares > 0.995) <= 1.55 * 0.005


def test_a_spread_that_is_known_gives_the_prediction_of_the_textbook() -> None:
    """By hand: one more of a normal population lies within sigma sqrt(1 + 1/n) of n's mean."""
    for n in (3, 5, 12):
        values = np.linspace(-0.6, 0.6, n) + 40.0
        reference = learn(values.tolist(), 1.0, doubt=1e-3)
        assert reference is not None
        assert reference.centre == pytest.approx(40.0, abs=1e-6)
        # with a bad share of a tenth the mean is known a little worse than by all of them
        assert reference.scale == pytest.approx(math.sqrt(1.0 + 1.0 / n), rel=0.02)
        two = reference.above(42.0, 0.5)
        wanted = float(norm.sf(2.0 / math.hypot(reference.scale, 0.5)))
        assert two == pytest.approx(wanted, rel=1e-3)


@pytest.mark.parametrize("bad", [0.0, 5.0])
@pytest.mark.parametrize("siblings", [5, 8, 20])
def test_the_coarse_grid_agrees_with_a_fine_one(siblings: int, bad: float) -> None:
    """The same question by a grid fifty times as fine and twice as wide, nothing lumped."""
    values = np.random.default_rng(75).standard_normal(siblings)
    values[-1] += bad
    centres = np.linspace(-12.0, 12.0, 1201) + float(np.median(values))
    doubts = np.linspace(-5.0, 8.0, 131)
    spreads = np.exp(0.2 * doubts)
    likely = -0.5 * doubts**2 + np.zeros((centres.size, 1))
    for value in values:
        likely = likely + np.log(0.9 * norm.pdf(value, centres[:, None], spreads) + 0.1 / 20.0)
    weights = np.exp(likely - likely.max())
    weights /= weights.sum()
    reference = learn(values.tolist(), 1.0, doubt=0.2)
    assert reference is not None
    for value in (2.0, 3.0, 4.0):
        fine = float((weights * norm.sf(value, centres[:, None], spreads)).sum())
        assert reference.above(value, 0.0) == pytest.approx(fine, rel=0.05)
        fine = float((weights * norm.cdf(-value, centres[:, None], spreads)).sum())
        assert reference.below(-value, 0.0) == pytest.approx(fine, rel=0.05)


def test_many_siblings_that_spread_more_than_was_thought_are_believed() -> None:
    """Twenty that spread twice as much: what lies five of the assumed spreads off is no fault."""
    values = 2.0 * np.random.default_rng(76).standard_normal(20)
    assert above(values, 5.0) > 0.003
    assert above(values / 2.0, 5.0) < 1e-4


def test_what_siblings_say_can_be_moved_and_widened() -> None:
    reference = learn([1.0, 2.0, 3.0, 4.0], 1.0)
    assert reference is not None
    moved = reference.moved(10.0, widened=3.0)
    assert moved.centre == pytest.approx(reference.centre + 10.0)
    assert moved.scale == pytest.approx(math.hypot(reference.scale, 3.0))
    assert moved.above(14.0, 0.0) == pytest.approx(reference.above(4.0, 3.0))
    assert reference.as_far(4.0, 0.0) == pytest.approx(2.0 * reference.above(4.0, 0.0))
    assert reference.z(reference.centre, 0.0) == 0.0


def test_two_siblings_are_too_few() -> None:
    assert learn([1.0, 2.0], 1.0) is None


def test_the_tail_is_that_of_the_table() -> None:
    """Student's one-sided 1 % at 8 degrees of freedom (tables): 2.896; at infinitely many 2.326."""
    assert tail(2.896, 8.0) == pytest.approx(0.01, rel=2e-3)
    assert tail(2.3263, math.inf) == pytest.approx(0.01, rel=2e-3)
