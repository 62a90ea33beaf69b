"""Insulation between winding and core: decided with its uncertainty or its bound.

Not covered: at which resistance real enamel starts to fail; 10 megohm is common practice.
"""

from __future__ import annotations

import pytest
from attrs import evolve

from labbench.judging.coil import judge_coil
from labbench.judging.insulation import LEAST_INSULATION_OHM, judge_insulation
from labbench.reports.words import reason, verdict_line
from labbench.results import Characteristic, Insulation, Judgement
from tests.judging.closed_forms import LARGE, LARGE_TYPE, readings_of


def judged(*blocks: Insulation) -> Judgement:
    readings = evolve(readings_of(LARGE, LARGE_TYPE, seed=3), insulation=blocks)
    return judge_coil(readings, LARGE_TYPE)


def of(judgement: Judgement) -> Characteristic:
    (found,) = [c for c in judgement.characteristics if c.name == "insulation"]
    return found


def test_sound_enamel_conforms_and_the_part_stays_fit() -> None:
    judgement = judged(Insulation(25.0, 250e6, 1e6))
    assert of(judgement).verdict == "conforms"
    assert judgement.disposition == "fit"
    assert judgement.findings == ()


def test_a_leak_is_a_finding_and_says_nothing_of_the_turns() -> None:
    judgement = judged(Insulation(17.0, 2e6, 2e4))
    assert judgement.disposition == "unfit"
    (finding,) = judgement.findings
    assert (finding.fault, finding.path, finding.grade) == (
        "winding-to-core-leak", "winding-core", "sure",
    )  # fmt: skip
    assert finding.because == "2 MΩ between winding and core at 17 V"
    assert finding.probability > 0.999
    assert reason(judgement) == "winding to core leak: 2 MΩ, should be above 10"


def test_below_what_the_resistor_can_show_is_a_leak_too() -> None:
    judgement = judged(Insulation(25.0, None, status="over-range", less_than_ohm=1e6))
    assert judgement.findings[0].because == "below 1 MΩ between winding and core at 25 V"
    assert judgement.disposition == "unfit"


@pytest.mark.parametrize(
    ("bound_ohm", "verdict"), [(1e11, "conforms"), (20e6, "conforms"), (12e6, "not-measured")]
)
def test_a_bound_decides_where_it_lies_far_enough_beyond(bound_ohm: float, verdict: str) -> None:
    judgement = judged(Insulation(25.0, None, status="over-range", greater_than_ohm=bound_ohm))
    assert of(judgement).verdict == verdict
    assert judgement.disposition == ("fit" if verdict == "conforms" else "undecided")


@pytest.mark.parametrize("ohm", [9.95e6, 10.05e6])
def test_close_to_the_limit_it_is_undecided_and_washing_is_the_next_step(ohm: float) -> None:
    judgement = judged(Insulation(25.0, ohm, 1e5))
    assert of(judgement).verdict == "undecided"
    assert judgement.disposition == "undecided"
    assert "wash" in [would.action for would in judgement.would_decide]
    assert verdict_line(judgement).endswith("wash, dry, again")


def test_what_did_not_settle_is_undecided() -> None:
    judgement = judged(Insulation(25.0, None, status="unstable"))
    assert judgement.disposition == "undecided"
    assert "wash" in [would.action for would in judgement.would_decide]


def test_the_types_own_limit_comes_first() -> None:
    part = evolve(LARGE_TYPE, least_insulation_ohm=500e6)
    readings = evolve(readings_of(LARGE, part, seed=3), insulation=(Insulation(25.0, 250e6, 1e6),))
    judgement = judge_coil(readings, part)
    assert of(judgement).lower == 500e6
    assert judgement.findings[0].fault == "winding-to-core-leak"


def test_the_probability_is_that_of_a_normal_value_above_the_limit() -> None:
    # Phi((10.1 - 10)/0.1) = 0.8413447 (the normal integral at 1)
    (word,) = judge_insulation(
        [Insulation(25.0, LEAST_INSULATION_OHM + 1e5, 1e5)], risk=0.05, rejection_risk=0.01
    )
    assert word.characteristic.probability_conforming == pytest.approx(0.8413447, abs=1e-6)
