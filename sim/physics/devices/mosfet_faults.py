"""What befalls a MOSFET, each a change of its circuit, never of a result."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

DRAIN_SOURCE, GATE_SOURCE, GATE_DRAIN = "drain-source", "gate-source", "gate-drain"
PATHS = (DRAIN_SOURCE, GATE_SOURCE, GATE_DRAIN)
ALL = "all"


def _positive(name: str, value: float) -> None:
    if not value > 0:
        raise ValueError(f"{name} is {value}; it must be above zero")


def _one_of(path: str, known: tuple[str, ...]) -> None:
    if path not in known:
        raise ValueError(f'path "{path}" is not one of {", ".join(known)}')


@dataclass(frozen=True)
class HardShort:
    """Molten metal between two terminals, or between all three."""

    path: str
    ohm: float
    name: ClassVar[str] = "short"

    def __post_init__(self) -> None:
        _one_of(self.path, (*PATHS, ALL))
        _positive("ohm", self.ohm)

    @property
    def paths(self) -> tuple[str, ...]:
        """The shorted path, or all of them."""
        return PATHS if self.path == ALL else (self.path,)


@dataclass(frozen=True)
class OhmicLeak:
    """A filament or a film between two terminals: a plain resistance."""

    path: str
    ohm: float
    name: ClassVar[str] = "leak"

    def __post_init__(self) -> None:
        _one_of(self.path, PATHS)
        _positive("ohm", self.ohm)

    @property
    def paths(self) -> tuple[str, ...]:
        """The leaking path."""
        return (self.path,)


@dataclass(frozen=True)
class SoftLeak:
    """A damaged junction: I = a |V/Vref|^p between drain and source, Vref that of the limit."""

    current_a: float
    exponent: float
    name: ClassVar[str] = "leak"
    paths: ClassVar[tuple[str, ...]] = (DRAIN_SOURCE,)

    def __post_init__(self) -> None:
        _positive("current_a", self.current_a)
        if not self.exponent >= 1:
            raise ValueError(f"exponent is {self.exponent}; it must be 1 or more")


@dataclass(frozen=True)
class WeakGate:
    """A gate oxide punctured by a static discharge: I = a sgn(V) |V/10 V|^p.

    `polarity` is the ratio of the current at -10 V to that at +10 V.
    """

    current_a: float
    exponent: float
    polarity: float = 1.0
    name: ClassVar[str] = "weak-gate"
    paths: ClassVar[tuple[str, ...]] = (GATE_SOURCE,)

    def __post_init__(self) -> None:
        _positive("current_a", self.current_a)
        _positive("polarity", self.polarity)
        if not self.exponent >= 1:
            raise ValueError(f"exponent is {self.exponent}; it must be 1 or more")


@dataclass(frozen=True)
class HighOnResistance:
    """A lifted clip or a cracked die attach: the on-resistance is `factor` times what it was."""

    factor: float
    name: ClassVar[str] = "high-on-resistance"
    paths: ClassVar[tuple[str, ...]] = (DRAIN_SOURCE,)

    def __post_init__(self) -> None:
        if not self.factor > 1:
            raise ValueError(f"factor is {self.factor}; it must be above 1")


@dataclass(frozen=True)
class ThresholdShift:
    """Charge trapped in the oxide."""

    volts: float
    name: ClassVar[str] = "threshold-shift"
    paths: ClassVar[tuple[str, ...]] = (GATE_SOURCE,)

    def __post_init__(self) -> None:
        if self.volts == 0:
            raise ValueError("a shifted threshold is shifted by something")


@dataclass(frozen=True)
class LowBreakdown:
    """A damaged edge of the junction: breakdown at `factor` times the healthy voltage."""

    factor: float
    name: ClassVar[str] = "low-breakdown"
    paths: ClassVar[tuple[str, ...]] = (DRAIN_SOURCE,)

    def __post_init__(self) -> None:
        if not 0 < self.factor < 1:
            raise ValueError(f"factor is {self.factor}; it must be between 0 and 1")


@dataclass(frozen=True)
class OpenTerminal:
    """A bond that has come off; soot and flux leave a large resistance."""

    terminal: str
    residual_ohm: float = 5e10
    name: ClassVar[str] = "open"

    def __post_init__(self) -> None:
        _one_of(self.terminal, ("drain", "source", "gate"))
        _positive("residual_ohm", self.residual_ohm)

    @property
    def paths(self) -> tuple[str, ...]:
        """The path that no longer conducts as it should."""
        return (GATE_SOURCE,) if self.terminal == "gate" else (DRAIN_SOURCE,)


MosfetFault = (
    HardShort
    | OhmicLeak
    | SoftLeak
    | WeakGate
    | HighOnResistance
    | ThresholdShift
    | LowBreakdown
    | OpenTerminal
)
