"""The adaptive sweep: where it begins, that it ends early, and that it does not miss for it.

Coils from closed forms. Not covered: the mean number of frequencies over populations (study).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from attrs import evolve

from labbench.judging.coil import judge_coil
from labbench.judging.next_frequency import first_frequency, next_frequency
from labbench.results import Contact, Readings
from tests.judging.closed_forms import (
    BENCH_HZ,
    LARGE,
    LARGE_TYPE,
    SMALL,
    SMALL_TYPE,
    ClosedFormCoil,
    readings_of,
)

CONTACT = Contact(2.5e-4, 1.2e-9)


def meter(size_ohm: float, frequency_hz: float) -> tuple[float, float]:
    gain, omega = 5e-4 * size_ohm, 2 * math.pi * frequency_hz
    return math.hypot(gain, 6e-5, CONTACT.u_resistance_ohm), math.hypot(
        gain, 3e-5, omega * CONTACT.u_inductance_h
    )


def only(readings: Readings, frequencies: list[float]) -> Readings:
    block = readings.impedance
    keep = sorted(block.frequency_hz.index(f) for f in frequencies)
    columns = ("frequency_hz", "resistance_ohm", "reactance_ohm", "u_resistance_ohm",
               "u_reactance_ohm")  # fmt: skip
    taken = {name: tuple(getattr(block, name)[i] for i in keep) for name in columns}
    return evolve(readings, impedance=evolve(block, **taken), dc_resistance=None)


def swept(coil: ClosedFormCoil, part: object, seed: int = 3) -> tuple[list[float], Readings]:
    whole = readings_of(coil, part, seed=seed)
    taken = [first_frequency(part, BENCH_HZ, meter, CONTACT)]
    while True:
        more = next_frequency(only(whole, taken), part, BENCH_HZ, meter)
        if more is None:
            return taken, evolve(only(whole, taken), dc_resistance=whole.dc_resistance)
        assert more not in taken
        taken.append(more)


@pytest.mark.parametrize(
    ("coil", "part"), [(SMALL, SMALL_TYPE), (LARGE, LARGE_TYPE)], ids=["470 nH", "4.7 uH"]
)
def test_a_healthy_coil_needs_few_frequencies_and_the_one_of_its_limit(
    coil: ClosedFormCoil, part: object
) -> None:
    taken, readings = swept(coil, part)
    assert taken[0] >= 3e5
    assert 1e5 in taken
    assert len(taken) <= 3
    assert judge_coil(readings, part).disposition == "fit"


@pytest.mark.parametrize("short_ohm", [5e-4, 5e-3, 0.05, 0.2, 0.5])
def test_a_clear_short_ends_the_sweep_early(short_ohm: float) -> None:
    taken, readings = swept(evolve(LARGE, short_ohm=short_ohm), LARGE_TYPE)
    assert len(taken) <= 2
    judgement = judge_coil(readings, LARGE_TYPE)
    assert judgement.disposition == "unfit"
    first = judgement.findings[0]
    assert "shorted-turn" in (first.fault, *first.alternatives)


def test_nothing_is_left_to_choose_once_every_frequency_was_taken() -> None:
    readings = only(readings_of(SMALL, SMALL_TYPE, seed=1), list(BENCH_HZ))
    assert next_frequency(readings, SMALL_TYPE, BENCH_HZ, meter) is None


def test_points_over_range_are_not_asked_for_again() -> None:
    readings = only(readings_of(SMALL, SMALL_TYPE, seed=1), [1e6])
    block = evolve(
        readings.impedance, resistance_ohm=(None,), reactance_ohm=(None,), u_resistance_ohm=(None,),
        u_reactance_ohm=(None,), status=("over-range",),
    )  # fmt: skip
    more = next_frequency(evolve(readings, impedance=block), SMALL_TYPE, BENCH_HZ, meter)
    assert more == min(BENCH_HZ)


def test_a_type_of_which_nothing_is_known_still_gets_a_first_frequency() -> None:
    part = evolve(SMALL_TYPE, inductance=(), dc_resistance=(), turns=None, material=None)
    assert first_frequency(part, BENCH_HZ, meter, CONTACT) in BENCH_HZ


def test_the_information_of_two_equal_alternatives_far_apart_is_ln_2() -> None:
    from labbench.judging.next_frequency import _mixture_information

    covariance = np.array([np.eye(2)] * 2)
    far = _mixture_information(np.array([[0.0, 0.0], [50.0, 0.0]]), covariance, np.full(2, 0.5))
    same = _mixture_information(np.zeros((2, 2)), covariance, np.full(2, 0.5))
    assert far == pytest.approx(math.log(2.0), abs=1e-6)
    assert same == pytest.approx(0.0, abs=1e-12)
