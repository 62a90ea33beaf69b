"""Copper against published values: skin depth, round wire, foil, temperature, wire gauges.

Does not cover how the turns of a coil are put together (test_coil.py).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.constants import inch

from sim.physics.conductors import (
    COPPER_RESISTIVITY_20C_OHM_M,
    copper_ratio,
    copper_resistivity_ohm_m,
    foil_factors,
    round_wire_factor,
    round_wire_proximity_ohm_m,
    skin_depth_m,
)
from sim.physics.winding import Winding

RHO = COPPER_RESISTIVITY_20C_OHM_M
MU0 = 4e-7 * np.pi


def frequency_for(depth_m: float) -> float:
    return RHO / (np.pi * MU0 * depth_m**2)


# delta = sqrt(rho / (pi f mu0)), copper 1/58 ohm mm2/m (IEC 60028), mu0 = 4e-7 pi
@pytest.mark.parametrize(
    ("frequency_hz", "depth_mm"),
    [
        (60, 8.5316005),
        (1e3, 2.08980678),
        (1e4, 0.660854931),
        (1e5, 0.208980678),
        (1e6, 66.0854931e-3),
        (1e7, 20.8980678e-3),
    ],
)
def test_skin_depth_of_copper(frequency_hz: float, depth_mm: float) -> None:
    assert float(skin_depth_m(frequency_hz, RHO)) * 1e3 == pytest.approx(depth_mm, rel=1e-8)


# x = sqrt(2) r/delta: NBS Circular 74 / Rosa and Grover, skin effect in round wire (R/R0 partly
# from memory); Li/L0 computed from the same Bessel functions.
@pytest.mark.parametrize(
    ("x", "resistance", "inductance"),
    [
        (1, 1.00519, 0.99741),
        (2, 1.07816, 0.96114),
        (3, 1.31809, 0.84517),
        (4, 1.67787, 0.68632),
        (5, 2.04273, 0.55597),
        (10, 3.79858, 0.28162),
    ],
)
def test_skin_effect_of_a_round_wire(x: float, resistance: float, inductance: float) -> None:
    radius = 0.4e-3
    frequency = frequency_for(np.sqrt(2) * radius / x)
    factor = complex(round_wire_factor(frequency, radius, RHO))
    assert factor.real == pytest.approx(resistance, abs=2e-5)
    slow = 2 * np.pi * frequency * MU0 / (8 * np.pi)  # internal reactance per metre, mu0/8pi
    dc = RHO / (np.pi * radius**2)
    assert factor.imag * dc / slow == pytest.approx(inductance, abs=2e-5)


# Same source: wire of 1 mm at 100 kHz and 1 MHz, of 0.5 mm at 100 kHz; limit r/(2 delta) + 1/4.
def test_round_wires_of_common_sizes() -> None:
    assert complex(round_wire_factor(1e5, 0.5e-3, RHO)).real == pytest.approx(1.449801, abs=1e-6)
    assert complex(round_wire_factor(1e6, 0.5e-3, RHO)).real == pytest.approx(4.045194, abs=1e-6)
    assert complex(round_wire_factor(1e5, 0.25e-3, RHO)).real == pytest.approx(1.041264, abs=1e-6)
    thick = complex(round_wire_factor(frequency_for(0.01e-3), 0.5e-3, RHO))
    assert thick.real == pytest.approx(25.25187, abs=1e-5)


def test_a_wire_of_many_skin_depths_does_not_overflow() -> None:
    factor = complex(round_wire_factor(1e9, 0.1, RHO))
    ratio = 0.1 / float(skin_depth_m(1e9, RHO))
    assert factor.real == pytest.approx(ratio / 2 + 0.25, rel=1e-6)


# Dowell, Proc. IEE 113 (1966) 1387: D = thickness over skin depth, m layers, equal currents.
@pytest.mark.parametrize(
    ("ratio", "layers", "published"),
    [
        (0.5, 1, 1.00554236),
        (0.5, 4, 1.10944619),
        (1, 1, 1.08563570),
        (1, 2, 1.40600908),
        (1, 3, 1.93996470),
        (1, 5, 3.64862268),
        (2, 3, 10.5609610),
        (3, 1, 3.01013585),
    ],
)
def test_layers_of_foil(ratio: float, layers: int, published: float) -> None:
    thickness = 0.2e-3
    own, near = foil_factors(frequency_for(thickness / ratio), thickness, RHO)
    winding = Winding(layers, 3, 5e-3, 1e-3, 0.3e-3)
    below = winding.ampere_turns_below(0.0).sum(axis=1)  # 1 A in every turn
    factor = complex(own) + complex(near) * np.mean(below * (below + 1))
    assert factor.real == pytest.approx(published, rel=1e-8)


# Loss of a thin wire in a uniform transverse field: P = pi w^2 B^2 d^4 / (128 rho) per metre with
# the amplitude B (Snelling, Soft Ferrites; from memory), so twice that with the rms value.
def test_a_thin_wire_in_a_transverse_field_loses_what_the_textbook_says() -> None:
    radius, frequency = 20e-6, 1e4
    power = complex(round_wire_proximity_ohm_m(frequency, radius, RHO))
    textbook = np.pi * (2 * np.pi * frequency * MU0) ** 2 * 2 * (2 * radius) ** 4 / (128 * RHO)
    assert power.real == pytest.approx(textbook, rel=1e-5)


# A perfect conductor in a transverse field: dipole -2 pi r^2 H per metre (any text on potentials).
def test_a_thick_wire_pushes_the_field_out() -> None:
    radius, frequency = 1e-3, 1e9
    power = complex(round_wire_proximity_ohm_m(frequency, radius, RHO))
    expelled = 2 * np.pi * frequency * MU0 * 2 * np.pi * radius**2
    assert power.imag == pytest.approx(-expelled, rel=0.01)


def test_packed_wires_push_out_no_more_flux_than_there_is() -> None:
    radius, frequency, filling = 1e-3, 1e9, 0.78
    cell = np.pi * radius**2 / filling
    power = complex(round_wire_proximity_ohm_m(frequency, radius, RHO, filling))
    there = 2 * np.pi * frequency * MU0 * cell
    assert 0.8 * there < -power.imag < there


# IEC 60034-1, resistance method, constant 235 for copper: ratios from 20 C.
@pytest.mark.parametrize(
    ("temperature_c", "ratio"), [(75, 1.215686), (100, 1.313725), (125, 1.411765)]
)
def test_copper_over_temperature(temperature_c: float, ratio: float) -> None:
    assert copper_ratio(temperature_c, 20) == pytest.approx(ratio, abs=5e-7)


# IEC 60034-1: 1.0 ohm at 20 C has become 1.2 ohm: 71 C.
def test_temperature_from_a_rise_of_twenty_percent() -> None:
    assert copper_ratio(71, 20) == pytest.approx(1.2, rel=1e-12)


# 1/0.00393 - 20 = 234.45 (IEC 60028) and 234.5 (IEEE practice) are other roundings of the line.
def test_the_constants_in_use_agree_within_a_tenth_of_a_percent() -> None:
    for temperature in (75, 100, 125):
        alpha = 1 + 0.00393 * (temperature - 20)
        assert copper_ratio(temperature, 20) == pytest.approx(alpha, rel=1e-3)


def test_copper_below_the_end_of_the_line_is_refused() -> None:
    with pytest.raises(ValueError, match="-235 C"):
        copper_ratio(-235, 20)


# AWG: d = 0.005 in x 92^((36-n)/39) (ASTM B258); ohm/km at 20 C, 100 % IACS, from the exact
# diameters; gauges 12 to 30 agree with published tables within 0.1 %.
@pytest.mark.parametrize(
    ("gauge", "ohm_per_km"),
    [(10, 3.2771), (20, 33.309), (24, 84.215), (30, 338.56), (36, 1361.05), (40, 3441.1)],
)
def test_wire_gauges(gauge: int, ohm_per_km: float) -> None:
    diameter = 0.005 * inch * 92 ** ((36 - gauge) / 39)
    resistance = copper_resistivity_ohm_m(20) * 1000 / (np.pi / 4 * diameter**2)
    assert resistance == pytest.approx(ohm_per_km, rel=1e-3)
