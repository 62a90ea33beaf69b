"""Draws coils as a factory makes them: lots that differ, and units that differ within a lot.

Every factor is log-normal with the sds of the construction file. Parts that would fail their
own tolerance do not leave the factory, so lots and units are drawn again until the healthy
coil is inside, by a margin; only then does a fault befall it. All values are invented.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from sim.physics.coil import Coil
from sim.physics.construction import FACTOR_NAMES, Construction, Factors
from sim.physics.faults import Fault

_TRIES = 1000


@dataclass(frozen=True)
class Lot:
    """What the coils of one lot have in common."""

    construction: str
    factors: Factors


def within_tolerance(coil: Coil, margin: float = 0.0) -> bool:
    """Tell whether inductance and DC resistance keep inside (1 - margin) times the tolerance."""
    nominal = coil.construction.nominal
    inductance = float(coil.inductance_h(nominal.frequency_hz)) / nominal.inductance_h
    resistance = coil.dc_resistance_ohm() / nominal.dc_resistance_ohm
    room = 1 - margin
    return (
        abs(inductance - 1) <= room * nominal.inductance_tolerance
        and abs(resistance - 1) <= room * nominal.dc_resistance_tolerance
    )


def draw_lot(
    construction: Construction, rng: np.random.Generator, *, margin: float | None = None
) -> Lot:
    """Draw a lot whose typical coil is within tolerance.

    ``margin`` is the share of the tolerance to keep clear of, that of the construction file
    unless given. Raises ValueError when no lot fits.
    """
    room = construction.margin if margin is None else margin
    for _ in range(_TRIES):
        lot = Lot(construction.name, _draw(construction.lot_spread, rng))
        if within_tolerance(Coil(construction, lot.factors), room):
            return lot
    raise ValueError(_hopeless(construction, "lot", room))


def draw_coil(
    construction: Construction,
    lot: Lot,
    rng: np.random.Generator,
    *,
    fault: Fault | None = None,
    margin: float | None = None,
) -> Coil:
    """Draw a coil of the lot, within tolerance before the fault (if any) befell it.

    The draws do not depend on the fault: the same stream gives the same coil with another
    fault. Raises ValueError when the lot is of another construction, no coil fits, or the
    fault does not fit the construction.
    """
    if lot.construction != construction.name:
        raise ValueError(f"a lot of {lot.construction} holds no {construction.name}")
    room = construction.margin if margin is None else margin
    for _ in range(_TRIES):
        coil = Coil(construction, lot.factors.times(_draw(construction.unit_spread, rng)))
        if within_tolerance(coil, room):
            return coil if fault is None else coil.with_fault(fault)
    raise ValueError(_hopeless(construction, "coil", room))


def _draw(spreads: Mapping[str, float], rng: np.random.Generator) -> Factors:
    normal = rng.standard_normal(len(FACTOR_NAMES))
    return Factors(
        **{
            name: float(np.exp(spreads[name] * z))
            for name, z in zip(FACTOR_NAMES, normal, strict=True)
        }
    )


def _hopeless(construction: Construction, what: str, margin: float) -> str:
    return (
        f"{construction.name}: none of {_TRIES} draws gave a {what} within tolerance less a"
        f" margin of {margin:.0%}; widen the tolerance or narrow the spreads"
    )
