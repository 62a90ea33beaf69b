"""Check that one bad sibling of five costs little, where the textbook ways of comparing fail.

Parts are normal, in units of their own standard deviation. Does not cover: spreads that are not
normal, several bad siblings.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import t as student

from labbench.judging.robust_scale import learn, tail

SIBLINGS, TRIALS, BAD_SDS = 5, 3000, 8.0
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
    pooled = np.zeros(TRIALS, dtype=bool)
    for k in range(TRIALS):
        reference = learn(siblings[k].tolist(), 1.0)
        assert reference is not None
        pooled[k] = tail(reference.z(float(parts[k]), 0.0), reference.dof) < 0.01
    return {
        "t": float(plain.mean()), "mad": float(absolute.mean()), "pooled": float(pooled.mean()),
    }  # fmt: skip


def test_the_factor_of_the_t_prediction_is_that_of_the_table() -> None:
    """Four degrees of freedom at 99 %, one-sided: 3.747 (table of Student's t); 4.10 with 1/n."""
    assert float(student.ppf(0.99, 4)) == pytest.approx(3.747, abs=5e-4)
    assert 3.747 * math.sqrt(1.2) == pytest.approx(4.10, abs=0.01)


@pytest.mark.parametrize("one_bad", [False, True])
def test_sound_parts_are_flagged_no_more_often_than_was_asked(one_bad: bool) -> None:
    found = flagged(np.random.default_rng(71), 0.0, one_bad=one_bad)
    assert found["pooled"] <= 0.015


def test_a_plain_median_deviation_misses_with_five_siblings_what_the_pooled_scale_finds() -> None:
    for one_bad in (False, True):
        found = flagged(np.random.default_rng(72), 6.5, one_bad=one_bad)
        assert found["pooled"] >= 0.95
        assert found["mad"] <= 0.65


def test_one_bad_sibling_blinds_a_t_test_and_not_the_pooled_scale() -> None:
    clean = flagged(np.random.default_rng(73), 7.0, one_bad=False)
    spoiled = flagged(np.random.default_rng(73), 7.0, one_bad=True)
    assert clean["t"] >= 0.9
    assert spoiled["t"] <= 0.05
    assert spoiled["pooled"] >= 0.95
    assert clean["pooled"] - spoiled["pooled"] <= 0.05


def test_the_tail_is_that_of_a_spread_known_within_a_third() -> None:
    """Simulated anew: factor on the scale at one false reject in a hundred and in a thousand."""
    rng = np.random.default_rng(74)
    for n, at_percent in ((3, 3.32), (5, 3.07), (8, 2.88)):
        sds = np.exp(0.3 * rng.standard_normal(400_000))
        siblings = rng.standard_normal((sds.size, n)) * sds[:, None]
        centre = np.median(siblings, axis=1)
        mad = 1.4826 * np.median(np.abs(siblings - centre[:, None]), axis=1)
        worth = 0.37 * (n - 1)
        scale = np.sqrt((8.0 + worth * mad**2) / (8.0 + worth))
        off = np.abs(rng.standard_normal(sds.size) * sds - centre) / scale
        reference = learn([0.0] * n, 1.0)
        assert reference is not None
        widened = math.sqrt(1.0 + math.pi / (2.0 * n))
        for share in (0.01, 0.001):
            simulated = float(np.quantile(off, 1.0 - 2.0 * share))
            ours = float(student.isf(share, reference.dof)) * widened
            assert ours == pytest.approx(simulated, rel=0.025)
            if share == 0.01:
                assert ours == pytest.approx(at_percent, rel=0.02)
