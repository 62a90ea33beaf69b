"""Measure the covariance of a long sweep, and what stopping when decided saves.

Fixed averaging takes for every part what a borderline one needs: the pairs of the last look of
the stop rule, at the same stated risk. Time is that of the bench (simulated clock, instruments
asked in process), so the computer's load has no part in it. A bench whose supply gives 0.3 A and
whose multimeter has 4.5 digits, where averaging matters.
"""

from __future__ import annotations

import time
from functools import partial

import numpy as np

from labbench.jobs.until_decided import MOST_PAIRS, REJECTION_TESTS, resistance_enough
from labbench.metrology.accuracy import (
    impedance_accuracy,
    multimeter_accuracy,
    supply_accuracy,
)
from labbench.metrology.covariance import compensation_arrays, sweep_covariance
from labbench.metrology.expected import expected_compensation
from labbench.metrology.resistance import dc_resistance as known_resistance
from labbench.parts.library import find_part_type
from labbench.procedures.dc_resistance import dc_resistance
from labbench.results import ResistanceMeasurement
from tests.benchmarks.figures import Figure, median
from tests.studies.in_process import Session, scenario_of

POINTS = 1000
REPEATS = 50
SESSIONS = 40
GOAL_S, GOAL_SHARE = 5e-3, 0.5


def measure() -> list[Figure]:
    """Measure both."""
    return [*_covariance(), *_stopping()]


def _covariance() -> list[Figure]:
    accuracy = impedance_accuracy("bench-1MHz")
    frequencies = np.geomspace(1e3, 1e6, POINTS)
    arrays = compensation_arrays(expected_compensation(frequencies.tolist(), accuracy), accuracy)
    raw = 0.01 + 2j * np.pi * frequencies * 480e-9
    u_raw = np.full((POINTS, 2), 1e-5)
    whole, dense = [], []
    for _ in range(REPEATS):
        begun = time.perf_counter()
        found = sweep_covariance(raw, u_raw, arrays, accuracy)
        found.u()
        whole.append(time.perf_counter() - begun)
    for _ in range(5):
        begun = time.perf_counter()
        found.matrix()
        dense.append(time.perf_counter() - begun)
    return [
        Figure(f"covariance of a {POINTS}-point sweep", 1e3 * median(whole), "ms", 1e3 * GOAL_S),
        Figure("the same written out, 2000 x 2000", 1e3 * median(dense), "ms"),
    ]


def _stopping() -> list[Figure]:
    fixed = sum(_bench_time_s(seed, stopping=False) for seed in range(SESSIONS)) / SESSIONS
    stopped = sum(_bench_time_s(seed, stopping=True) for seed in range(SESSIONS)) / SESSIONS
    return [
        Figure(f"dc resistance, {MOST_PAIRS} pairs for every part, bench time", fixed, "s"),
        Figure("dc resistance until decided, bench time", stopped, "s"),
        Figure("until decided to fixed averaging", stopped / fixed, "", GOAL_SHARE),
    ]


def _bench_time_s(seed: int, *, stopping: bool) -> float:
    scenario = scenario_of(
        "moulded-470n", supply="1mV-0.1mA", multimeter="4.5-digit", highest_a=0.3
    )
    session = Session(scenario, seed)
    part = find_part_type("coil-470n", directories=[])

    def known(measurement: ResistanceMeasurement):  # type: ignore[no-untyped-def]
        return known_resistance(
            measurement,
            multimeter=multimeter_accuracy("4.5-digit"),
            supply=supply_accuracy("1mV-0.1mA"),
            impedance=None,
            supply_leads_ohm=None,
        )

    enough = None
    if stopping:
        enough = resistance_enough(
            part, partial(known), risk=0.05, rejection_risk=0.01 / REJECTION_TESTS
        )
    begun_s = session.clock.now_s()
    dc_resistance(
        session.bench, part, temperature_c=23.0, u_temperature_c=0.5, position=session.name,
        pairs=MOST_PAIRS, enough=enough,
    )  # fmt: skip
    return session.clock.now_s() - begun_s
