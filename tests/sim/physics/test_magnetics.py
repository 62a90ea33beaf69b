"""Permeability over frequency and bias, against textbook forms and direct solutions.

Does not cover the values in the construction files, which are invented.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq
from scipy.special import spherical_jn

from sim.physics.magnetics import (
    FerriteCore,
    PowderCore,
    constant_angle,
    debye,
    langevin_slope,
    sphere_shielding,
)

POWDER = PowderCore(25e6, 0.2, 2e-3, 1e5, 0.35, 2.5e-4, 10.0)
FERRITE = FerriteCore(1900.0, 1.0, 2.6e6, 9e-3, 1e5, 0.014, 9e-4, 10.0)


# Debye: mu = mu_inf + (mu_s - mu_inf)/(1 + jwT); mu_inf 1, mu_s 100 (arithmetic).
@pytest.mark.parametrize(
    ("ratio", "published"),
    [
        (0.1, 99.0198020 - 9.80198020j),
        (1, 50.5 - 49.5j),
        (10, 1.98019802 - 9.80198020j),
    ],
)
def test_debye_relaxation(ratio: float, published: complex) -> None:
    assert complex(debye(ratio * 1e6, 100, 1, 1e6)) == pytest.approx(published, abs=1e-7)


# Field inside a conducting sphere: A_phi = j1(kr); the sphere without eddy currents that matches
# B_r and H_theta at the surface has 2 j1 / (j1 + z j1') times the permeability.
@pytest.mark.parametrize("size", [0.01, 0.1, 0.2, 0.3, 1.0, 3.0, 10.0])
def test_eddy_currents_in_a_grain(size: float) -> None:
    z = size * np.sqrt(-1j)
    bessel, slope = spherical_jn(1, z), spherical_jn(1, z, derivative=True)
    matched = 2 * bessel / (bessel + z * slope)
    assert complex(sphere_shielding(z**2)) == pytest.approx(complex(matched), rel=1e-9)


def test_a_large_grain_does_not_overflow() -> None:
    value = complex(sphere_shielding(-1e8j))
    assert np.isfinite(value)
    assert abs(value) == pytest.approx(2e-4, rel=1e-3)


# Kramers and Kronig: a loss angle that is the same at all frequencies is a power law.
def test_a_constant_angle_falls_slowly_with_frequency() -> None:
    slow, fast = constant_angle(np.array([1e4, 1e5]), 2e-3, 1e5)
    assert np.angle(slow) == pytest.approx(-2e-3, rel=1e-9)
    assert np.angle(fast) == pytest.approx(-2e-3, rel=1e-9)
    assert abs(slow) / abs(fast) == pytest.approx(10 ** (2 * 2e-3 / np.pi), rel=1e-12)


# Langevin function coth x - 1/x, differentiated numerically.
@pytest.mark.parametrize("field", [0.02, 0.029, 0.031, 0.5, 2.0, 20.0])
def test_the_slope_of_the_langevin_function(field: float) -> None:
    step = 1e-3 * field

    def langevin(x: float) -> float:
        return float(1 / np.tanh(x) - 1 / x)

    numeric = 3 * (langevin(field + step) - langevin(field - step)) / (2 * step)
    assert float(langevin_slope(field)) == pytest.approx(numeric, rel=2e-5)


def test_a_core_far_beyond_saturation_is_still_a_number() -> None:
    assert POWDER.reversible(1e6) == pytest.approx(0, abs=1e-6)
    assert FERRITE.reversible(1e6) == pytest.approx(0, abs=1e-6)


# Ampere's law around ferrite and gap, solved for the flux and differentiated numerically:
# current = H core + B gap, B = tanh(H) in units where the ferrite's permeability is 1.
@pytest.mark.parametrize("bias_a", [1.0, 8.0, 9.5, 10.5, 12.0])
def test_a_gapped_core_over_bias(bias_a: float) -> None:
    gain = FERRITE.initial_permeability * FERRITE.gap_ratio

    def flux(current: float) -> float:
        goal = current / FERRITE.saturation_a * (1 + 1 / gain)
        return float(np.tanh(brentq(lambda h: h / gain + np.tanh(h) - goal, 0, 1e4, xtol=1e-14)))

    step = 1e-4
    numeric = (flux(bias_a + step) - flux(bias_a - step)) / (2 * step)
    numeric /= flux(step) / step
    no_loss = FerriteCore(1900.0, 1.0, 1e15, 0.0, 1e5, 0.014, 0.0, 10.0)
    assert complex(no_loss.scale(1e5, bias_a, 25.0)).real == pytest.approx(numeric, rel=1e-4)


# Series reluctances: a gap dilutes the loss tangent by (mu_effective / mu).
def test_a_gap_dilutes_the_loss() -> None:
    ferrite = debye(1e5, 1900, 1, 2.6e6) * constant_angle(1e5, 9e-3, 1e5)
    effective = 1 / (1 / complex(ferrite) + 0.014)
    tangent = -effective.imag / effective.real
    scale = complex(FERRITE.scale(1e5, 0.0, 25.0))
    assert -scale.imag / scale.real == pytest.approx(tangent, rel=1e-9)


@given(
    st.floats(2, 8),
    st.floats(-30, 30),
    st.floats(-40, 120),
    st.sampled_from([POWDER, FERRITE]),
)
def test_a_core_never_gives_power(
    log_frequency: float, bias_a: float, temperature_c: float, core: PowderCore | FerriteCore
) -> None:
    value = complex(core.scale(10**log_frequency, bias_a, temperature_c))
    assert value.real > 0
    assert value.imag < 0
