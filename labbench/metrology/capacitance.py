"""Turn an impedance reading between two terminals of a switch into capacitance and dissipation.

Z = R + jX: D = R / -X, and in parallel form C = 1 / (w |X| (1 + D^2)); a resistance Rp across it
gives D = 1 / (w Rp C). The reading is not compensated: jig and leads stand as lines, small beside
the nanofarads of a power switch. Textbook definitions (IEC 60384-1 uses the same tangent; number
from memory).
"""

from __future__ import annotations

__all__ = ["capacitance_and_dissipation", "parallel_resistance"]

import math
from typing import Final

from labbench.errors import InputError
from labbench.metrology.accuracy import ImpedanceAccuracy
from labbench.metrology.estimates import influence, limits, to_estimate
from labbench.ports import ImpedanceReading
from labbench.results import Estimate

#: what jig and relays have in parallel and in series, 0 to this (common practice, no source)
_JIG_F: Final = 60e-12
_JIG_OHM: Final = 0.5


def capacitance_and_dissipation(
    reading: ImpedanceReading, accuracy: ImpedanceAccuracy
) -> tuple[Estimate, Estimate]:
    """Return the capacitance (F) and the dissipation factor (1), with their influences.

    Raises InputError for a reading without a value, or one that is no capacitance.
    """
    r, x = reading.resistance_ohm, reading.reactance_ohm
    if r is None or x is None or x >= 0.0:
        raise InputError(f"a reading of {reading.raw or 'no value'} is no capacitance")
    frequency_hz = reading.conditions.frequency_hz
    omega = 2.0 * math.pi * frequency_hz
    magnitude = math.hypot(r, x)
    relative = accuracy.relative_limit(magnitude, frequency_hz)
    time_s = max(reading.conditions.aperture_s * reading.conditions.averages, 1e-3)
    noise = accuracy.noise_ohm(magnitude, time_s) / magnitude
    d = influence(r / -x, noise, "noise of the meter")
    d = d + limits(0.0, relative, "gain of the meter")
    d = d - limits(_JIG_OHM / 2.0, _JIG_OHM / 2.0, "leads and contacts") / -x
    series = 1.0 / (omega * -x) * influence(1.0, noise, "noise of the meter")
    series = series * limits(1.0, relative, "gain of the meter")
    c = series / (1.0 + (r / x) ** 2) - limits(_JIG_F / 2.0, _JIG_F / 2.0, "jig")
    return to_estimate(c, "F"), to_estimate(d, "")


def parallel_resistance(capacitance_f: float, dissipation: float, frequency_hz: float) -> float:
    """Return the resistance across a capacitance that gives a dissipation (ohm)."""
    if dissipation <= 0.0:
        return math.inf
    return 1.0 / (2.0 * math.pi * frequency_hz * capacitance_f * dissipation)
