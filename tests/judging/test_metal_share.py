"""Check what the bend of a load's current says of metal across it.

Currents are written here: a power law beside a resistor. Does not cover: rates over boards
(tests/studies/load_detection.py).
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labbench.judging.load import judge_load
from labbench.judging.metal_share import metal_share
from labbench.results import Estimate, LoadReading, Readings


def board(
    ohms: float, short_ohm: float = math.inf, *, power: float = 0.5, role: str = "test",
    less_than_a: float | None = None,
) -> Readings:  # fmt: skip
    """Give a load of `ohms` at 0.1 V with metal beside it; or one whose current is not seen."""
    taken = []
    for volts in (0.05, 0.1, 0.2, 0.3):
        amps = 0.1 / ohms * (volts / 0.1) ** power + volts / short_ohm
        taken.append(
            LoadReading(volts, amps, 5e-3 * amps) if less_than_a is None
            else LoadReading(volts, None, status="over-range", less_than_a=less_than_a)
        )  # fmt: skip
    return Readings("B", "load", role=role, board="radar", rail="core", load=tuple(taken))  # type: ignore[arg-type]


@given(share=st.floats(0.0, 1.0), power=st.floats(0.2, 0.8), ratio=st.floats(2.0, 10.0))
def test_the_share_that_went_in_comes_out(share: float, power: float, ratio: float) -> None:
    grown = share * ratio + (1.0 - share) * ratio**power
    exponent = math.log(grown) / math.log(ratio)
    found = metal_share(
        Estimate(exponent, 0.01, ""), Estimate(power, 0.01, ""), voltage_ratio=ratio
    )
    assert found is not None
    assert found.value == pytest.approx(share, abs=1e-9)
    assert found.u > 0.0


def test_beside_a_board_that_is_metal_itself_nothing_is_told() -> None:
    assert metal_share(Estimate(1.0, 0.01, ""), Estimate(0.99, 0.01, ""), voltage_ratio=6.0) is None


def test_the_uncertainty_is_what_a_small_change_of_each_exponent_makes() -> None:
    def share(p: float, p0: float) -> float:
        found = metal_share(Estimate(p, 0.02, ""), Estimate(p0, 0.05, ""), voltage_ratio=6.0)
        assert found is not None
        return found.value

    found = metal_share(Estimate(0.8, 0.02, ""), Estimate(0.5, 0.05, ""), voltage_ratio=6.0)
    assert found is not None
    by_this = (share(0.801, 0.5) - share(0.799, 0.5)) / 2e-3 * 0.02
    by_good = (share(0.8, 0.501) - share(0.8, 0.499)) / 2e-3 * 0.05
    assert found.u == pytest.approx(math.hypot(by_this, by_good), rel=1e-3)


GOOD = board(0.6, role="good")


def test_a_board_that_draws_three_times_as_much_but_bends_alike_is_not_dead() -> None:
    """Warm by 10 K and of another batch: 0.3 of the good board's resistance, the same exponent."""
    judgement = judge_load(board(0.18), good=[GOOD])
    assert judgement.word == "undecided"
    assert any(w.action == "warm" for w in judgement.would_decide)
    assert judge_load(board(0.03), good=[GOOD]).word == "dead"


def test_metal_as_large_as_half_the_load_is_dead_and_as_large_as_the_load_is_never_alive() -> None:
    strong = judge_load(board(0.9, 0.3), good=[GOOD])
    assert strong.word == "dead"
    assert "through metal" in strong.because
    assert judge_load(board(1.5, 1.5), good=[GOOD]).word == "undecided"
    assert judge_load(board(1.5), good=[GOOD]).word == "alive"


def test_a_good_board_whose_current_could_not_be_seen_still_tells_a_dead_one() -> None:
    """By hand: less than 2.4 mA at 0.3 V is more than 125 ohm; 30 ohm is 0.24 of that."""
    unseen = board(900.0, role="good", less_than_a=2.4e-3)
    judgement = judge_load(board(900.0, 30.0), good=[unseen])
    assert judgement.word == "dead"
    assert "125" in judgement.because
    assert judge_load(board(900.0, 60.0), good=[unseen]).word != "dead"
