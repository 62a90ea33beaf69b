"""What befalls an integrated power stage, each a change of its circuit or of its thresholds."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Literal

VIN_SW, SW_PGND, VIN_PGND = "vin-sw", "sw-pgnd", "vin-pgnd"
VDRV_PGND, BOOT_SW = "vdrv-pgnd", "boot-sw"
PWM, EN, HS_GATE, LS_GATE = "pwm", "en", "hs-gate", "ls-gate"
SHORT_PATHS = (VIN_SW, SW_PGND)
LEAK_PATHS = (VIN_SW, SW_PGND, VIN_PGND, VDRV_PGND, PWM, EN, HS_GATE, LS_GATE)
BONDS = ("vin", "sw", "pgnd")


def _positive(name: str, value: float) -> None:
    if not value > 0:
        raise ValueError(f"{name} is {value}; it must be above zero")


def _one_of(name: str, value: str, known: tuple[str, ...]) -> None:
    if value not in known:
        raise ValueError(f'{name} "{value}" is not one of {", ".join(known)}')


@dataclass(frozen=True)
class StageShort:
    """One of the switches molten, drain to source."""

    path: str
    ohm: float
    name: ClassVar[str] = "short"

    def __post_init__(self) -> None:
        _one_of("path", self.path, SHORT_PATHS)
        _positive("ohm", self.ohm)

    @property
    def paths(self) -> tuple[str, ...]:
        """The shorted switch."""
        return (self.path,)


@dataclass(frozen=True)
class StageLeak:
    """A resistance across a switch, a supply, a logic input, or a gate inside."""

    path: str
    ohm: float
    name: ClassVar[str] = "leak"

    def __post_init__(self) -> None:
        _one_of("path", self.path, LEAK_PATHS)
        _positive("ohm", self.ohm)

    @property
    def paths(self) -> tuple[str, ...]:
        """The leaking path."""
        return (self.path,)


@dataclass(frozen=True)
class StuckOutput:
    """The driver holds the output high, low or off as soon as it is powered and enabled."""

    drive: Literal["high", "low", "off"]

    def __post_init__(self) -> None:
        _one_of("drive", self.drive, ("high", "low", "off"))

    @property
    def name(self) -> str:
        """The fault in the words of the verdicts."""
        return f"output-stuck-{self.drive}"

    @property
    def paths(self) -> tuple[str, ...]:
        """The switch that is always on."""
        return {"high": (VIN_SW,), "low": (SW_PGND,), "off": ()}[self.drive]


@dataclass(frozen=True)
class LiftedBond:
    """A bond at `vin`, `sw` or `pgnd` raised by some milliohm, or open."""

    pin: str
    extra_ohm: float
    name: ClassVar[str] = "lifted-bond"

    def __post_init__(self) -> None:
        _one_of("pin", self.pin, BONDS)
        _positive("extra_ohm", self.extra_ohm)

    @property
    def paths(self) -> tuple[str, ...]:
        """The pin of the bond, and the paths through it; that of the output carries both."""
        through = {"vin": (VIN_SW,), "sw": (VIN_SW, SW_PGND), "pgnd": (SW_PGND,)}
        return (self.pin, *through[self.pin])


@dataclass(frozen=True)
class BootstrapOpen:
    """The diode from VDRV to BOOT conducts no longer."""

    name: ClassVar[str] = "bootstrap-open"
    paths: ClassVar[tuple[str, ...]] = (BOOT_SW,)


@dataclass(frozen=True)
class BootstrapLeak:
    """A resistance from BOOT to SW."""

    ohm: float
    name: ClassVar[str] = "bootstrap-leak"
    paths: ClassVar[tuple[str, ...]] = (BOOT_SW,)

    def __post_init__(self) -> None:
        _positive("ohm", self.ohm)


@dataclass(frozen=True)
class UndervoltageShift:
    """The undervoltage lockout has moved, both its thresholds alike."""

    volts: float
    name: ClassVar[str] = "undervoltage-shift"
    paths: ClassVar[tuple[str, ...]] = (VDRV_PGND,)

    def __post_init__(self) -> None:
        if self.volts == 0:
            raise ValueError("a shifted threshold is shifted by something")


@dataclass(frozen=True)
class StageHighOnResistance:
    """The on-resistance of one switch, its bonds apart, is `factor` times what it was."""

    path: str
    factor: float
    name: ClassVar[str] = "high-on-resistance"

    def __post_init__(self) -> None:
        _one_of("path", self.path, SHORT_PATHS)
        if not self.factor > 1:
            raise ValueError(f"factor is {self.factor}; it must be above 1")

    @property
    def paths(self) -> tuple[str, ...]:
        """The switch."""
        return (self.path,)


StageFault = (
    StageShort
    | StageLeak
    | StuckOutput
    | LiftedBond
    | BootstrapOpen
    | BootstrapLeak
    | UndervoltageShift
    | StageHighOnResistance
)
