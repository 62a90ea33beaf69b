"""The covariance of a sweep with numpy, against GTC point by point.

Not covered: where the influences come from (test_impedance).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from attrs import evolve

from labbench.errors import InputError
from labbench.metrology.accuracy import impedance_accuracy
from labbench.metrology.averaging import average_sweep
from labbench.metrology.covariance import compensation_arrays, sweep_covariance
from labbench.metrology.impedance import uncertain_impedances
from tests.metrology.builders import FREQUENCIES_HZ, coil, compensation_of, in_fixture, sweep_of

BENCH = impedance_accuracy("bench-1MHz")


def covariances(accuracy, compensation, impedance=coil):
    import GTC

    sweep = sweep_of(lambda f: in_fixture(impedance(f), f))
    points = uncertain_impedances(sweep, compensation, accuracy)
    parts = [p.impedance.real for p in points] + [p.impedance.imag for p in points]
    by_gtc = np.array([[GTC.get_covariance(a, b) for b in parts] for a in parts])
    means = average_sweep(sweep, accuracy)
    found = sweep_covariance(
        np.array([m.value_ohm for m in means]), np.array([m.u_ohm for m in means]),
        compensation_arrays(compensation, accuracy), accuracy,
    )  # fmt: skip
    return found, by_gtc, np.array([float(p.x) for p in parts])


@pytest.mark.parametrize("class_name", ["hand-100kHz", "bench-300kHz", "bench-1MHz"])
@pytest.mark.parametrize("scale", [1.0, 300.0])
def test_values_and_covariances_agree_with_the_engine_point_by_point(class_name, scale):
    accuracy = impedance_accuracy(class_name, {"frequency_max": "2 MHz"})
    compensation = compensation_of(accuracy)
    found, by_gtc, values = covariances(accuracy, compensation, lambda f: scale * coil(f))
    n = len(FREQUENCIES_HZ)
    z = found.impedance_ohm
    assert np.concatenate([z.real, z.imag]) == pytest.approx(values, rel=1e-9)
    sd = np.sqrt(np.diag(by_gtc))
    # as correlations, so that a wrong small one is not lost beside a large one
    assert found.matrix() / np.outer(sd, sd) == pytest.approx(by_gtc / np.outer(sd, sd), abs=1e-5)
    u_r, u_x = found.u()
    assert np.concatenate([u_r, u_x]) == pytest.approx(sd, rel=1e-5)
    assert len(u_r) == n


def test_a_load_and_repeated_placements_are_in_both():
    compensation = evolve(
        compensation_of(BENCH),
        load_ohm=tuple(in_fixture(100.0, f) for f in FREQUENCIES_HZ),
        load_standard_ohm=(100.0 + 0j,) * 5, u_load_relative=2e-3,
        u_load_phase=(1e-5, 1e-4, 1e-3, 2e-3, 5e-3), placements=4,
        contact_resistance_ohm=5e-4, contact_inductance_h=2e-9,
    )  # fmt: skip
    found, by_gtc, _ = covariances(BENCH, compensation)
    sd = np.sqrt(np.diag(by_gtc))
    assert found.matrix() / np.outer(sd, sd) == pytest.approx(by_gtc / np.outer(sd, sd), abs=1e-5)


def test_points_that_share_a_contact_are_correlated_and_noise_is_not():
    found, _, _ = covariances(BENCH, compensation_of(BENCH))
    matrix = found.matrix()
    r = matrix[5 + 1, 5 + 2] / math.sqrt(matrix[6, 6] * matrix[7, 7])
    assert r > 0.5  # reactances at 10 and 100 kHz: contacts
    assert np.all(np.linalg.eigvalsh(matrix) > -1e-18)


def test_arrays_of_another_length_are_refused():
    arrays = compensation_arrays(compensation_of(BENCH), BENCH)
    with pytest.raises(InputError, match="5 frequencies"):
        sweep_covariance(np.zeros(4, complex), np.zeros((4, 2)), arrays, BENCH)
