"""Read a bench file (`bench.toml`): which instruments, how reached, how accurate, which limits.

Names of dialects and accuracy classes are checked where they are known (drivers, metrology); here
everything that the file alone can get wrong is reported at once.
"""

from __future__ import annotations

__all__ = [
    "BY_HAND",
    "VOLTAGE_CEILING_V",
    "BenchFile",
    "BenchLimits",
    "BiasNetwork",
    "Fixture",
    "ImpedanceMeterEntry",
    "Instruments",
    "MultimeterEntry",
    "SeriesResistor",
    "Simulation",
    "SupplyEntry",
    "SwitchEntry",
    "load_bench_file",
]

import hashlib
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any, Literal

from attrs import evolve, field, frozen

from labbench.files import MistakeError, MistakesError, load_toml
from labbench.quantities import parse_channel_list, parse_with_tolerance

#: the resource of an instrument without a link: the person reads it
BY_HAND = "by-hand"
#: positions for the bench itself: tips open, a copper strip, standard and check resistor
_OWN_POSITIONS = ("open", "short", "load", "check")
#: extra-low voltage; from memory, check the standard that holds where the bench stands
VOLTAGE_CEILING_V = 60.0


def _positive(value: float) -> None:
    if not value > 0:
        raise MistakeError("must be above zero")


def _not_negative(value: float) -> None:
    if value < 0:
        raise MistakeError("must not be negative")


def _not_empty(value: str) -> None:
    if not value.strip():
        raise MistakeError("must not be empty")


def _risk(value: float) -> None:
    if not 0 < value < 0.5:
        raise MistakeError("must lie between 0 and 0.5: it is a probability, 0.05 is usual")


def _voltage(value: float) -> None:
    _positive(value)
    if value > VOLTAGE_CEILING_V:
        raise MistakeError(
            f"must not exceed {VOLTAGE_CEILING_V:g} V: above it stop and call a qualified person"
        )


def _mains(value: float) -> None:
    if value not in (50.0, 60.0):
        raise MistakeError("must be 50 Hz or 60 Hz: it sets the integration times that reject hum")


def _channels(value: int) -> None:
    if not 1 <= value <= 8:
        raise MistakeError("must lie between 1 and 8")


def _clock_rate(value: float) -> None:
    if not 0 < value <= 1e6:
        raise MistakeError("must lie between 0 and 1e6 simulated seconds per second")


@frozen
class SeriesResistor:
    """Hold a series resistor of the fixture (ohm) and its relative tolerance."""

    value_ohm: float
    tolerance: float


def _read_resistor(value: Any) -> SeriesResistor:
    if not isinstance(value, str):
        raise MistakeError("must be text such as '100 Ω 1 %'")
    ohms, tolerance = parse_with_tolerance(value, "ohm")
    if tolerance is None:
        raise MistakeError(
            f"{value!r} has no tolerance: the current through it depends on it",
            suggestion=f"'{value} 1 %'",
        )
    if ohms <= 0:
        raise MistakeError(f"{value!r}: must be above zero")
    return SeriesResistor(ohms, tolerance)


def _read_relays(value: Any) -> tuple[int, ...]:
    if not isinstance(value, str):
        raise MistakeError("must be a channel list such as '(@101,203)'")
    return parse_channel_list(value)


@frozen(kw_only=True)
class ImpedanceMeterEntry:
    """Say how the impedance meter is reached and how accurate its class is."""

    resource: str = field(metadata={"check": _not_empty})
    dialect: str | None = None
    class_: str = field(metadata={"key": "class", "check": _not_empty})
    accuracy: Mapping[str, str] = field(factory=dict)
    #: identity expected at the address, as `*IDN?` answers it
    identity: str | None = None
    calibrated: date | None = None
    due: date | None = None

    def __attrs_post_init__(self) -> None:
        _check_entry(self.resource, self.dialect, self.calibrated, self.due)


@frozen(kw_only=True)
class SupplyEntry:
    """Say how the supply is reached, its channels and the capacitance at its output (F)."""

    resource: str = field(metadata={"check": _not_empty})
    dialect: str | None = None
    class_: str = field(metadata={"key": "class", "check": _not_empty})
    channels: int = field(default=1, metadata={"check": _channels})
    output_capacitance_f: float | None = field(
        default=None, metadata={"key": "output_capacitance", "unit": "F", "check": _positive}
    )
    accuracy: Mapping[str, str] = field(factory=dict)
    identity: str | None = None
    calibrated: date | None = None
    due: date | None = None

    def __attrs_post_init__(self) -> None:
        if self.resource == BY_HAND:
            raise MistakesError(
                [
                    (
                        "resource",
                        "a supply is never used by hand: nobody could see it off within the time "
                        "that a stop has. Leave [instruments.supply] out",
                    )
                ]
            )
        _check_entry(self.resource, self.dialect, self.calibrated, self.due)


@frozen(kw_only=True)
class MultimeterEntry:
    """Say how the multimeter is reached and how accurate its class is."""

    resource: str = field(metadata={"check": _not_empty})
    dialect: str | None = None
    class_: str = field(metadata={"key": "class", "check": _not_empty})
    accuracy: Mapping[str, str] = field(factory=dict)
    identity: str | None = None
    calibrated: date | None = None
    due: date | None = None

    def __attrs_post_init__(self) -> None:
        _check_entry(self.resource, self.dialect, self.calibrated, self.due)


@frozen(kw_only=True)
class SwitchEntry:
    """Say how the relay switch is reached."""

    resource: str = field(metadata={"check": _not_empty})
    dialect: str | None = None
    identity: str | None = None

    def __attrs_post_init__(self) -> None:
        if self.resource == BY_HAND:
            raise MistakesError([("resource", "relays moved by hand need no entry: leave it out")])
        _check_entry(self.resource, self.dialect, None, None)


def _check_entry(
    resource: str, dialect: str | None, calibrated: date | None, due: date | None
) -> None:
    mistakes = []
    if resource != BY_HAND and dialect is None:
        mistakes.append(("dialect", "missing: how this instrument spells its commands"))
    if resource == BY_HAND and dialect is not None:
        mistakes.append(("dialect", "an instrument read by hand has none: leave it out"))
    if calibrated is not None and due is not None and due < calibrated:
        mistakes.append(("due", f"{due} lies before the calibration of {calibrated}"))
    if mistakes:
        raise MistakesError(mistakes)


@frozen(kw_only=True)
class Instruments:
    """Hold an entry for each role that the bench has."""

    impedance_meter: ImpedanceMeterEntry | None = None
    supply: SupplyEntry | None = None
    multimeter: MultimeterEntry | None = None
    switch: SwitchEntry | None = None

    def __attrs_post_init__(self) -> None:
        entries = {name: getattr(self, name) for name in _ROLES}
        if not any(entries.values()):
            raise MistakesError(
                [("", f"no instrument; a bench has at least one of {', '.join(_ROLES)}")]
            )
        seen: dict[str, str] = {}
        mistakes = []
        for name, entry in entries.items():
            if entry is None or entry.resource == BY_HAND:
                continue
            other = seen.setdefault(entry.resource, name)
            if other != name:
                mistakes.append((f"{name}.resource", f"the same address as {other}"))
        if mistakes:
            raise MistakesError(mistakes)


_ROLES = ("impedance_meter", "supply", "multimeter", "switch")


def _drop(value: float) -> None:
    if not 0 <= value <= 0.5:
        raise MistakeError("must lie between 0 and 50 %: a choke that loses more is saturated")


@frozen(kw_only=True)
class BiasNetwork:
    """Hold what brings direct current to a coil: its rating (A) and resistance (ohm).

    `choke_drop` is the largest share of its inductance that the choke loses at the rating.
    """

    current_a: float = field(metadata={"key": "current", "unit": "A", "check": _positive})
    resistance_ohm: float = field(
        metadata={"key": "resistance", "unit": "ohm", "check": _not_negative}
    )
    #: what chokes are rated for (common practice, no source)
    choke_drop: float = field(default=0.3, metadata={"unit": "%", "check": _drop})


@frozen(kw_only=True)
class Fixture:
    """Hold what lies between the instruments and the specimen (ohm)."""

    series_resistors: tuple[SeriesResistor, ...] = field(
        default=(), metadata={"each": _read_resistor}
    )
    #: standard resistor of a load compensation; the cable between meter and jig
    load: SeriesResistor | None = field(default=None, metadata={"read": _read_resistor})
    cable: str | None = None
    supply_leads_ohm: float | None = field(
        default=None, metadata={"key": "supply_leads", "unit": "ohm", "check": _not_negative}
    )
    bias_network: BiasNetwork | None = None
    #: a third probe touches the core of the part in the jig
    core_probe: bool = False

    @property
    def series_tolerances(self) -> dict[float, float]:
        """Give the relative tolerance of each series resistor by its value (ohm)."""
        return {each.value_ohm: each.tolerance for each in self.series_resistors}


@frozen(kw_only=True)
class BenchLimits:
    """Hold what the bench must never exceed (V, A)."""

    voltage_v: float = field(metadata={"key": "voltage", "unit": "V", "check": _voltage})
    current_a: float = field(metadata={"key": "current", "unit": "A", "check": _positive})


@frozen(kw_only=True)
class Simulation:
    """Say which simulated bench stands behind the addresses, and how fast its clock runs."""

    scenario: str = field(metadata={"check": _not_empty})
    seed: int | None = field(default=None, metadata={"check": _not_negative})
    clock_rate: float = field(default=1.0, metadata={"check": _clock_rate})


@frozen(kw_only=True)
class BenchFile:
    """Hold a bench file. `digest` is the SHA-256 of its bytes, `path` where it was read."""

    schema: Literal[1]
    name: str = field(metadata={"check": _not_empty})
    mains_hz: float = field(default=50.0, metadata={"key": "mains", "unit": "Hz", "check": _mains})
    risk: float = field(default=0.05, metadata={"check": _risk})
    instruments: Instruments
    fixture: Fixture = field(factory=Fixture)
    limits: BenchLimits | None = None
    hookups: Mapping[str, tuple[int, ...]] = field(factory=dict, metadata={"each": _read_relays})
    positions: Mapping[str, tuple[int, ...]] = field(factory=dict, metadata={"each": _read_relays})
    simulation: Simulation | None = None
    digest: str = field(default="", metadata={"omit": True})
    path: Path | None = field(default=None, metadata={"omit": True})

    def __attrs_post_init__(self) -> None:
        mistakes = []
        if self.instruments.supply is not None and self.limits is None:
            mistakes.append(
                ("limits", "missing: a bench with a supply says its voltage and current limit")
            )
        if self.instruments.switch is None:
            for name, table in (("hookups", self.hookups), ("positions", self.positions)):
                if table:
                    mistakes.append((name, "only with a switch: there is none in [instruments]"))
        else:
            if not self.hookups:
                mistakes.append(("hookups", "missing: which relays each hookup closes"))
            shared = {relay for relays in self.hookups.values() for relay in relays}
            for position, relays in self.positions.items():
                both = sorted(shared.intersection(relays))
                if both:
                    mistakes.append(
                        (f"positions.{position}", f"relay {both[0]} also makes a hookup")
                    )
        if mistakes:
            raise MistakesError(mistakes)

    @property
    def part_positions(self) -> tuple[str, ...]:
        """Give the positions of the relay switch where parts lie, not those of the bench's own."""
        return tuple(name for name in self.positions if name not in _OWN_POSITIONS)


def load_bench_file(path: Path) -> BenchFile:
    """Read a bench file; raise FileProblems with every problem at once."""
    bench = load_toml(path, BenchFile)
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    return evolve(bench, digest=digest, path=path)
