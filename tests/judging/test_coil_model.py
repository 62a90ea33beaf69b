"""The reduced model of a coil: derivatives and closed forms.

Not covered: how well the model fits real coils; that is what its allowances are for.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from labbench.judging import coil_model as model
from tests.judging.closed_forms import dowell

FREQUENCY_HZ = np.array([1e3, 1e4, 1e5, 3e5, 1e6, 5e6])


def parameters(**values: float) -> np.ndarray:
    """A plain inductor of 100 uH and 0.2 ohm unless told otherwise: no losses, no capacitance."""
    names = {
        "L0": model.L0, "R0": model.R0, "fs": model.FS, "P": model.PROXIMITY, "fr": model.FR,
        "dh": model.DH, "C": model.CAPACITANCE, "beta": model.BETA, "dR": model.DR,
        "dL": model.DL, "k2": model.K2, "fc": model.FC, "fw": model.FW,
    }  # fmt: skip
    plain = {
        "L0": math.log(100e-6), "R0": math.log(0.2), "fs": math.log(1e4), "P": -60.0,
        "fr": math.log(1e18), "dh": -60.0, "C": -90.0, "beta": 1.0, "dR": 0.0, "dL": 0.0,
        "k2": 0.0, "fc": math.log(1e5), "fw": -60.0,
    }  # fmt: skip
    theta = np.zeros(len(model.PARAMETERS))
    for name, value in {**plain, **values}.items():
        theta[names[name]] = value
    return theta[None, :]


def logit(p: float) -> float:
    return math.log(p / (1 - p))


@pytest.mark.parametrize("loop", [True, False])
def test_analytic_derivatives_agree_with_central_differences(loop: bool) -> None:
    random = np.random.default_rng(20)
    usual = np.array([
        math.log(470e-9), math.log(1.5e-3), math.log(15e3), math.log(2.5), math.log(3e6),
        math.log(0.05), math.log(1e-9), 0.95, 1e-4, 1e-9, 1.0, math.log(1e5), math.log(2e4),
    ])  # fmt: skip
    theta = usual + 0.3 * random.normal(size=(6, len(usual))) * np.where(usual < -9, 0.1, 1.0)
    theta[:, model.DR] = theta[:, model.DL] = 0.0
    _, derivative = model.impedance_and_derivatives(theta, FREQUENCY_HZ, loop)
    for index, name in enumerate(model.PARAMETERS):
        step = {model.DR: 1e-6, model.DL: 1e-12}.get(index, 1e-5)
        up, down = theta.copy(), theta.copy()
        up[:, index] += step
        down[:, index] -= step
        numeric = (
            model.impedance(up, FREQUENCY_HZ, loop) - model.impedance(down, FREQUENCY_HZ, loop)
        ) / (2 * step)
        scale = np.abs(derivative[..., index]).max()
        assert np.abs(numeric - derivative[..., index]).max() <= 1e-6 * max(scale, 1e-12), name


@pytest.mark.parametrize(
    ("k", "expected"),
    [
        # Input impedance of coupled coils, 0.2 ohm + 100 uH with a loop of 0.1 uH and 10 mohm at
        # 100 kHz: recomputed by formula, T network, matrix and a symbolic netlist (lcapy 1.26)
        (0.90, 8.0998933634 + 13.1953591623j),
        (0.99, 9.7588709698 + 2.7716954413j),
    ],
)
def test_the_loop_is_the_input_impedance_of_two_coupled_coils(k: float, expected: complex) -> None:
    corner = 10e-3 / (2 * math.pi * 0.1e-6)
    theta = parameters(k2=logit(k**2), fc=math.log(corner))
    z = model.impedance(theta, np.array([100e3]))[0, 0]
    assert abs(z - expected) / abs(expected) < 1e-9


def test_a_loop_far_below_its_corner_is_not_there_and_far_above_takes_k2_of_the_inductance() -> (
    None
):
    # limits R2 -> infinity and R2 -> 0 of the coupled coils
    omega = 2 * np.pi * FREQUENCY_HZ
    far_below = model.impedance(parameters(k2=logit(0.81), fc=math.log(1e15)), FREQUENCY_HZ)[0]
    assert far_below == pytest.approx(0.2 + 1j * omega * 100e-6, rel=1e-8)
    far_above = model.impedance(parameters(k2=logit(0.81), fc=math.log(1e-6)), FREQUENCY_HZ)[0]
    assert far_above.imag == pytest.approx(omega * 19e-6, rel=1e-8)


def test_far_above_its_corner_a_loop_adds_its_resistance_times_the_ratio_squared() -> None:
    # w L2 >> R2: added R = R2 (M/L2)^2, with M^2 = k2 L1 L2
    r2, l2, k2 = 1e-6, 0.1e-6, 0.81
    theta = parameters(k2=logit(k2), fc=math.log(r2 / (2 * math.pi * l2)))
    added = model.impedance(theta, np.array([1e5]))[0, 0].real - 0.2
    assert added == pytest.approx(r2 * k2 * 100e-6 / l2, rel=1e-6)


@pytest.mark.parametrize(
    ("omega_tau", "expected"),
    [(0.1, 99.0198020 - 9.80198020j), (1.0, 50.5 - 49.5j), (10.0, 1.98019802 - 9.80198020j)],
)
def test_a_core_without_spread_relaxes_as_debye_has_it(omega_tau: float, expected: complex) -> None:
    # mu = mu_inf + (mu_s - mu_inf) / (1 + j w tau), mu_inf 1, mu_s 100 (recomputed)
    theta = parameters(R0=-60.0, fr=math.log(1e6), beta=1.0)
    f = np.array([omega_tau * 1e6])
    core = model.impedance(theta, f, False)[0] / (2j * np.pi * f * 100e-6)
    assert 1 + 99 * core[0] == pytest.approx(expected, rel=1e-8)


def test_a_fully_coupled_loop_and_a_relaxing_core_are_the_same_function() -> None:
    # the Debye identity: why no sweep alone tells a shorted turn with a high corner from a core
    loop = model.impedance(parameters(k2=40.0, fc=math.log(3e5)), FREQUENCY_HZ)
    core = model.impedance(parameters(fr=math.log(3e5), beta=1.0), FREQUENCY_HZ, False)
    assert loop == pytest.approx(core, rel=1e-9)


def test_the_capacitance_raises_the_apparent_inductance_below_resonance() -> None:
    # 10 uH with 10 pF resonate at 15.9154943 MHz; at a tenth of it L appears as L/0.99
    theta = parameters(L0=math.log(10e-6), R0=-60.0, C=math.log(10e-12))
    f = np.array([1.59154943e6])
    apparent = model.impedance(theta, f, False)[0, 0].imag / (2 * np.pi * f[0])
    assert apparent == pytest.approx(10e-6 / 0.99, rel=1e-6)


@pytest.mark.parametrize(
    ("d", "layers", "expected"),
    [(0.5, 1, 1.00554236), (1.0, 2, 1.40600908), (1.0, 5, 3.64862268), (2.0, 3, 10.5609610)],
)
def test_the_winding_of_the_closed_form_coils_has_dowells_resistance(
    d: float, layers: int, expected: float
) -> None:
    # Dowell, Proc. IEE 113 (1966) 1387; recomputed by direct field integration
    assert dowell(np.array([d]), layers)[0].real == pytest.approx(expected, rel=1e-8)


def test_winding_loss_rises_with_the_square_of_frequency_and_then_with_its_root() -> None:
    # limits of m tanh(m/2): low frequency real part ~ f^2, high ~ sqrt(f)
    theta = parameters(L0=-60.0, P=math.log(1.0), fs=math.log(1e4))

    def rise(f: float) -> float:
        return float(model.impedance(theta, np.array([f]), False)[0, 0].real) / 0.2 - 1

    assert rise(2e2) / rise(1e2) == pytest.approx(4.0, rel=1e-3)
    assert rise(4e8) / rise(1e8) == pytest.approx(2.0, rel=1e-3)
