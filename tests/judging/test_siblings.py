"""Limits learned from siblings, one of which may be bad.

Not covered: siblings as reference for the sweep itself; only the dc resistance is learned.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from attrs import evolve

from labbench.judging.coil import judge_coil
from labbench.judging.siblings import learn_limits, learned_resistance
from labbench.results import Readings
from tests.judging.closed_forms import SMALL, SMALL_TYPE, readings_of, with_resistance

MARKED_ONLY = evolve(SMALL_TYPE, dc_resistance=(), turns=None, material=None)


def siblings(*milliohm: float, lot: str = "buoy-board-12") -> list[Readings]:
    return [
        evolve(
            with_resistance(
                readings_of(SMALL, MARKED_ONLY, specimen=f"S{i}"), value_ohm=value * 1e-3
            ),
            role="sibling", lot=lot,
        )
        for i, value in enumerate(milliohm)
    ]  # fmt: skip


def test_the_pooled_scale_agrees_with_a_calculation_by_hand() -> None:
    # ln values 0, 0.02, 0.05, 0.09: median 0.035, deviations 0.035 0.015 0.015 0.055, median
    # 0.025; 1.4826 MAD = 0.0370651; s^2 = (8 0.036^2 + 1.11 0.0370651^2) / 9.11 = 0.00130551;
    # half width 1.3 x 3.13 x 0.0361318 = 0.147020
    values = [math.exp(x) for x in (0.0, 0.02, 0.05, 0.09)]
    learned = learn_limits(values, ["a", "b", "c", "d"], lot_sd=0.036)
    assert learned is not None
    assert math.log(learned.nominal) == pytest.approx(0.035, abs=1e-12)
    assert math.log(learned.upper / learned.nominal) == pytest.approx(0.147020, abs=2e-5)
    assert learned.nominal / learned.lower == pytest.approx(learned.upper / learned.nominal)


def test_two_siblings_teach_nothing() -> None:
    assert learn_limits([1.0, 1.1], ["a", "b"], lot_sd=0.036) is None
    assert learned_resistance(siblings(1.5, 1.52)) is None


@pytest.mark.parametrize("bad", [0.3, 2.25, 15.0])
def test_one_bad_sibling_of_four_does_not_spoil_the_limits(bad: float) -> None:
    clean = learned_resistance(siblings(1.47, 1.50, 1.55))
    spoiled = learned_resistance(siblings(1.47, bad, 1.50, 1.55))
    assert clean is not None
    assert spoiled is not None
    for a, b in ((clean[0].lower_ohm, spoiled[0].lower_ohm),
                 (clean[0].upper_ohm, spoiled[0].upper_ohm)):  # fmt: skip
        assert b == pytest.approx(a, rel=0.06)


def test_a_part_like_its_siblings_is_plausible_and_says_why() -> None:
    judgement = judge_coil(
        readings_of(SMALL, MARKED_ONLY, seed=3), MARKED_ONLY, siblings=siblings(1.47, 1.52, 1.55)
    )
    assert judgement.disposition == "plausible"
    assert "dc resistance limits learned from 3 siblings" in judgement.remarks
    resistance = next(c for c in judgement.characteristics if c.name == "dc-resistance")
    assert resistance.verdict == "conforms"
    assert resistance.lower is not None


def test_a_joint_half_as_much_again_is_found_against_siblings_one_of_which_is_bad() -> None:
    coil = evolve(SMALL, series_ohm=0.5 * SMALL.resistance_ohm)
    judgement = judge_coil(
        readings_of(coil, MARKED_ONLY, seed=3),
        MARKED_ONLY,
        siblings=siblings(1.47, 2.4, 1.52, 1.55),
    )
    assert judgement.disposition == "unfit"
    assert judgement.findings[0].fault == "high-resistance-joint"


def test_without_enough_siblings_the_joint_is_not_checked_and_siblings_would_help() -> None:
    judgement = judge_coil(
        readings_of(SMALL, MARKED_ONLY, seed=3), MARKED_ONLY, siblings=siblings(1.5)
    )
    assert judgement.disposition == "plausible"
    assert "no limit for the dc resistance: joint not checked" in judgement.remarks
    assert "more-siblings" in [w.action for w in judgement.would_decide]


def test_siblings_of_another_lot_are_left_out_and_named() -> None:
    judgement = judge_coil(
        readings_of(SMALL, MARKED_ONLY, seed=3),
        MARKED_ONLY,
        siblings=siblings(1.9, 1.95, 2.0, lot="buoy-board-13"),
    )
    assert judgement.disposition == "plausible"
    assert "siblings of another type or lot were left out: S0, S1, S2" in judgement.remarks


def test_a_type_with_a_limit_of_its_own_does_not_learn() -> None:
    part = evolve(SMALL_TYPE, name=MARKED_ONLY.name)
    judgement = judge_coil(
        readings_of(SMALL, part, seed=3), part, siblings=siblings(1.9, 1.95, 2.0)
    )
    resistance = next(c for c in judgement.characteristics if c.name == "dc-resistance")
    assert (resistance.lower, resistance.upper) == (1.35e-3, 1.65e-3)
    assert resistance.verdict == "conforms"
    # a quarter less than its siblings, and the same sweep: they are the ones in doubt
    assert judgement.disposition == "undecided"
    assert judgement.remarks[0] == "unlike its siblings, as a part of another lot would be"


def test_siblings_measured_warm_are_corrected_first() -> None:
    warm = [with_resistance(s, temperature_c=60.0) for s in siblings(1.5, 1.5, 1.5)]
    learned = learned_resistance(warm)
    assert learned is not None
    # (234.5 + 25)/(234.5 + 60): copper, IEEE practice, from memory
    assert learned[0].nominal_ohm == pytest.approx(1.5e-3 * 259.5 / 294.5, rel=1e-9)


def test_learned_limits_lose_less_than_two_percent_of_healthy_parts() -> None:
    # own simulation, normal spread of a lot as assumed: what the factors promise is 1 % per side
    random = np.random.default_rng(42)
    outside = 0
    trials = 4000
    for _ in range(trials):
        logs = 0.036 * random.normal(size=5)
        learned = learn_limits(np.exp(logs[:4]).tolist(), list("abcd"), lot_sd=0.036)
        assert learned is not None
        outside += not learned.lower <= math.exp(logs[4]) <= learned.upper
    assert outside / trials < 0.02
