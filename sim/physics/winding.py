"""Where the turns of a winding lie, and the inductance matrices that follow.

A winding is N coaxial turns on a grid of layers (radial) and rows (axial), wound back and
forth. Turn numbers start at 1 in everything that a person reads and at 0 in arrays.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ellipe, ellipk

from sim.physics.conductors import VACUUM_PERMEABILITY_H_PER_M, FloatArray


def loop_mutual_h(
    radius_a_m: ArrayLike, radius_b_m: ArrayLike, distance_m: ArrayLike
) -> FloatArray:
    """Give the mutual inductance in henry of two coaxial circular filaments (Maxwell).

    Broadcasts. Infinite where the two filaments are the same one.
    """
    a = np.asarray(radius_a_m, dtype=np.float64)
    b = np.asarray(radius_b_m, dtype=np.float64)
    parameter = 4 * a * b / ((a + b) ** 2 + np.square(distance_m))
    modulus = np.sqrt(parameter)
    return np.asarray(
        VACUUM_PERMEABILITY_H_PER_M
        * np.sqrt(a * b)
        * ((2 / modulus - modulus) * ellipk(parameter) - 2 / modulus * ellipe(parameter))
    )


def loop_self_h(radius_m: ArrayLike, conductor_radius_m: float) -> FloatArray:
    """Give the inductance in henry of a loop of round wire without the flux inside the wire.

    ``mu0 R (ln(8R/a) - 2)``; the flux inside belongs to the conductor (conductors.py).
    """
    radius = np.asarray(radius_m, dtype=np.float64)
    return np.asarray(
        VACUUM_PERMEABILITY_H_PER_M * radius * (np.log(8 * radius / conductor_radius_m) - 2)
    )


def loop_field_per_m(
    loop_radius_m: ArrayLike, radius_m: ArrayLike, height_m: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Give the radial and axial field, in A/m per ampere, of a circular filament.

    The point lies at ``radius_m`` from the axis (not on it) and ``height_m`` above the plane
    of the loop. Elliptic integrals; any text on magnetostatics (Smythe). Broadcasts.
    """
    a = np.asarray(loop_radius_m, dtype=np.float64)
    r = np.asarray(radius_m, dtype=np.float64)
    z = np.asarray(height_m, dtype=np.float64)
    outer = (a + r) ** 2 + z**2
    inner = (a - r) ** 2 + z**2
    parameter = 4 * a * r / outer
    first, second = ellipk(parameter), ellipe(parameter)
    scale = 1 / (2 * np.pi * np.sqrt(outer))
    radial = scale * z / r * (-first + (a**2 + r**2 + z**2) / inner * second)
    axial = scale * (first + (a**2 - r**2 - z**2) / inner * second)
    return np.asarray(radial), np.asarray(axial)


@dataclass(frozen=True)
class Winding:
    """The grid of a winding: ``layers`` times ``rows`` turns, wound back and forth."""

    layers: int
    rows: int
    mean_radius_m: float
    turn_pitch_m: float  # along the axis, between rows
    layer_pitch_m: float  # along the radius, between layers

    @property
    def turns(self) -> int:
        """Give the number of turns."""
        return self.layers * self.rows

    @cached_property
    def layer(self) -> FloatArray:
        """Give each turn's layer, 0 for the innermost. Shape (turns,)."""
        return np.repeat(np.arange(self.layers, dtype=np.float64), self.rows)

    @cached_property
    def row(self) -> FloatArray:
        """Give each turn's row; every second layer is wound backwards. Shape (turns,)."""
        up = np.arange(self.rows, dtype=np.float64)
        return np.concatenate([up[:: 1 - 2 * (k % 2)] for k in range(self.layers)])

    @cached_property
    def radius_m(self) -> FloatArray:
        """Give each turn's radius in metres. Shape (turns,)."""
        offset = self.layer - (self.layers - 1) / 2
        return np.asarray(self.mean_radius_m + self.layer_pitch_m * offset)

    @cached_property
    def height_m(self) -> FloatArray:
        """Give each turn's place along the axis in metres, 0 in the middle. Shape (turns,)."""
        return np.asarray(self.turn_pitch_m * (self.row - (self.rows - 1) / 2))

    @cached_property
    def length_m(self) -> FloatArray:
        """Give the length of each turn's conductor in metres. Shape (turns,)."""
        return np.asarray(2 * np.pi * self.radius_m)

    def touching_pairs(self) -> list[tuple[int, int]]:
        """List the pairs of turns that lie side by side, as numbers from 1, lower first."""
        steps = np.abs(self.layer[:, None] - self.layer) + np.abs(self.row[:, None] - self.row)
        first, second = np.nonzero(np.triu(steps == 1))
        return [(int(i) + 1, int(j) + 1) for i, j in zip(first, second, strict=True)]

    def loop_matrix_h(self, conductor_radius_m: float) -> FloatArray:
        """Give the inductance matrix of the turns in air, in henry. Shape (turns, turns)."""
        z = self.height_m
        r = self.radius_m
        with np.errstate(divide="ignore", invalid="ignore"):  # the diagonal is set below
            matrix = loop_mutual_h(r[:, None], r, z[:, None] - z)
        np.fill_diagonal(matrix, loop_self_h(r, conductor_radius_m))
        return matrix

    def loop_fields_per_m(self) -> tuple[FloatArray, FloatArray]:
        """Give the field at turn i of 1 A in turn j in air: radial and axial, in 1/m.

        Shape (turns, turns) each; zero on the diagonal (the turn's own field is skin effect).
        """
        z = self.height_m
        r = self.radius_m
        with np.errstate(divide="ignore", invalid="ignore"):
            radial, axial = loop_field_per_m(r, r[:, None], z[:, None] - z)
        np.fill_diagonal(radial, 0.0)
        np.fill_diagonal(axial, 0.0)
        return radial, axial

    def ampere_turns_below(self, far_share: float) -> FloatArray:
        """Give the magnetising current under turn i per ampere in turn j, per turn of a layer.

        Ampere's law in a winding window: the field under a layer is the current of the layers
        within, less the share of all that closes on the far side (0: the field is zero at the
        innermost face, 1: at the outermost, 0.5: both faces alike). Shape (turns, turns).
        """
        within = (self.layer[:, None] > self.layer).astype(np.float64)
        return np.asarray((within - far_share) / self.rows)

    def rod_flux(self, rod_length_m: float, decay_m: float) -> FloatArray:
        """Give the share of turn j's core flux that reaches turn i in a rod open at both ends.

        A slender rod is a line: the flux falls along it as it leaks out, with decay length
        ``decay_m``, and is zero at the ends. This is the line's Green function over its value
        in an endless rod. Shape (turns, turns), symmetric, positive definite for one layer.
        """
        z = self.height_m
        low = np.minimum(z[:, None], z) + rod_length_m / 2
        high = rod_length_m / 2 - np.maximum(z[:, None], z)
        return np.asarray(
            2 * np.sinh(low / decay_m) * np.sinh(high / decay_m) / np.sinh(rod_length_m / decay_m)
        )
