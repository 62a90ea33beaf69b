"""Loops and solenoids against Maxwell, Nagaoka and Rosa; the grid of a winding.

Does not cover the core (test_magnetics.py, test_coil.py).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.linalg import solve

from sim.physics.winding import Winding, loop_field_per_m, loop_mutual_h, loop_self_h

MU0 = 4e-7 * np.pi


# Maxwell's formula; the values agree with Neumann's integral done numerically and with the flux
# of an independent field program (magpylib).
@pytest.mark.parametrize(
    ("a", "b", "distance", "henry"),
    [
        (0.10, 0.10, 0.10, 4.940784631e-08),
        (0.25, 0.25, 0.10, 3.376847185e-07),
        (0.25, 0.20, 0.10, 2.487873590e-07),
        (0.10, 0.10, 0.02, 2.153856008e-07),
        (0.25, 0.25, 0.025, 7.507190759e-07),
        (1.00, 0.50, 0.00, 5.486179473e-07),
    ],
)
def test_two_coaxial_circles(a: float, b: float, distance: float, henry: float) -> None:
    assert float(loop_mutual_h(a, b, distance)) == pytest.approx(henry, rel=1e-9)


# Circular loop, R = 50 mm, wire radius 0.5 mm: mu0 R (ln(8R/a) - 2), current on the surface
# (Rosa 1908, Grover 1946).
def test_a_single_loop() -> None:
    assert float(loop_self_h(50e-3, 0.5e-3)) == pytest.approx(294.342836e-9, rel=1e-8)


# Any text: H on the axis of a loop is R^2 / (2 (R^2 + z^2)^1.5).
def test_the_field_on_the_axis_of_a_loop() -> None:
    radial, axial = loop_field_per_m(10e-3, 1e-9, 4e-3)
    assert float(axial) == pytest.approx(1e-4 / (2 * (1e-4 + 16e-6) ** 1.5), rel=1e-6)
    assert abs(float(radial)) < 1e-3


# The flux of that field through a second loop is Maxwell's mutual inductance.
@pytest.mark.parametrize(("radius", "distance"), [(3e-3, 1e-3), (2.5e-3, 5e-3), (1e-3, 0.5e-3)])
def test_the_field_of_a_loop_gives_its_mutual_inductance(radius: float, distance: float) -> None:
    def flux_density(r: float) -> float:
        return MU0 * float(loop_field_per_m(3e-3, r, distance)[1]) * 2 * np.pi * r

    flux, _ = quad(flux_density, 1e-9, radius, epsabs=0, epsrel=1e-10)
    assert flux == pytest.approx(float(loop_mutual_h(3e-3, radius, distance)), rel=1e-8)


# div H = 0 ties the radial to the axial field.
def test_the_radial_field_of_a_loop_closes_its_axial_field() -> None:
    radius, height, step = 2e-3, 1.5e-3, 1e-7
    out = (radius + step) * loop_field_per_m(3e-3, radius + step, height)[0]
    inner = (radius - step) * loop_field_per_m(3e-3, radius - step, height)[0]
    above = loop_field_per_m(3e-3, radius, height + step)[1]
    under = loop_field_per_m(3e-3, radius, height - step)[1]
    divergence = (out - inner) / (2 * step * radius) + (above - under) / (2 * step)
    assert abs(float(divergence)) < 1e-6 * float(abs(above)) / 1e-3


# Current sheet: mu0 pi D^2 N^2 K / (4 l), K from Grover, Inductance Calculations (1946), Table 36
# (l/D = 1) and computed beyond it. A winding of round wire has less by mu0 a N (A + B),
# A = 5/4 - ln(2 pitch/d), B from Rosa's table (from memory: N = 10, 20, 50: 0.2664, 0.2974,
# 0.3186). Circles in place of a helix differ by some 0.1 % at ten turns.
@pytest.mark.parametrize(
    ("turns", "diameter_over_length", "nagaoka", "rosa_b", "tolerance"),
    [
        (10, 1.0, 0.688423, 0.2664, 2e-3),
        (20, 1.0, 0.688423, 0.2974, 1e-3),
        (50, 1.0, 0.688423, 0.3186, 5e-4),
        (20, 2.0, 0.525510, 0.2974, 1e-3),
        (50, 0.5, 0.818136, 0.3186, 1e-3),
    ],
)
def test_a_solenoid(
    turns: int, diameter_over_length: float, nagaoka: float, rosa_b: float, tolerance: float
) -> None:
    length = 50e-3
    radius = diameter_over_length * length / 2
    pitch = length / turns
    wire = 0.3 * pitch
    winding = Winding(1, turns, radius, pitch, 1e-3)
    inside_the_wire = MU0 * winding.length_m.sum() / (8 * np.pi)
    loops = winding.loop_matrix_h(wire).sum() + inside_the_wire
    sheet = MU0 * np.pi * radius**2 * turns**2 * nagaoka / length
    correction = MU0 * radius * turns * (1.25 - np.log(pitch / wire) + rosa_b)
    assert loops == pytest.approx(sheet - correction, rel=tolerance)


# Ampere's law: inside a long solenoid of many turns H is n I, outside it is zero, and in the
# winding itself half. A turn's own field, left out here, and the ends are 2 % at this size.
def test_the_fields_at_the_turns_add_up_to_half_of_that_inside() -> None:
    winding = Winding(1, 2001, 1e-2, 1e-4, 1e-4)
    axial = winding.loop_fields_per_m()[1]
    middle = axial[1000].sum()
    assert middle == pytest.approx(0.5 / 1e-4, rel=0.03)


def test_the_grid_is_wound_back_and_forth() -> None:
    winding = Winding(layers=2, rows=3, mean_radius_m=3e-3, turn_pitch_m=1e-3, layer_pitch_m=4e-4)
    assert winding.turns == 6
    assert winding.row.tolist() == [0, 1, 2, 2, 1, 0]
    assert winding.layer.tolist() == [0, 0, 0, 1, 1, 1]
    assert winding.radius_m == pytest.approx([2.8e-3] * 3 + [3.2e-3] * 3)
    assert winding.height_m == pytest.approx([-1e-3, 0, 1e-3, 1e-3, 0, -1e-3])
    assert winding.touching_pairs() == [(1, 2), (1, 6), (2, 3), (2, 5), (3, 4), (4, 5), (5, 6)]


# A slender rod as a line: decay^2 flux'' - flux = -source, flux zero at the ends; here solved by
# finite differences.
def test_the_flux_along_a_rod() -> None:
    winding = Winding(1, 5, 2e-3, 3e-3, 1e-3)
    length, decay, cells = 22e-3, 5e-3, 4400
    step = length / cells
    matrix = np.diag(np.full(cells - 1, 1 + 2 * decay**2 / step**2))
    off = np.diag(np.full(cells - 2, -(decay**2) / step**2), 1)
    places = np.rint((winding.height_m + length / 2) / step).astype(int) - 1
    sources = np.zeros((cells - 1, 5))
    sources[places, range(5)] = 2 * decay / step
    flux = solve(matrix + off + off.T, sources, assume_a="banded")[places]
    assert winding.rod_flux(length, decay) == pytest.approx(flux, rel=1e-4)
