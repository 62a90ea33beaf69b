"""Draws devices as a factory makes them: lots that differ, and units that differ within a lot.

Deviations are normal with the sds of the construction file. Parts that would fail their own
limits do not leave the factory, so lots and units are drawn again until the healthy part is
inside, by a margin; only then does a fault befall it. All values are invented.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sim.physics.devices.load import Load, RailShort
from sim.physics.devices.load_construction import LoadConstruction, LoadScatter
from sim.physics.devices.mosfet import Mosfet
from sim.physics.devices.mosfet_construction import MosfetConstruction, Scatter
from sim.physics.devices.mosfet_faults import MosfetFault
from sim.physics.devices.stage import Stage
from sim.physics.devices.stage_construction import StageConstruction, StageScatter
from sim.physics.devices.stage_faults import StageFault

_TRIES = 200

AnyConstruction = MosfetConstruction | StageConstruction | LoadConstruction
AnyScatter = Scatter | StageScatter | LoadScatter
AnyDevice = Mosfet | Stage | Load
AnyFault = MosfetFault | StageFault | RailShort


@dataclass(frozen=True)
class DeviceLot:
    """What the devices of one lot (or the boards of one series) have in common."""

    construction: str
    scatter: AnyScatter


def inside_limits(part: AnyDevice, margin: float | None = None) -> bool:
    """Tell whether a part keeps its declared limits with `margin` (a share of each) to spare."""
    if isinstance(part, Mosfet):
        return _mosfet_inside(part, part.construction.margin if margin is None else margin)
    if isinstance(part, Stage):
        return _stage_inside(part, part.construction.margin if margin is None else margin)
    resistance = part.truth()["resistance_ohm"]
    return bool(part.construction.low_ohm <= resistance <= part.construction.high_ohm)


def draw_device_lot(construction: AnyConstruction, rng: np.random.Generator) -> DeviceLot:
    """Draw a lot whose typical part is inside its limits. Raises ValueError when none fits."""
    for _ in range(_TRIES):
        scatter = _draw(construction.lot_spread, rng)
        if inside_limits(build(construction.name, construction, scatter)):
            return DeviceLot(construction.name, scatter)
    raise ValueError(f"no lot of {construction.name} keeps its limits: typical values too near")


def draw_device(
    name: str,
    construction: AnyConstruction,
    lot: DeviceLot,
    rng: np.random.Generator,
    *,
    fault: AnyFault | None = None,
) -> AnyDevice:
    """Draw a device of the lot, inside its limits before the fault (if any) befell it.

    The draws do not depend on the fault. Raises ValueError when the lot is of another
    construction, no part fits, or the fault is not one of such a device.
    """
    if lot.construction != construction.name:
        raise ValueError(f"a lot of {lot.construction} holds no {construction.name}")
    for _ in range(_TRIES):
        scatter = lot.scatter.plus(_draw(construction.unit_spread, rng))  # type: ignore[arg-type]
        sound = build(name, construction, scatter)
        if inside_limits(sound):
            return sound if fault is None else with_fault(sound, fault)
    raise ValueError(f"no {construction.name} of this lot keeps its limits")


def build(name: str, construction: AnyConstruction, scatter: AnyScatter | None = None) -> AnyDevice:
    """Build a sound device of any family. Raises ValueError when the scatter is of another."""
    if isinstance(construction, MosfetConstruction) and isinstance(scatter, Scatter | None):
        return Mosfet(name, construction, scatter)
    if isinstance(construction, StageConstruction) and isinstance(scatter, StageScatter | None):
        return Stage(name, construction, scatter)
    if isinstance(construction, LoadConstruction) and isinstance(scatter, LoadScatter | None):
        return Load(name, construction, scatter)
    raise ValueError(f"{type(scatter).__name__} does not belong to {construction.name}")


def with_fault(part: AnyDevice, fault: AnyFault) -> AnyDevice:
    """Let a fault befall a device. Raises ValueError when such a device cannot have it."""
    if isinstance(part, Mosfet) and isinstance(fault, MosfetFault):
        return part.with_fault(fault)
    if isinstance(part, Stage) and isinstance(fault, StageFault):
        return part.with_fault(fault)
    if isinstance(part, Load) and isinstance(fault, RailShort):
        return part.with_fault(fault)
    raise ValueError(f"{type(fault).__name__} is no fault of a {type(part).__name__.lower()}")


def _draw(spread: AnyScatter, rng: np.random.Generator) -> AnyScatter:
    sds = spread.as_mapping()
    normal = rng.standard_normal(len(sds))
    drawn = {name: float(sd * z) for (name, sd), z in zip(sds.items(), normal, strict=True)}
    return type(spread)(**drawn)


def _between(value: float, low: float, high: float, margin: float) -> bool:
    keep = margin * (high - low) / 2
    return low + keep <= value <= high - keep


def _mosfet_inside(part: Mosfet, margin: float) -> bool:
    limits, truth, room = part.construction.limits, part.truth(), 1 - margin
    on = truth["on_resistance_ohm"]
    return bool(
        truth["drain_leakage_a"] <= room * limits.drain_leakage_a
        and truth["gate_leakage_a"] <= room * limits.gate_leakage_a
        and _between(truth["threshold_v"], limits.threshold_low_v, limits.threshold_high_v, margin)
        and all(
            on[point.gate_source_v] <= room * point.maximum_ohm for point in limits.on_resistance
        )
        and truth["body_diode_v"][limits.body_diode_a] <= room * limits.body_diode_v
        and truth["breakdown_v"] >= (1 + margin) * limits.breakdown_v
    )


def _stage_inside(part: Stage, margin: float) -> bool:
    limits, truth, room = part.construction.limits, part.truth(), 1 - margin
    lowest_breakdown = min(part.high_side.breakdown_v, part.low_side.breakdown_v)
    return bool(
        truth["high_side_leakage_a"] <= room * limits.high_side_leakage_a
        and truth["high_side_ohm"] <= room * limits.high_side_ohm
        and truth["low_side_ohm"] <= room * limits.low_side_ohm
        and _between(truth["standby_a"], limits.standby_low_a, limits.standby_high_a, margin)
        and _between(truth["active_a"], limits.active_low_a, limits.active_high_a, margin)
        and _between(
            truth["undervoltage_v"], limits.undervoltage_low_v, limits.undervoltage_high_v, margin
        )
        and lowest_breakdown >= (1 + margin) * limits.breakdown_v
    )
