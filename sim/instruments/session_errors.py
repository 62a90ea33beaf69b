"""Errors that stay frozen for a session: inside declared limits, smooth in frequency."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from sim.streams import Streams

_FREQUENCY_DECADES = (0, 8)  # 1 Hz to 100 MHz
_IMPEDANCE_DECADES = (-5, 8)  # 10 microhm to 100 Mohm
_WIDTH_DECADES = 0.8
_SMALLEST_OHM = 1e-6


def within_limits(streams: Streams, limit: float, *name: str | int) -> float:
    """Draw one frozen error, evenly over plus and minus `limit`."""
    return limit * float(streams.stream(*name).uniform(-1.0, 1.0))


class SmoothProcess:
    """A complex random function of frequency with unit normal components.

    A blend of independent normal numbers, one per decade of frequency; neighbours a decade apart
    share much, those three apart nothing to speak of.
    """

    def __init__(self, streams: Streams, *name: str | int) -> None:
        self._surface = SmoothSurface(streams, *name, decades=(0, 0))

    def at(self, frequency_hz: float) -> complex:
        """Give the value at a frequency."""
        return self._surface.at(frequency_hz, 1.0)


class SmoothSurface:
    """The same over frequency and size of the impedance."""

    def __init__(
        self, streams: Streams, *name: str | int, decades: tuple[int, int] = _IMPEDANCE_DECADES
    ) -> None:
        rng = streams.stream(*name)
        self._frequency = np.arange(_FREQUENCY_DECADES[0], _FREQUENCY_DECADES[1] + 1.0)
        self._size = np.arange(decades[0], decades[1] + 1.0)
        shape = (len(self._size), len(self._frequency))
        self._knots = rng.standard_normal(shape) + 1j * rng.standard_normal(shape)

    def at(self, frequency_hz: float, size_ohm: float) -> complex:
        """Give the value at a frequency and an impedance."""
        along_f = _weights(self._frequency, frequency_hz)
        along_z = _weights(self._size, max(size_ohm, _SMALLEST_OHM))
        return complex(along_z @ self._knots @ along_f)


def _weights(decades: NDArray[np.float64], value: float) -> NDArray[np.float64]:
    distance = (math.log10(value) - decades) / _WIDTH_DECADES
    weights = np.exp(-0.5 * distance**2)
    return np.asarray(weights / math.sqrt(float(weights @ weights)))


def even(value: complex) -> complex:
    """Turn unit normal components into ones spread evenly over -1 to 1."""
    return complex(math.erf(value.real / math.sqrt(2.0)), math.erf(value.imag / math.sqrt(2.0)))
