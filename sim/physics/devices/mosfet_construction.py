"""How a MOSFET type is made, its declared limits, and how units of it scatter."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Literal


@dataclass(frozen=True, slots=True)
class OnPoint:
    """On-resistance at a gate-source voltage and a drain current: typical and largest."""

    gate_source_v: float
    current_a: float
    typical_ohm: float
    maximum_ohm: float


@dataclass(frozen=True, slots=True)
class MosfetLimits:
    """What a healthy unit keeps at 25 C; magnitudes, for either polarity."""

    drain_leakage_a: float
    drain_source_v: float
    gate_leakage_a: float
    gate_source_v: float
    threshold_low_v: float
    threshold_high_v: float
    threshold_a: float
    body_diode_v: float
    body_diode_a: float
    breakdown_v: float
    on_resistance: tuple[OnPoint, ...]


@dataclass(frozen=True, slots=True)
class Junction:
    """A diode by its forward voltage at 1 mA and 25 C."""

    forward_v: float
    emission: float
    series_ohm: float
    gap_v: float


@dataclass(frozen=True, slots=True)
class MosfetConstruction:
    """The typical unit at 25 C."""

    name: str
    description: str
    polarity: Literal["n", "p"]
    features: tuple[str, ...]
    limits: MosfetLimits
    threshold_v: float
    ideality: float
    metal_ohm: float
    drain_leakage_a: float
    leakage_exponent: float
    doubling_k: float
    gate_leakage_a: float
    breakdown_v: float
    breakdown_ohm: float
    body: Junction
    schottky: Junction | None
    clamp_v: float
    clamp_ohm: float
    gate_source_f: float
    gate_drain_f: float
    drain_source_f: float
    margin: float
    lot_spread: Scatter
    unit_spread: Scatter


@dataclass(frozen=True, slots=True)
class Scatter:
    """Deviations of a lot or a unit from the typical, or their standard deviations.

    Logarithms, but volts for threshold and diode, kelvins for the doubling, and the plain
    difference for the exponent of the leakage.
    """

    drain_leakage: float = 0.0
    on_resistance: float = 0.0
    threshold_v: float = 0.0
    body_diode_v: float = 0.0
    breakdown: float = 0.0
    gate_leakage: float = 0.0
    leakage_exponent: float = 0.0
    doubling_k: float = 0.0
    capacitance: float = 0.0

    def plus(self, other: Scatter) -> Scatter:
        """Add the deviations of a unit to those of its lot."""
        mine, its = self.as_mapping(), other.as_mapping()
        return replace(self, **{name: mine[name] + its[name] for name in mine})

    def as_mapping(self) -> Mapping[str, float]:
        """Give the deviations by name."""
        return {field.name: getattr(self, field.name) for field in fields(self)}
