"""A standard resistor for the jig: within its tolerance, with a little inductance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim.instruments.session_errors import within_limits
from sim.streams import Streams

#: what is printed on it
TOLERANCE = 1e-3
# A film resistor of a few millimetres.
_LARGEST_H = 5e-9


@dataclass(frozen=True, slots=True)
class StandardResistor:
    """Be a resistor where the bench expects a part; its temperature coefficient is left out."""

    ohm: float
    henry: float

    def impedance_ohm(
        self,
        frequency_hz: NDArray[np.float64],
        *,
        bias_a: float = 0.0,
        temperature_c: float = 25.0,
    ) -> NDArray[np.complex128]:
        """Give the impedance between the ends."""
        ohms = self.ohm + 2j * np.pi * frequency_hz * self.henry
        return np.asarray(ohms, dtype=np.complex128)

    def dc_resistance_ohm(self, temperature_c: float = 25.0) -> float:
        """Give the resistance."""
        return self.ohm


def draw_standard(nominal_ohm: float, streams: Streams) -> StandardResistor:
    """Draw the resistor of a session."""
    ohm = nominal_ohm * (1.0 + within_limits(streams, TOLERANCE, "standard", "value"))
    henry = _LARGEST_H * float(streams.stream("standard", "inductance").uniform(0.2, 1.0))
    return StandardResistor(ohm, henry)
