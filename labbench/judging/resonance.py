"""Find the self-resonance of a coil in its sweep, or the frequency that it lies above.

Winding and capacitance in parallel: with Y = 1/Z, w Im Y = -1/L + w^2 C is a straight line in w^2,
and crosses zero at the resonance (elementary circuit theory). Between two points of which one lies
below and one above it is read off that line; beyond the last point the line is drawn on where the
inductance has begun to rise. A core whose permeability falls with frequency bends the line, so
there it is an estimate and said to be one.
"""

from __future__ import annotations

__all__ = ["Resonance", "resonance_text", "self_resonance"]

import math
from typing import Literal

from attrs import frozen

from labbench.quantities import format_si
from labbench.results import Impedance

#: apparent inductance this much higher than at the point before is the resonance coming near
_RISES = 1.1


@frozen
class Resonance:
    """Hold a frequency (Hz) and how it is known: crossed in the sweep, drawn on, or a bound."""

    frequency_hz: float
    known: Literal["crossed", "about", "above"]


def self_resonance(impedance: Impedance | None) -> Resonance | None:
    """Return the self-resonance; None without two points, or where the first is capacitive."""
    if impedance is None:
        return None
    points = [
        (f, complex(r, x))
        for f, r, x in zip(
            impedance.frequency_hz, impedance.resistance_ohm, impedance.reactance_ohm, strict=True
        )
        if r is not None and x is not None and (r, x) != (0.0, 0.0)
    ]
    if len(points) < 2 or points[0][1].imag <= 0.0:
        return None
    line = [((2 * math.pi * f) ** 2, 2 * math.pi * f * (1.0 / z).imag) for f, z in points]
    for (f, _), below, above in zip(points[1:], line, line[1:], strict=False):
        if below[1] < 0.0 <= above[1]:
            return Resonance(min(_zero(below, above), f), "crossed")
    (f_before, before), (f_last, last) = points[-2:]
    if last.imag / f_last > _RISES * before.imag / f_before and line[-1][1] > line[-2][1]:
        return Resonance(_zero(line[-2], line[-1]), "about")
    return Resonance(f_last, "above")


def resonance_text(found: Resonance | None) -> str:
    """Word it: `5.2 MHz`, `about 2.1 MHz`, `above 1 MHz`; empty for None."""
    if found is None:
        return ""
    word = "" if found.known == "crossed" else f"{found.known} "
    return word + format_si(found.frequency_hz, "Hz", 2 if found.known == "about" else 3)


def _zero(one: tuple[float, float], other: tuple[float, float]) -> float:
    (a, y_a), (b, y_b) = one, other
    return math.sqrt(a - y_a * (b - a) / (y_b - y_a)) / (2 * math.pi)
