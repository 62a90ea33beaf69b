"""Estimate a short from the corner of its loop: its resistance and how many turns it spans."""

from __future__ import annotations

__all__ = ["short_details"]

import math
from typing import Any

import numpy as np

from labbench.judging import coil_model as model
from labbench.judging.coil_fit import Fit
from labbench.parts.coil_type import CoilType

# L2 of one turn in a closed core is 0.92 to 1.22 times L0/N^2 (rod and air coils up to 2 times);
# from simulated coils.
_TURN_INDUCTANCE = 1.15
_LN_SD_TURN = 0.12
# Coupling between single turns of a closed core: the range met on simulated coils.
_COUPLING = (0.85, 0.97)
_Z95 = 1.959963984540054
_MOST_TURNS = 3


def short_details(fit: Fit, part: CoilType, frequency_hz: np.ndarray[Any, Any]) -> dict[str, Any]:
    """Return what the fit of a loop tells of the short.

    `corner_hz`; where the number of turns is known also `short_resistance_ohm`, the resistance of
    the whole loop (R2 = 2 pi fc 1.15 L0 / N^2 for one turn): a value with a 95 % interval where
    the corner lies in the sweep, only a band where it lies above it, because then only k2/fc is
    known and more than one turn may be shorted. `shorted_turns` only where a single number fits.
    """
    corner = math.exp(fit.theta[model.FC])
    top = float(frequency_hz.max())
    details: dict[str, Any] = {
        "corner_hz": corner,
        "frequencies_used_hz": [float(f) for f in frequency_hz],
    }
    if part.turns is None or part.turns < 2:
        return details
    inductance = math.exp(fit.theta[model.L0])
    one_turn = 2.0 * math.pi * corner * _TURN_INDUCTANCE * inductance / part.turns**2
    spread = math.exp(_Z95 * math.hypot(float(fit.sd[model.FC]), _LN_SD_TURN))
    inside = corner < top
    turns = _shorted_turns(fit, part, corner, top)
    value = one_turn * (turns or 1) ** 2 if inside else None
    # above the sweep the turns cannot be counted: m of them at this corner have m^2 the resistance
    most = 1 if inside else min(_MOST_TURNS, part.turns - 1)
    base = one_turn if value is None else value
    resistance = {"value": value, "lower": base / spread, "upper": base * spread * most**2}
    details["short_resistance_ohm"] = resistance
    details["shorted_turns"] = turns
    return details


def _shorted_turns(fit: Fit, part: CoilType, corner: float, top: float) -> int | None:
    """Count the shorted turns from the coupling left; None where several counts are possible.

    For N turns with equal coupling k, m of them shorted: 1 - k2 = 1 - m (1 + (N-1) k) / (N (1 +
    (m-1) k)), from k2 = M^2 / (L L2) with every M and L a sum over turns.
    """
    if part.turns is None or part.material == "air" or corner > top / 2.0:
        return None
    logit, sd = float(fit.theta[model.K2]), float(fit.sd[model.K2])
    left = (1.0 / (1.0 + math.exp(logit + 2.0 * sd)), 1.0 / (1.0 + math.exp(logit - 2.0 * sd)))
    n = part.turns
    possible = []
    for m in range(1, min(_MOST_TURNS, n - 1) + 1):
        ends = [1.0 - m * (1.0 + (n - 1) * k) / (n * (1.0 + (m - 1) * k)) for k in _COUPLING]
        if left[1] >= min(ends) and left[0] <= max(ends):
            possible.append(m)
    return possible[0] if len(possible) == 1 else None
