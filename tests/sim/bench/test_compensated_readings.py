"""Readings after an ordinary open and short correction, against the truth.

The spread must be what the classes declare: neither a meter that is better than it says nor one
that is worse. The allowance is formed here from the class figures alone (basic figure, zero error,
scatter of two placements), as a person would with a pencil. Does not cover the compensation of
the product, which has checks of its own.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from sim.bench import VirtualBench
from sim.clock import ManualClock
from sim.instruments.classes import IMPEDANCE_METERS
from sim.scenario import load_scenario

Complex = NDArray[np.complex128]
SEEDS = range(40)
OPEN, SHORT = 198, 199


def sweep(bench: VirtualBench, position: int, frequencies_hz: NDArray[np.float64]) -> Complex:
    meter, switch = bench.impedance_meter, bench.switch
    assert meter is not None
    assert switch is not None
    switch.open_all()
    switch.close([position, 201, 202])
    seen = []
    for frequency_hz in frequencies_hz:
        meter.set_frequency_hz(float(frequency_hz))
        result = meter.measure()
        over = result.status == 1
        seen.append(math.inf if over else complex(result.resistance_ohm, result.reactance_ohm))
    return np.array(seen, dtype=complex)


def corrected(raw: Complex, open_ohm: Complex, short_ohm: Complex) -> Complex:
    """Take series and shunt residuals away: Z = d / (1 - d / (Zopen - Zshort)), d = Z - Zshort."""
    difference = raw - short_ohm
    shunt = np.where(np.isfinite(open_ohm), 1.0 / (open_ohm - short_ohm), 0.0)
    return np.asarray(difference / (1.0 - difference * shunt))


@pytest.mark.parametrize("class_name", sorted(IMPEDANCE_METERS))
def test_corrected_readings_scatter_as_the_class_declares(class_name: str) -> None:
    figures = IMPEDANCE_METERS[class_name]
    demo = load_scenario("harbour-buoys")
    assert demo.impedance_meter is not None
    scenario = replace(
        demo,
        ambient_c=25.0,
        impedance_meter=replace(demo.impedance_meter, class_name=class_name),
        fixture=replace(
            demo.fixture,
            series_ohm=figures.fixture_ohm,
            series_h=figures.fixture_h,
            shunt_f=figures.fixture_f,
            contact_sd_ohm=figures.contact_sd_ohm,
            contact_sd_h=figures.contact_sd_h,
        ),
        specimens=tuple(
            replace(spec, fault=None, temperature_c=25.0) for spec in demo.specimens[:2]
        ),
    )
    frequencies_hz = np.array([f for f in (1e3, 1e4, 1e5, 3e5, 1e6, 5e6) if f <= figures.top_hz])
    omega = 2.0 * np.pi * frequencies_hz
    scores = []
    for seed in SEEDS:
        bench = VirtualBench(scenario, seed=seed, clock=ManualClock())
        assert bench.impedance_meter is not None
        bench.impedance_meter.set_aperture_s(0.5)
        open_ohm = sweep(bench, OPEN, frequencies_hz)
        short_ohm = sweep(bench, SHORT, frequencies_hz)
        for spec in scenario.specimens:
            found = corrected(sweep(bench, spec.position, frequencies_hz), open_ohm, short_ohm)
            true = np.asarray(bench.truth()[spec.name].impedance(frequencies_hz))
            size = np.abs(true)
            relative = figures.basic * (
                1.0 + figures.low_ohm / size + frequencies_hz / figures.top_hz
            )
            gain = relative * size / math.sqrt(3.0)
            sd_real = np.sqrt(
                gain**2 + figures.floor_ohm**2 / 3.0 + 2.0 * figures.contact_sd_ohm**2
            )
            sd_imag = np.sqrt(
                gain**2
                + (omega * figures.floor_h) ** 2 / 3.0
                + 2.0 * (omega * figures.contact_sd_h) ** 2
            )
            scores.append((found - true).real / sd_real)
            scores.append((found - true).imag / sd_imag)
    rms = np.sqrt(np.mean(np.square(scores), axis=0))
    assert np.all(rms > 0.6), rms
    assert np.all(rms < 1.3), rms
    assert np.max(np.abs(scores)) < 4.5
