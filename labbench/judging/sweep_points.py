"""Pick the usable points of a sweep."""

from __future__ import annotations

__all__ = ["BEYOND_OHM", "FloatArray", "SweepPoints", "usable_points"]

from collections.abc import Sequence

import numpy as np
from attrs import evolve, frozen
from numpy.typing import NDArray

from labbench.results import Impedance

FloatArray = NDArray[np.float64]

#: no reading of a coil, however open, is as large as this (ohm, or Hz)
BEYOND_OHM = 1e15


@frozen(eq=False)
class SweepPoints:
    """Hold the points that have both values and both uncertainties, frequencies ascending."""

    frequency_hz: FloatArray
    resistance_ohm: FloatArray
    reactance_ohm: FloatArray
    u_resistance_ohm: FloatArray
    u_reactance_ohm: FloatArray

    def __len__(self) -> int:
        return len(self.frequency_hz)

    def chosen(self, rows: Sequence[int]) -> SweepPoints:
        """Return some of the points."""
        index = list(rows)
        return SweepPoints(
            self.frequency_hz[index], self.resistance_ohm[index], self.reactance_ohm[index],
            self.u_resistance_ohm[index], self.u_reactance_ohm[index],
        )  # fmt: skip

    def with_values(self, resistance_ohm: FloatArray, reactance_ohm: FloatArray) -> SweepPoints:
        """Return the points with other values and the same uncertainties."""
        return evolve(self, resistance_ohm=resistance_ohm, reactance_ohm=reactance_ohm)

    @property
    def inductance_h(self) -> FloatArray:
        """Give the series inductance X / (2 pi f)."""
        return np.asarray(self.reactance_ohm / (2.0 * np.pi * self.frequency_hz))

    @property
    def u_inductance_h(self) -> FloatArray:
        """Give the standard uncertainty of the series inductance."""
        return np.asarray(self.u_reactance_ohm / (2.0 * np.pi * self.frequency_hz))


def usable_points(impedance: Impedance | None) -> SweepPoints:
    """Return the points of a sweep that are numbers with a positive uncertainty; maybe none."""
    rows = []
    if impedance is not None:
        columns = zip(
            impedance.frequency_hz, impedance.resistance_ohm, impedance.reactance_ohm,
            impedance.u_resistance_ohm, impedance.u_reactance_ohm, strict=True,
        )  # fmt: skip
        for i, row in enumerate(columns):
            if impedance.status is not None and impedance.status[i] != "ok":
                continue
            values = [np.nan if value is None else float(value) for value in row]
            credible = np.all(np.isfinite(values)) and max(map(abs, values)) < BEYOND_OHM
            if credible and min(values[0], values[3], values[4]) > 0.0:
                rows.append(values)
    table = np.array(sorted(rows), dtype=float).reshape(len(rows), 5)
    return SweepPoints(*table.T)
