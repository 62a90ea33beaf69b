"""Tell from how a load's current bends which share of it goes through metal.

Metal draws in proportion to the voltage, a sound load less: from V to rV its current grows r^p0
times, p0 the exponent of a good board. Of a load that grows r^p times the share at V is

    s = (r^p - r^p0) / (r - r^p0)

It needs no resistance of the good board, so neither the spread of boards nor their warmth stands in
its way (plain arithmetic of two currents side by side).
"""

from __future__ import annotations

__all__ = ["metal_share"]

import math

from labbench.results import Estimate, Influence

#: where nearly the whole current of a good board goes through metal nothing can be told apart
_LEAST_ROOM = 0.1


def metal_share(exponent: Estimate, good: Estimate, *, voltage_ratio: float) -> Estimate | None:
    """Return the share of the current at the lower voltage that metal carries (may be negative).

    `exponent` and `good` are d ln I / d ln V of this load and of a good board between two voltages
    of which the higher is `voltage_ratio` times the lower. None where the good board bends too
    little to tell.
    """
    r = voltage_ratio
    sound = r**good.value
    room = r - sound
    if room < _LEAST_ROOM * r:
        return None
    grown = r**exponent.value
    by_this = math.log(r) * grown / room
    by_good = math.log(r) * sound * (r - grown) / room**2
    parts = (
        Influence("exponent of this load", abs(by_this) * exponent.u),
        Influence("exponent of the good board", abs(by_good) * good.u),
    )
    share = (grown - sound) / room
    return Estimate(share, math.hypot(*(p.u for p in parts)), "", influences=parts)
