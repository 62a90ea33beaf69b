"""Readings that no coil can give are noticed and said, and never become a confident word.

Not covered: files that cannot be read at all (records).
"""

from __future__ import annotations

import math

import pytest
from attrs import evolve

from labbench.judging.coil import judge_coil
from labbench.reports.words import verdict_line
from labbench.results import Readings
from tests.judging.closed_forms import (
    BENCH_HZ,
    LARGE,
    LARGE_TYPE,
    SMALL,
    SMALL_TYPE,
    ClosedFormCoil,
    readings_of,
    with_impedance,
    with_resistance,
)


def scaled(values: tuple, factor: float) -> tuple:
    return tuple(v * factor for v in values)


def swapped(readings: Readings) -> Readings:
    block = readings.impedance
    return with_impedance(
        readings,
        resistance_ohm=block.reactance_ohm, reactance_ohm=block.resistance_ohm,
        u_resistance_ohm=block.u_reactance_ohm, u_reactance_ohm=block.u_resistance_ohm,
    )  # fmt: skip


def in_unit(readings: Readings, factor: float) -> Readings:
    block = readings.impedance
    return with_impedance(
        readings,
        resistance_ohm=scaled(block.resistance_ohm, factor),
        reactance_ohm=scaled(block.reactance_ohm, factor),
        u_resistance_ohm=scaled(block.u_resistance_ohm, factor),
        u_reactance_ohm=scaled(block.u_reactance_ohm, factor),
    )


def as_inductance(readings: Readings, factor: float) -> Readings:
    block = readings.impedance
    inductance = tuple(
        factor * x / (2 * math.pi * f)
        for f, x in zip(block.frequency_hz, block.reactance_ohm, strict=True)
    )
    return with_impedance(readings, reactance_ohm=inductance)


def in_kilohertz(readings: Readings) -> Readings:
    return with_impedance(readings, frequency_hz=scaled(BENCH_HZ, 1e-3))


MISTAKES = {
    "swapped columns": (swapped, "seem to be swapped"),
    "milliohm for ohm": (lambda r: in_unit(r, 1e3), "unit mistaken?"),
    "kiloohm for ohm": (lambda r: in_unit(r, 1e-3), "unit mistaken?"),
    "henry for ohm": (lambda r: as_inductance(r, 1.0), "hold inductance"),
    "nanohenry for ohm": (lambda r: as_inductance(r, 1e9), "hold inductance"),
    "kilohertz for hertz": (in_kilohertz, "unit mistaken?"),
    "dc in milliohm": (
        lambda r: with_resistance(r, value_ohm=1e3 * r.dc_resistance.value_ohm),
        "one is wrong",
    ),
    "dc leads swapped": (
        lambda r: with_resistance(r, value_ohm=-r.dc_resistance.value_ohm),
        "negative: leads swapped?",
    ),
    "short overcompensated": (
        lambda r: with_impedance(
            r, resistance_ohm=tuple(v - 0.1 for v in r.impedance.resistance_ohm)
        ),
        ", negative: compensation?",
    ),
}


@pytest.mark.parametrize(
    ("coil", "part"), [(SMALL, SMALL_TYPE), (LARGE, LARGE_TYPE)], ids=["470 nH", "4.7 uH"]
)
@pytest.mark.parametrize("name", MISTAKES)
def test_a_mistaken_reading_is_noticed_and_nothing_is_condemned(
    name: str, coil: ClosedFormCoil, part: object
) -> None:
    mistake, words = MISTAKES[name]
    judgement = judge_coil(mistake(readings_of(coil, part, seed=8)), part)
    assert judgement.disposition == "undecided"
    assert judgement.findings == ()
    assert words in judgement.remarks[0]
    assert "…" not in verdict_line(judgement)
    assert len(judgement.remarks[0]) <= 60
    assert judgement.would_decide


@pytest.mark.parametrize("short_ohm", [5e-4, 5e-3, 5e-2, 0.5])
@pytest.mark.parametrize(
    ("coil", "part"), [(SMALL, SMALL_TYPE), (LARGE, LARGE_TYPE)], ids=["470 nH", "4.7 uH"]
)
def test_no_shorted_turn_is_taken_for_a_mistake(
    short_ohm: float, coil: ClosedFormCoil, part: object
) -> None:
    for seed in range(3):
        readings = readings_of(evolve(coil, short_ohm=short_ohm), part, seed=seed)
        assert judge_coil(readings, part).findings


def test_swapped_columns_of_a_sweep_of_two_points_are_noticed() -> None:
    readings = readings_of(SMALL, SMALL_TYPE, seed=8, frequency_hz=(1e3, 1e5))
    block = readings.impedance
    swapped = with_impedance(
        readings, resistance_ohm=block.reactance_ohm, reactance_ohm=block.resistance_ohm
    )
    judgement = judge_coil(swapped, SMALL_TYPE)
    assert judgement.disposition == "undecided"
    assert judgement.remarks[0] == "resistance and reactance seem to be swapped"


def test_a_negative_resistance_within_its_uncertainty_is_no_mistake() -> None:
    readings = readings_of(SMALL, SMALL_TYPE, seed=2)
    block = readings.impedance
    noisy = with_impedance(
        readings,
        resistance_ohm=(-1e-4, *block.resistance_ohm[1:]),
        u_resistance_ohm=(1e-3, *block.u_resistance_ohm[1:]),
    )
    assert judge_coil(noisy, SMALL_TYPE).disposition == "fit"


def test_a_reading_above_self_resonance_is_no_mistake() -> None:
    coil = evolve(LARGE, inductance_h=4.7e-6)
    readings = readings_of(coil, LARGE_TYPE, seed=2)
    block = readings.impedance
    past = with_impedance(
        readings,
        reactance_ohm=(*block.reactance_ohm[:-1], -300.0),
        resistance_ohm=(*block.resistance_ohm[:-1], 500.0),
        u_reactance_ohm=(*block.u_reactance_ohm[:-1], 1.0),
    )
    assert not any("negative" in remark for remark in judge_coil(past, LARGE_TYPE).remarks)
