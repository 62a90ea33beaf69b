"""Take several placements of one part together: where the probes touch averages out, gain does not.

    u^2 = u_common^2 + max(u_touch, s)^2 / n

u_touch is the standard uncertainty that one placement has from where the probes touch, independent
from one placement to the next; u_common is the rest (gains, zeros, temperature), taken as the same
in all of them, which is cautious; s is the standard deviation seen between placements (GUM 4.2).
"""

from __future__ import annotations

__all__ = ["Placement", "pool_placements"]

import math
from collections.abc import Sequence

from attrs import frozen

from labbench.errors import InputError


@frozen
class Placement:
    """Hold the value of one placement, its standard uncertainty, and the touch's part of it."""

    value: float
    u: float
    u_touch: float = 0.0


def pool_placements(placements: Sequence[Placement]) -> Placement:
    """Return the mean of placements with its standard uncertainty; raise InputError without one."""
    if not placements:
        raise InputError("without a placement there is no mean")
    n = len(placements)
    mean = math.fsum(p.value for p in placements) / n
    common = max(math.sqrt(max(p.u**2 - p.u_touch**2, 0.0)) for p in placements)
    touch = math.sqrt(math.fsum(p.u_touch**2 for p in placements) / n)
    if n > 1:
        seen = math.sqrt(math.fsum((p.value - mean) ** 2 for p in placements) / (n - 1))
        touch = max(touch, seen)
    return Placement(mean, math.hypot(common, touch / math.sqrt(n)), touch / math.sqrt(n))
