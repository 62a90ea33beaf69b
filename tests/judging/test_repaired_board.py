"""Check what is said of a repaired board: its phases in place, its input, its first power.

Expected words follow from arithmetic that stands here. Does not cover: the measuring, rates over
populations of boards.
"""

from __future__ import annotations

import math

import pytest

from labbench.judging.first_power import judge_first_power
from labbench.judging.fitted import judge_fitted
from labbench.judging.load import exponent_of, judge_load
from labbench.results import Estimate, LoadReading, PhaseReading, PowerStep, Readings

ALIVE = judge_load(
    Readings(
        specimen="b12", type="load", board="buoy-radar", rail="core",
        load=tuple(LoadReading(v, 0.16 * (v / 0.1) ** 0.5, 2e-4) for v in (0.05, 0.1, 0.3)),
    )
)  # fmt: skip


def phase(
    number: int, vin_sw: float | None = 2e5, sw_rail: float | None = 1.6e-3, *,
    fitted: bool = False, u_vin_sw: float = 2e-5,
) -> PhaseReading:  # fmt: skip
    return PhaseReading(
        phase=number, fitted=fitted, vin_sw_ohm=vin_sw, sw_rail_ohm=sw_rail,
        u_vin_sw_ohm=u_vin_sw if vin_sw is not None else None,
        u_sw_rail_ohm=1e-5 if sw_rail is not None else None,
        vin_sw_greater_than_ohm=1e6 if vin_sw is None else None,
        sw_rail_greater_than_ohm=10.0 if sw_rail is None else None,
    )  # fmt: skip


def test_phases_that_agree_leave_the_word_to_the_load() -> None:
    judged = judge_fitted(ALIVE, [phase(1, fitted=True), phase(2, sw_rail=1.55e-3)])
    assert (judged.word, judged.because) == ("alive", ALIVE.because)
    assert any("is hidden by what lies parallel" in remark for remark in judged.remarks)
    assert "200 kΩ" in judged.remarks[-1]


@pytest.mark.parametrize(
    ("phases", "word", "says"),
    [
        ([phase(1, 6e-3, fitted=True), phase(2, 9e-3)], "dead", "phase 1: its high side is short"),
        ([phase(1, 9e-3, fitted=True), phase(2, 6e-3)], "dead", "not the part that was fitted"),
        ([phase(1, 6e-3, fitted=True), phase(2, 6.02e-3)], "dead", "the phases read alike"),
        ([phase(1, 2e3, fitted=True), phase(2, 2.1e3)], "undecided", "something leaks"),
        ([phase(1, sw_rail=5.6e-3, fitted=True), phase(2)], "undecided", "a poor joint?"),
        ([phase(1, sw_rail=0.1e-3, fitted=True), phase(2)], "undecided", "bridged, or another"),
        ([phase(1, sw_rail=None, fitted=True), phase(2)], "undecided", "more than 10 Ω, not"),
        ([phase(1, fitted=True), phase(2, sw_rail=None)], "undecided", "phase 2: more than 10 Ω"),
    ],
)  # fmt: skip
def test_what_is_wrong_in_place_is_said_with_its_phase(
    phases: list[PhaseReading], word: str, says: str
) -> None:
    judged = judge_fitted(ALIVE, phases)
    assert judged.word == word
    assert says in judged.because
    assert "load alive" in judged.because
    assert bool(judged.would_decide) or word == "dead"


def test_a_single_phase_is_compared_with_what_its_coil_had_off_the_board() -> None:
    alone = [phase(1, sw_rail=4.0e-3, fitted=True)]
    assert judge_fitted(ALIVE, alone).word == "alive"
    coil = Estimate(1.6e-3, 1e-5, "ohm")
    judged = judge_fitted(ALIVE, alone, coil=coil)
    # by hand: 2.4 mohm more, allowed 0.2 x 1.6 + 0.5 + 0.03 = 0.85 mohm
    assert (judged.word, judged.would_decide[0].action) == ("undecided", "reflow")
    assert "what the coil had off the board 1.6 mΩ" in judged.because
    assert judge_fitted(ALIVE, [phase(1, sw_rail=2.3e-3, fitted=True)], coil=coil).word == "alive"


def test_a_dead_load_stays_dead_whatever_the_phases_say() -> None:
    dead = judge_load(
        Readings(
            specimen="b", type="load", board="buoy-radar", rail="core",
            load=(LoadReading(8e-3, 1.0, 1e-3),),
        )
    )  # fmt: skip
    assert dead.word == "dead"
    assert any("find the short" in remark for remark in dead.remarks)
    assert judge_fitted(dead, [phase(1, sw_rail=None, fitted=True)]).word == "dead"


@pytest.mark.parametrize(
    ("reading", "word"),
    [
        (LoadReading(0.2, None, status="over-range", less_than_a=1e-6), "alive"),
        (LoadReading(0.2, 2e-6, 1e-8), "alive"),
        (LoadReading(5e-3, 0.5, 1e-3), "dead"),
        (LoadReading(0.1, 1e-3, 1e-5), "undecided"),
        (LoadReading(0.2, None, status="over-range", less_than_a=1e-3), "undecided"),
    ],
)
def test_an_input_that_draws_nothing_is_as_it_should_be(reading: LoadReading, word: str) -> None:
    board = Readings(specimen="b", type="load", board="radar", rail="vin", load=(reading,))
    assert judge_load(board).word == word


def test_readings_that_do_not_rest_ask_for_rest() -> None:
    moving = LoadReading(0.1, None, status="unstable")
    judged = judge_load(Readings(specimen="b", type="load", board="r", rail="core", load=(moving,)))
    assert (judged.word, judged.would_decide[0].action) == ("undecided", "let-settle")


@pytest.mark.parametrize(
    ("method", "bent"), [("supply-readback", False), ("series-resistor", True)]
)
def test_a_readback_below_ten_milliampere_bends_nothing(method: str, bent: bool) -> None:
    load = [LoadReading(v, 5e-3 * v / 0.1, 1e-5, method=method) for v in (0.05, 0.1, 0.15)]
    assert (exponent_of(load) is not None) == bent
    strong = [LoadReading(v, 50e-3 * v / 0.1, 1e-5, method=method) for v in (0.05, 0.1, 0.3)]
    found = exponent_of(strong)
    assert found is not None
    assert found.value == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("stopped", "word", "says"),
    [
        (None, "quiet", "ordinary start-up, by you"),
        ("rail-rises", "not-quiet", "a high side conducts"),
        ("input-current", "not-quiet", "find what draws it"),
        ("input-low", "not-quiet", "check the input at 0.2 V"),
        ("not-settling", "undecided", "wait a minute"),
    ],
)
def test_every_end_of_a_first_power_has_a_word_and_a_next_step(
    stopped: str | None, word: str, says: str
) -> None:
    steps = [
        PowerStep(set_v=v, supply_v=v, input_a=v * 2e-3, rail_v=1e-4, settled=True)
        for v in (0.25, 2.0, 5.0)
    ]
    judged = judge_first_power(
        steps, stopped, "at 5 V it did", specimen="b12", board="radar", rail="core"
    )
    assert judged.word == word
    assert says in judged.next_action
    assert ("10 mA" in judged.because) == (stopped is None)
    assert not math.isnan(judged.steps[-1].input_a)
