"""What is wrong on a board after a repair: a fault of a stage, of a coil's joint, of the load."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from sim.physics.devices.stage_faults import StageFault


def _positive(ohm: float) -> None:
    if not ohm > 0:
        raise ValueError(f"ohm is {ohm}; it must be above zero")


@dataclass(frozen=True)
class PhaseFault:
    """The stage of one phase (counted from 1) has a fault."""

    phase: int
    fault: StageFault

    @property
    def name(self) -> str:
        """The fault of the stage."""
        return self.fault.name

    @property
    def paths(self) -> tuple[str, ...]:
        """Its paths, each with the number of the phase."""
        return tuple(f"{path}-{self.phase}" for path in self.fault.paths)


@dataclass(frozen=True)
class PoorJoint:
    """A joint of one coil has more resistance than it should."""

    phase: int
    extra_ohm: float
    name: ClassVar[str] = "high-resistance-joint"

    def __post_init__(self) -> None:
        _positive(self.extra_ohm)

    @property
    def paths(self) -> tuple[str, ...]:
        """From the switch node to the rail."""
        return (f"sw-rail-{self.phase}",)


@dataclass(frozen=True)
class SolderBridge:
    """Solder lies across one coil."""

    phase: int
    ohm: float
    name: ClassVar[str] = "short"

    def __post_init__(self) -> None:
        _positive(self.ohm)

    @property
    def paths(self) -> tuple[str, ...]:
        """Across the coil."""
        return (f"sw-rail-{self.phase}",)


@dataclass(frozen=True)
class LoadShort:
    """Metal across the rail."""

    ohm: float
    name: ClassVar[str] = "short"
    paths: ClassVar[tuple[str, ...]] = ("rail-ground",)

    def __post_init__(self) -> None:
        _positive(self.ohm)


@dataclass(frozen=True)
class InputShort:
    """Metal across the input: a cracked capacitor."""

    ohm: float
    name: ClassVar[str] = "short"
    paths: ClassVar[tuple[str, ...]] = ("vin-ground",)

    def __post_init__(self) -> None:
        _positive(self.ohm)


BoardFault = PhaseFault | PoorJoint | SolderBridge | LoadShort | InputShort
