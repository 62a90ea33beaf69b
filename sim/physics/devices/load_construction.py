"""How a load behind a rail is made, and how boards scatter."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace

from sim.physics.devices.mosfet_construction import Junction


@dataclass(frozen=True, slots=True)
class LoadScatter:
    """Deviations of a board, or their sds: logarithms, but the plain one of the slope."""

    current: float = 0.0
    slope: float = 0.0
    capacitance: float = 0.0

    def plus(self, other: LoadScatter) -> LoadScatter:
        """Add the deviations of a board to those of its series."""
        mine, its = self.as_mapping(), other.as_mapping()
        return replace(self, **{name: mine[name] + its[name] for name in mine})

    def as_mapping(self) -> Mapping[str, float]:
        """Give the deviations by name."""
        return {field.name: getattr(self, field.name) for field in fields(self)}


@dataclass(frozen=True, slots=True)
class LoadConstruction:
    """The typical load at 25 C.

    `resistance_ohm` is V/I at `test_v`; healthy boards keep between `low_ohm` and `high_ohm`.
    """

    name: str
    description: str
    test_v: float
    resistance_ohm: float
    low_ohm: float
    high_ohm: float
    barrier_lowering: float
    ideality: float
    doubling_k: float
    clamp: Junction
    capacitance_f: float
    lot_spread: LoadScatter
    unit_spread: LoadScatter
