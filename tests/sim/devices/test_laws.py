"""The laws of conduction against published values and closed forms.

Does not cover whether real parts obey them, nor the circuits built of them.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.special import lambertw

from sim.physics.devices.laws import (
    Law,
    avalanche,
    bias_cell,
    channel,
    diode,
    generation,
    inverse_softplus,
    junction_capacitance,
    mirrored,
    ohmic,
    power,
    saturation_at,
    softplus,
    thermal_v,
    threshold_at,
    together,
)
from sim.physics.devices.load import subthreshold

AT_300_K = 300.0 - 273.15
LAWS: dict[str, Law] = {
    "resistor": ohmic(1e6),
    "diode": diode(1e-12, 0.0267, 4e-3),
    "Schottky diode": diode(3e-8, 0.027, 9e-3),
    "generation": generation(9e-9, 24.0, 0.48),
    "avalanche": avalanche(34.0, 2.2, 250e-6),
    "weak gate": power(1e-6, 10.0, 4.2, 0.3),
    "bias cell": bias_cell(54e-6, 1.0),
    "load": subthreshold(0.02, 0.095, 1.42, 0.0257),
    "turned diode": mirrored(diode(1e-12, 0.0267, 4e-3)),
    "all together": together([ohmic(1e9), avalanche(34.0, 2.2, 250e-6), generation(1e-8, 24, 0.5)]),
}


# Constants of the SI (exact): references, diode and leakage arithmetic, tolerance 1e-8.
def test_the_thermal_voltage_is_that_of_the_si_constants() -> None:
    assert thermal_v(AT_300_K) == pytest.approx(0.025851999786, rel=1e-10)
    assert thermal_v(25.0) == pytest.approx(0.025692579121, rel=1e-10)
    assert thermal_v(AT_300_K) * math.log(10) == pytest.approx(59.52643e-3, rel=1e-7)


# Shockley diode, Is = 1e-14 A at 300 K (references, same place).
def test_a_diode_gives_shockleys_currents() -> None:
    law = diode(1e-14, thermal_v(AT_300_K), 1e-12)
    assert law(0.6)[0] == pytest.approx(1.2010370e-4, rel=1e-7)
    assert law(-5.0)[0] == pytest.approx(-1.0e-14, rel=1e-12)
    volts = brentq(lambda v: law(v)[0] - 1e-3, 0.5, 0.8, xtol=1e-14)
    assert volts == pytest.approx(0.65479072, rel=1e-8)


# Series diode by the Lambert W function: I = (s/R) W((Is R/s) e^((V + Is R)/s)) - Is.
@pytest.mark.parametrize("volts", [-1.0, -0.05, 0.0, 0.2, 0.45, 0.55, 0.62, 0.7, 0.9])
@pytest.mark.parametrize(("is_a", "ohm"), [(1e-12, 4e-3), (3e-8, 9e-3), (1e-9, 45.0)])
def test_a_diode_with_series_resistance_is_lamberts(volts: float, is_a: float, ohm: float) -> None:
    slope = 0.0267
    argument = is_a * ohm / slope * math.exp((volts + is_a * ohm) / slope)
    expected = slope / ohm * float(lambertw(argument).real) - is_a
    assert diode(is_a, slope, ohm)(volts)[0] == pytest.approx(expected, rel=1e-9, abs=1e-6 * is_a)


@given(st.floats(-80, 80), st.floats(-14, -6), st.floats(-4, 2))
def test_a_diode_obeys_its_own_implicit_equation(
    volts: float, log_is: float, log_ohm: float
) -> None:
    is_a, ohm, slope = 10**log_is, 10**log_ohm, 0.0257
    amperes, _ = diode(is_a, slope, ohm)(volts)
    assert math.isfinite(amperes)
    if amperes < -0.999 * is_a:
        assert amperes == pytest.approx(-is_a, rel=1e-3)
        assert amperes >= -is_a
        assert volts < -5 * slope
    else:
        inner = slope * math.log1p(amperes / is_a)
        assert inner == pytest.approx(volts - amperes * ohm, abs=1e-9, rel=1e-9)


@pytest.mark.parametrize("name", LAWS)
def test_every_law_is_passive_and_rises(name: str) -> None:
    law = LAWS[name]
    volts = np.concatenate([-np.geomspace(60, 1e-6, 200), [0.0], np.geomspace(1e-6, 60, 200)])
    amperes = [law(float(v))[0] for v in volts]
    assert all(v * i >= -1e-13 for v, i in zip(volts, amperes, strict=True))
    assert np.all(np.diff(amperes) >= 0)
    # An avalanche passes e^(-V/Va) even at rest, as the softplus that describes it does.
    assert abs(law(0.0)[0]) < 1e-30


@pytest.mark.parametrize("name", LAWS)
def test_every_slope_is_the_derivative(name: str) -> None:
    law, step = LAWS[name], 1e-6
    for volts in (-33.7, -2.2, -0.61, -0.3, -0.01, 0.07, 0.31, 0.58, 1.7, 12.0, 33.9, 36.0):
        # Slopes far below the law's own current have no digits in a difference.
        above, below = law(volts + step)[0], law(volts - step)[0]
        slope = (above - below) / (2 * step)
        noise = 1e-15 * abs(above) / step
        assert law(volts)[1] == pytest.approx(slope, rel=1e-4, abs=10 * noise + 1e-18)


def test_avalanche_carries_its_current_at_the_breakdown_voltage_and_then_its_resistance() -> None:
    law = avalanche(34.0, 2.2, 250e-6)
    assert law(34.0)[0] == pytest.approx(250e-6, rel=1e-9)
    assert law(60.0)[1] == pytest.approx(1 / 2.2, rel=1e-9)


def test_softplus_is_inverted_and_keeps_small_values() -> None:
    for y in (1e-9, 1e-3, 0.7, 3.0, 39.0, 55.0):
        assert softplus(inverse_softplus(y)) == pytest.approx(y, rel=1e-12)
    assert softplus(-50.0) == pytest.approx(math.exp(-50.0), rel=1e-12)


# Strong inversion, n = 1: the square law of every textbook, with its two regions.
def test_a_channel_far_above_threshold_is_the_square_law() -> None:
    law = channel(200.0, 1.0, 1.9, thermal_v(25.0))
    for gate in (4.5, 7.0, 10.0):
        for drain in (0.005, 0.05, 0.2):
            square = 200.0 * ((gate - 1.9) * drain - drain**2 / 2)
            assert law(gate, drain)[0] == pytest.approx(square, rel=1e-9)
        assert law(gate, 20.0)[0] == pytest.approx(100.0 * (gate - 1.9) ** 2, rel=1e-9)


# Weak inversion: I = 2nKu^2 e^((VGS - VT)/nu) (1 - e^(-VDS/u)), a decade per n u ln 10.
def test_a_channel_far_below_threshold_is_exponential() -> None:
    thermal, ideality, gain = thermal_v(25.0), 1.38, 200.0
    law = channel(gain, ideality, 1.9, thermal)
    scale = 2 * ideality * gain * thermal**2
    for gate in (0.6, 0.9, 1.1):
        for drain in (0.01, 0.1, 1.0):
            weak = (
                scale
                * math.exp((gate - 1.9) / (ideality * thermal))
                * (1 - math.exp(-drain / thermal))
            )
            assert law(gate, drain)[0] == pytest.approx(weak, rel=3e-4)
    decade = ideality * thermal * math.log(10)
    assert law(0.8 + decade, 5.0)[0] / law(0.8, 5.0)[0] == pytest.approx(10.0, rel=1e-5)


# A study of such models found R = 1/(K (VGS - VT)) wrong by -18, -10, -2 and -0.7 % at overdrives
# of 0.1, 0.2, 0.5 and 1 V and VDS = 20 mV. It does not tell its n; 1.25 meets it within a point.
@pytest.mark.parametrize(
    ("overdrive_v", "percent"), [(0.1, -18.0), (0.2, -10.0), (0.5, -2.0), (1.0, -0.7)]
)
def test_the_square_law_misses_the_resistance_near_threshold(
    overdrive_v: float, percent: float
) -> None:
    drain = 0.02
    ours = drain / channel(161.0, 1.25, 1.85, thermal_v(25.0))(1.85 + overdrive_v, drain)[0]
    square = 1 / (161.0 * overdrive_v)
    assert 100 * (square / ours - 1) == pytest.approx(percent, abs=1.0)


@given(st.floats(-2, 12), st.floats(-2, 40))
def test_a_channel_gives_no_power(gate: float, drain: float) -> None:
    amperes, by_gate, by_drain = channel(200.0, 1.38, 1.9, 0.0257)(gate, drain)
    assert amperes * drain >= 0
    assert by_drain >= 0
    assert by_gate * drain >= 0


def test_the_slopes_of_a_channel_are_its_derivatives() -> None:
    law, step = channel(200.0, 1.38, 1.9, 0.0257), 1e-6
    for gate in (1.0, 1.9, 2.4, 6.0):
        for drain in (-0.3, 0.02, 0.4, 9.0):
            _, by_gate, by_drain = law(gate, drain)
            gate_slope = (law(gate + step, drain)[0] - law(gate - step, drain)[0]) / (2 * step)
            drain_slope = (law(gate, drain + step)[0] - law(gate, drain - step)[0]) / (2 * step)
            scale = abs(law(gate, drain)[0])
            assert by_gate == pytest.approx(gate_slope, rel=1e-5, abs=1e-8 * scale)
            assert by_drain == pytest.approx(drain_slope, rel=1e-5, abs=1e-8 * scale)


def test_the_threshold_formula_inverts_the_saturated_channel() -> None:
    thermal = thermal_v(25.0)
    for amperes in (1e-6, 250e-6, 1e-3, 1.0):
        volts = threshold_at(amperes, 200.0, 1.38, 1.9, thermal)
        law = channel(200.0, 1.38, 1.9, thermal)
        assert law(volts, 20.0)[0] == pytest.approx(amperes, rel=1e-9)


# Junction of 1.12 eV, 25 to 125 C: ni^2 grows by 1.35e5 (references, leakage arithmetic).
def test_the_saturation_current_follows_the_square_of_the_intrinsic_density() -> None:
    assert saturation_at(1.0, 1.0, 1.12, 125.0) == pytest.approx(1.35e5, rel=0.01)
    assert saturation_at(1.0, 2.0, 1.12, 125.0) == pytest.approx(368.0, rel=0.01)


def test_a_depletion_capacitance_falls_with_reverse_voltage_only() -> None:
    farad = junction_capacitance(1e-9, 0.45)
    assert farad(-3.0) == farad(0.0) == 1e-9
    assert farad(24.0) == pytest.approx(1e-9 / (1 + 24 / 0.7) ** 0.45, rel=1e-12)


@pytest.mark.parametrize("exponent", [0.33, 0.45, 0.75])
@pytest.mark.parametrize(
    ("begin_v", "end_v"), [(0.0, 24.0), (24.0, 3.0), (-0.6, 5.0), (5.0, -0.6), (-1.0, -0.2)]
)
def test_a_depletion_layers_charge_is_the_integral_of_its_capacitance(
    exponent: float, begin_v: float, end_v: float
) -> None:
    farad = junction_capacitance(3e-9, exponent)
    corner = [0.0] if begin_v * end_v < 0 else None
    expected_c, _ = quad(farad, begin_v, end_v, points=corner, epsabs=1e-20, epsrel=1e-11)
    assert farad.charge_c(begin_v, end_v) == pytest.approx(expected_c, rel=1e-9)


def test_the_charge_of_a_small_change_keeps_its_digits() -> None:
    farad = junction_capacitance(3e-9, 0.45)
    assert farad.charge_c(24.0, 24.0 + 1e-9) == pytest.approx(1e-9 * farad(24.0), rel=1e-6)
