"""Check what is said of a load behind a rail.

Expected values are arithmetic by hand or a closed form written here. Does not cover: rates over
populations of loads, the measuring, how parts share current (test_matching).
"""

from __future__ import annotations

import math

import pytest
from attrs import evolve

from labbench.errors import InputError
from labbench.judging.load import exponent_of, judge_load, resistance_of
from labbench.results import LoadReading, Readings

VOLTS = (0.05, 0.1, 0.3)


def load(
    ohms: float, power: float = 0.55, *, short_ohm: float = math.inf, u: float = 2e-3,
    specimen: str = "b12", rail: str = "core-1v0",
) -> Readings:  # fmt: skip
    """Give a load of `ohms` at 0.1 V that bends with the power, beside a metallic short."""

    def amps(volts: float) -> float:
        return 0.1 / ohms * (volts / 0.1) ** power + volts / short_ohm

    return Readings(
        specimen=specimen, type="load", board="buoy-radar", rail=rail,
        load=tuple(LoadReading(v, amps(v), u * amps(v)) for v in VOLTS),
    )  # fmt: skip


GOOD = load(0.6, specimen="b1")


def test_resistance_and_exponent_are_those_of_the_arithmetic() -> None:
    """By hand: 0.16 A at 0.1 V is 0.625 ohm; three times the current at three times the voltage."""
    metal = (LoadReading(0.1, 0.16, 1.6e-4), LoadReading(0.3, 0.48, 4.8e-4))
    resistance, exponent = resistance_of(metal), exponent_of(metal)
    assert resistance is not None
    assert exponent is not None
    assert resistance.value == pytest.approx(0.625)
    assert resistance.u == pytest.approx(0.625e-3)
    assert exponent.value == pytest.approx(1.0)
    assert exponent.u == pytest.approx(1e-3 * math.sqrt(2.0) / math.log(3.0))


@pytest.mark.parametrize(
    ("board", "word"),
    [
        (load(0.75), "alive"),
        (load(0.45), "alive"),
        (load(0.6, short_ohm=0.01), "dead"),
        (load(0.6, short_ohm=0.1), "dead"),
        (load(0.6, power=1.0, short_ohm=2.0), "undecided"),
    ],
)
def test_the_ratio_to_a_good_board_decides(board: Readings, word: str) -> None:
    judged = judge_load(board, good=[GOOD])
    assert judged.word == word
    assert judged.ratio is not None
    assert bool(judged.would_decide) == (word == "undecided")


@pytest.mark.parametrize(
    ("board", "word"),
    [
        (load(0.6), "alive"),
        (load(30.0), "alive"),
        (load(0.6, short_ohm=0.005), "dead"),
        (load(6.0, short_ohm=0.05), "dead"),
        (load(6.0, power=1.0), "undecided"),
        (load(0.6, short_ohm=0.6), "undecided"),
    ],
)
def test_without_a_good_board_the_exponent_speaks(board: Readings, word: str) -> None:
    judged = judge_load(board)
    assert judged.word == word
    assert judged.ratio is None
    assert "ratio unknown" in judged.remarks[0]


def test_a_good_board_of_another_rail_is_no_reference() -> None:
    assert judge_load(load(0.6), good=[load(0.6, rail="memory-1v1")]).ratio is None


def test_a_ratio_on_the_edge_of_its_uncertainty_is_undecided() -> None:
    assert judge_load(load(0.2, u=0.05), good=[GOOD]).word == "undecided"


def test_a_current_that_cannot_be_told_from_zero_asks_for_the_multimeter() -> None:
    below = LoadReading(0.1, None, None, status="over-range", less_than_a=1e-3)
    quiet = Readings(specimen="b", type="load", board="buoy-radar", rail="logic", load=(below,))
    judged = judge_load(quiet)
    assert judged.word == "undecided"
    assert judged.would_decide[0].action == "use-multimeter"
    core = Readings(specimen="b", type="load", board="buoy-radar", rail="core-1v0", load=(below,))
    assert judge_load(core, good=[GOOD]).word == "alive"


def test_a_reading_that_differs_on_the_way_back_is_told() -> None:
    again = LoadReading(0.1, 0.25, 5e-4, repeat=True)
    board = load(0.6)
    back = Readings(
        specimen="b", type="load", board="buoy-radar", rail="core-1v0", load=(*board.load, again)
    )
    assert any("way back" in text for text in judge_load(back).remarks)


@pytest.mark.parametrize(("back_a", "told"), [(0.98, False), (1.5, True)])
def test_the_way_back_is_compared_though_the_voltage_is_not_quite_the_same(
    back_a: float, told: bool
) -> None:
    board = load(0.6)
    first = board.load[0]
    assert first.current_a is not None
    again = LoadReading(0.98 * first.voltage_v, back_a * first.current_a, 5e-4, repeat=True)
    judged = judge_load(evolve(board, load=(*board.load, again)))
    assert any("way back" in text for text in judged.remarks) is told


def test_without_a_reading_there_is_nothing_to_judge() -> None:
    with pytest.raises(InputError, match="no reading of a load"):
        judge_load(Readings(specimen="b", type="load"))
