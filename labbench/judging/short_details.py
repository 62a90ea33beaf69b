"""Estimate a short from the corner of its loop: its resistance and how many turns it spans."""

from __future__ import annotations

__all__ = ["loop_resistance", "short_details"]

import math
from typing import Any

import numpy as np

from labbench.judging import coil_model as model
from labbench.judging.coil_fit import Fit
from labbench.judging.loop_coupling import turns_beforehand, turns_probability
from labbench.parts.coil_type import CoilType

# L2 of one turn in a closed core is 0.92 to 1.22 times L0/N^2 (rod and air coils up to 2 times);
# from simulated coils.
_TURN_INDUCTANCE = 1.15
_LN_SD_TURN = 0.15
_Z95 = 1.959963984540054
# A number of turns that is less probable than this is left out; one is stated alone where all
# others together are less probable than the second figure.
_IMPROBABLE = 0.03
_SURELY = 0.95
# Above the sweep the corner still bends the inductance up to here; beyond only k2/fc is known.
_BENDS_UP_TO = 3.0
# How far below the resistance of its own wire a loop may seem to lie, ratio: the corner of a nearly
# perfect short is known no better, because its wire resists more at higher frequencies.
_WIRE_DOUBT = 4.0
_ROUNDS = 8


def loop_resistance(corner_hz: float, inductance_h: float, turns: int) -> float:
    """Return the resistance (ohm) of one shorted turn whose loop has this corner."""
    return 2.0 * math.pi * corner_hz * _TURN_INDUCTANCE * inductance_h / turns**2


def short_details(fit: Fit, part: CoilType, frequency_hz: np.ndarray[Any, Any]) -> dict[str, Any]:
    """Return what the fit of a loop tells of the short.

    `corner_hz`; where the number of turns is known also `short_resistance_ohm`, the resistance of
    the whole loop, contact and wire (R2 = 2 pi fc 1.15 L0 m^2 / N^2 for m turns): a 95 % interval
    over every m that may be, and a value where the corner bends the sweep; far above the sweep only
    k2/fc is known, and the value is None. `if_one_turn_ohm` is the same for a single turn. A loop
    resists no less than its own wire, R0 m / N. `shorted_turns` only where a single number fits,
    `share_of_winding` (lower, upper) always.
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
    wire = _wire(math.exp(fit.theta[model.R0]), one_turn, part.turns)
    spread = math.exp(_Z95 * math.hypot(float(fit.sd[model.FC]), _LN_SD_TURN))
    chances = _possible_turns(fit, part, corner, top, one_turn, wire)
    likeliest = max(chances, key=lambda m: chances[m])
    fewest, most = min(chances), max(chances)
    single = _for_turns(one_turn, 1, spread, wire)
    details["short_resistance_ohm"] = {
        "value": _for_turns(one_turn, likeliest, spread, wire)["value"]
        if corner < _BENDS_UP_TO * top
        else None,
        "lower": _for_turns(one_turn, fewest, spread, wire)["lower"],
        "upper": _for_turns(one_turn, most, spread, wire)["upper"],
    }
    details["if_one_turn_ohm"] = single
    stated = corner <= top / 2.0 and chances[likeliest] >= _SURELY
    details["shorted_turns"] = likeliest if stated else None
    details["share_of_winding"] = {"lower": fewest / part.turns, "upper": most / part.turns}
    return details


def _wire(resistance: float, loop: float, turns: int) -> float:
    """Compute the resistance (ohm) of one turn's wire from that of the winding at dc.

    The contact bypasses its turn: R = (N - 1) Rt + Rt Rc / (Rt + Rc), and the loop resists Rt + Rc.
    """
    wire = resistance / turns
    for _ in range(_ROUNDS):
        contact = max(loop - wire, 0.0)
        wire = resistance / (turns - 1 + contact / (contact + wire))
    return wire


def _for_turns(one_turn: float, turns: int, spread: float, wire: float) -> dict[str, float]:
    """Give value and 95 % interval (ohm) of a loop of so many turns: no less than its wire."""
    least = turns * wire
    value = max(one_turn * turns**2, least)
    return {
        "value": value,
        "lower": max(one_turn * turns**2 / spread, least / math.exp(_Z95 * _LN_SD_TURN)),
        "upper": value * spread,
    }


def _possible_turns(
    fit: Fit, part: CoilType, corner: float, top: float, one_turn: float, wire: float
) -> dict[int, float]:
    """Find how many turns may be shorted, with their probabilities; never empty.

    From the coupling where the corner lies in the sweep of a coil with a closed core; and m turns
    resist m^2 times `one_turn` and at least m times their wire.
    """
    assert part.turns is not None
    if part.material == "air" or corner > top / 2.0:
        return turns_beforehand(part.turns)
    chances = turns_probability(part.turns, float(fit.theta[model.K2]), float(fit.sd[model.K2]))
    for m in sorted(chances)[:-1]:
        if one_turn * m * _WIRE_DOUBT < wire:
            chances[m] = 0.0
    total = sum(chances.values())
    return {m: p / total for m, p in chances.items() if p >= _IMPROBABLE * total}
