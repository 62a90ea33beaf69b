"""Notice readings that no coil can give: swapped columns, wrong units, a wrong compensation.

A block in doubt is not judged: it can make a part undecided, never unfit or fit.
"""

from __future__ import annotations

__all__ = ["Block", "Doubt", "doubts_about"]

from typing import Literal

import numpy as np
from attrs import frozen

from labbench.judging.sweep_points import SweepPoints
from labbench.parts.coil_type import CoilType
from labbench.quantities import format_si
from labbench.results import DcResistance

Block = Literal["impedance", "dc-resistance"]

#: a value is impossible when it is this many standard uncertainties on the wrong side
_SURELY = 4.5
# Beyond this ratio no fault and no other part type is likelier than a mistaken unit. A fused
# winding keeps some percent of its inductance; types on one board differ by less than 200.
_UNIT_RATIO = 300.0
#: reactance this large and capacitive is an open winding, not a mistake
_OPEN_OHM = 100.0


@frozen
class Doubt:
    """Say which blocks cannot be believed, why, and what to do."""

    blocks: tuple[Block, ...]
    text: str
    action: str
    advice: str


def doubts_about(
    points: SweepPoints, dc_resistance: DcResistance | None, part: CoilType
) -> tuple[Doubt, ...]:
    """Return what cannot be believed of a sweep and a dc resistance; mostly nothing."""
    doubts: list[Doubt] = []
    sweep = _sweep_doubt(points, part.nominal_inductance_h, part.nominal_resistance_ohm)
    if sweep is not None:
        doubts.append(sweep)
    if dc_resistance is None:
        return tuple(doubts)
    value, u = dc_resistance.value_ohm, dc_resistance.u_ohm
    if dc_resistance.status == "over-range":
        value, u = dc_resistance.greater_than_ohm, 0.0
    if value is None or u is None:
        return tuple(doubts)
    if value < -_SURELY * u:
        doubts.append(
            Doubt(
                ("dc-resistance",),
                f"dc resistance {format_si(value, 'ohm')} is negative: leads swapped?",
                "measure-dc-resistance",
                "check the sense leads and measure the dc resistance again",
            )
        )
    elif sweep is None and len(points):
        doubts += _contradictions(points, value, u, part.nominal_inductance_h)
    return tuple(doubts)


def _contradictions(
    points: SweepPoints, dc_ohm: float, u_dc: float, nominal_h: float | None
) -> list[Doubt]:
    """Compare dc with the lowest frequency: both go through the same winding."""
    f, r, x = (
        float(points.frequency_hz[0]), float(points.resistance_ohm[0]),
        float(points.reactance_ohm[0]),
    )  # fmt: skip
    both: tuple[Block, ...] = ("impedance", "dc-resistance")
    text = f"{format_si(dc_ohm, 'ohm')} at dc but "
    advice = "check contacts and units, then measure both again"
    # The resistance of a coil never falls with frequency: its losses only add. A fifth for a part
    # that cooled between the two.
    room = _SURELY * float(np.hypot(u_dc, points.u_resistance_ohm[0]))
    if dc_ohm > 1.2 * max(r, 0.0) + room:
        text += f"{format_si(r, 'ohm')} at {format_si(f, 'Hz')}: one is wrong"
        return [Doubt(both, text, "repeat", advice)]
    own = abs(dc_ohm) + 2.0 * np.pi * f * (nominal_h or 0.0)
    if x < abs(r) and np.hypot(r, x) > max(_OPEN_OHM, 100.0 * own):
        text += f"open at {format_si(f, 'Hz')}: contact of the sweep?"
        return [Doubt(both, text, "press-again", advice)]
    return []


def _sweep_doubt(
    points: SweepPoints, nominal_h: float | None, nominal_ohm: float | None
) -> Doubt | None:
    if not len(points):
        return None
    if nominal_h is not None:
        doubt = _swapped(points, nominal_h) or _unit(points, nominal_h, nominal_ohm)
        if doubt is not None:
            return doubt
    for i in range(len(points)):
        r, u = points.resistance_ohm[i], points.u_resistance_ohm[i]
        if r < -_SURELY * u:
            return _compensation(f"R = {format_si(float(r), 'ohm')}", points, i)
    # above self-resonance the reactance is negative: only below a positive one it cannot be
    last_positive = np.flatnonzero(points.reactance_ohm > 0.0)
    end = last_positive[-1] if len(last_positive) else 1
    for i in range(int(end)):
        x, u = points.reactance_ohm[i], points.u_reactance_ohm[i]
        if x < -_SURELY * u and abs(x) < _OPEN_OHM:
            return _compensation(f"X = {format_si(float(x), 'ohm')}", points, i)
    return None


def _compensation(what: str, points: SweepPoints, i: int) -> Doubt:
    at = format_si(float(points.frequency_hz[i]), "Hz")
    return Doubt(
        ("impedance",),
        f"{what} at {at}, negative: compensation?",
        "repeat",
        "take the open/short compensation again, then the sweep",
    )


def _swapped(points: SweepPoints, nominal_h: float) -> Doubt | None:
    """Notice R that rises as wL while X does not: even a shorted turn keeps R below wL/2."""
    f = points.frequency_hz
    if len(points) < 2 or f[-1] / f[0] < 3.0:
        return None
    as_inductance = points.resistance_ohm / (2.0 * np.pi * f)
    like_nominal = np.abs(np.log(np.maximum(as_inductance, 1e-30) / nominal_h)) < np.log(1.5)
    unlike = np.abs(points.reactance_ohm) < 0.5 * np.abs(points.resistance_ohm)
    # at the lowest frequency a small coil's reactance is no larger than its resistance
    good = np.flatnonzero(like_nominal)
    if len(good) >= 2 and f[good[-1]] / f[good[0]] >= 3.0 and unlike[good[-1]]:
        return Doubt(
            ("impedance",),
            "resistance and reactance seem to be swapped",
            "repeat",
            "check the columns of the sweep, then judge again",
        )
    return None


def _unit(points: SweepPoints, nominal_h: float, nominal_ohm: float | None) -> Doubt | None:
    f, x = points.frequency_hz, points.reactance_ohm
    advice = "check the units of the sweep, then judge again"
    if np.any(x <= 0.0):
        return None
    if len(points) >= 2 and f[-1] / f[0] >= 9.0 and x.max() < 1.3 * x.min():
        for scale in (1.0, 1e6, 1e9):
            if 0.5 < float(np.median(x)) / (nominal_h * scale) < 2.0:
                return Doubt(
                    ("impedance",), "the reactance column seems to hold inductance", "repeat",
                    advice,
                )  # fmt: skip
    ratio = float(np.median(points.inductance_h)) / nominal_h
    too_small = ratio < 1.0 / _UNIT_RATIO and (
        nominal_ohm is not None
        and float(points.resistance_ohm[0] + points.u_resistance_ohm[0]) < 0.05 * nominal_ohm
    )
    # An open winding reads a large impedance too, but a resistive or capacitive one.
    too_large = ratio > _UNIT_RATIO and bool(np.all(x > np.abs(points.resistance_ohm)))
    if too_small or too_large:
        times = format(ratio if ratio > 1.0 else 1.0 / ratio, ".0g").replace("e+0", "e")
        share = f"{float(times):.0f} times" if ratio > 1.0 else f"1/{float(times):.0f} of"
        text = f"inductance {share} the type's: unit mistaken?"
        return Doubt(("impedance",), text, "repeat", advice)
    return None
