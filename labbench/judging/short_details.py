"""Estimate a short from the corner of its loop: its resistance and how many turns it spans."""

from __future__ import annotations

__all__ = ["loop_resistance", "short_details"]

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from labbench.judging import coil_model as model
from labbench.judging.coil_fit import Fit
from labbench.parts.coil_type import CoilType

# L2 of one turn in a closed core is 0.92 to 1.22 times L0/N^2 (rod and air coils up to 2 times);
# from simulated coils.
_TURN_INDUCTANCE = 1.15
_LN_SD_TURN = 0.15
# Coupling between single turns of a closed core: the range met on simulated coils.
_COUPLING = (0.85, 0.97)
_Z95 = 1.959963984540054
_MOST_TURNS = 3


def loop_resistance(corner_hz: float, inductance_h: float, turns: int) -> float:
    """Return the resistance (ohm) of one shorted turn whose loop has this corner."""
    return 2.0 * math.pi * corner_hz * _TURN_INDUCTANCE * inductance_h / turns**2


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
    one_turn = loop_resistance(corner, inductance, part.turns)
    spread = math.exp(_Z95 * math.hypot(float(fit.sd[model.FC]), _LN_SD_TURN))
    # m turns at this corner have m^2 times the resistance
    if corner < top:
        possible = _possible_turns(fit, part, corner, top)
        value = one_turn * possible[0] ** 2
    else:
        possible, value = range(1, min(_MOST_TURNS, part.turns - 1) + 1), None
    details["short_resistance_ohm"] = {
        "value": value,
        "lower": one_turn * possible[0] ** 2 / spread,
        "upper": one_turn * possible[-1] ** 2 * spread,
    }
    details["shorted_turns"] = possible[0] if len(possible) == 1 else None
    return details


def _possible_turns(fit: Fit, part: CoilType, corner: float, top: float) -> Sequence[int]:
    """Find how many turns may be shorted from the coupling left: never empty, ascending.

    For N turns with equal coupling k, m of them shorted: 1 - k2 = 1 - m (1 + (N-1) k) / (N (1 +
    (m-1) k)), from k2 = M^2 / (L L2) with every M and L a sum over turns.
    """
    assert part.turns is not None
    counts = range(1, min(_MOST_TURNS, part.turns - 1) + 1)
    if part.material == "air" or corner > top / 2.0:
        return counts
    logit, sd = float(fit.theta[model.K2]), float(fit.sd[model.K2])
    left = (1.0 / (1.0 + math.exp(logit + 2.0 * sd)), 1.0 / (1.0 + math.exp(logit - 2.0 * sd)))
    n = part.turns
    possible = []
    for m in counts:
        ends = [1.0 - m * (1.0 + (n - 1) * k) / (n * (1.0 + (m - 1) * k)) for k in _COUPLING]
        if left[1] >= min(ends) and left[0] <= max(ends):
            possible.append(m)
    return possible or counts
