"""Hold what a power MOSFET should be, and read it from a part type file.

Of a p-channel part magnitudes are given, as of its n-channel mirror image. Two switches in one
package are two specimens.
"""

from __future__ import annotations

__all__ = [
    "ASSUMED_TEMPERATURE_C",
    "Feature",
    "LeakageLimit",
    "MosfetType",
    "OnResistanceLimit",
    "Polarity",
    "VoltageLimit",
    "read_mosfet_type",
]

import hashlib
from pathlib import Path
from typing import Literal

from attrs import field, frozen

from labbench.files import MistakesError, load_toml
from labbench.parts.limit_tables import (
    ambient,
    check_limits,
    fraction,
    limit_bounds,
    part_name,
    positive,
)

Polarity = Literal["n", "p"]
#: what makes a sound part look faulty: a Schottky diode beside the body diode leaks, a clamp
#: between gate and source conducts
Feature = Literal["schottky", "gate-clamp"]

#: where a limit names none (common practice, no source)
ASSUMED_TEMPERATURE_C = 25.0


@frozen
class LeakageLimit:
    """Hold the largest leakage (A) at a voltage (V) and temperature (°C)."""

    upper_a: float
    voltage_v: float
    temperature_c: float = ASSUMED_TEMPERATURE_C


@frozen
class VoltageLimit:
    """Hold limits of a voltage (V) at a current (A) and temperature (°C); None where absent."""

    lower_v: float | None
    upper_v: float | None
    current_a: float
    temperature_c: float = ASSUMED_TEMPERATURE_C


@frozen
class OnResistanceLimit:
    """Hold limits of the on-resistance (ohm) at gate voltage (V), current (A), temperature (°C)."""

    lower_ohm: float | None
    upper_ohm: float | None
    gate_source_v: float
    current_a: float | None = None
    temperature_c: float = ASSUMED_TEMPERATURE_C


@frozen(kw_only=True)
class MosfetType:
    """Hold the nominal data of a MOSFET. `digest` is the SHA-256 of its file's bytes ("": none)."""

    name: str
    description: str = ""
    polarity: Polarity = "n"
    features: tuple[Feature, ...] = ()
    drain_leakage: tuple[LeakageLimit, ...] = ()
    gate_leakage: tuple[LeakageLimit, ...] = ()
    threshold: tuple[VoltageLimit, ...] = ()
    body_diode: tuple[VoltageLimit, ...] = ()
    breakdown: tuple[VoltageLimit, ...] = ()
    on_resistance: tuple[OnResistanceLimit, ...] = ()
    maximum_drain_source_v: float | None = None
    maximum_gate_source_v: float | None = None
    maximum_current_a: float | None = None
    learned_from: tuple[str, ...] = ()
    assumed: tuple[str, ...] = ()
    digest: str = field(default="", eq=False)
    family: Literal["mosfet"] = field(default="mosfet", init=False)

    @property
    def has_limits(self) -> bool:
        """Tell whether the type limits anything at all."""
        return bool(
            self.drain_leakage
            or self.gate_leakage
            or self.threshold
            or self.body_diode
            or self.on_resistance
        )


def read_mosfet_type(path: Path) -> MosfetType:
    """Read a MOSFET's part type file; raise FileProblems with every problem at once."""
    raw = load_toml(path, _MosfetFile)
    return raw.to_mosfet_type(hashlib.sha256(path.read_bytes()).hexdigest())


# --- the file's tables ---------------------------------------------------------------------------


@frozen(kw_only=True)
class _DrainLeakageTable:
    maximum: float = field(metadata={"unit": "A", "check": positive})
    drain_source: float = field(metadata={"unit": "V", "check": positive})
    temperature: float | None = field(default=None, metadata={"unit": "°C", "check": ambient})


@frozen(kw_only=True)
class _GateLeakageTable:
    maximum: float = field(metadata={"unit": "A", "check": positive})
    gate_source: float = field(metadata={"unit": "V", "check": positive})
    temperature: float | None = field(default=None, metadata={"unit": "°C", "check": ambient})


@frozen(kw_only=True)
class _VoltageTable:
    nominal: float | None = field(default=None, metadata={"unit": "V", "check": positive})
    tolerance: float | None = field(default=None, metadata={"unit": "%", "check": fraction})
    minimum: float | None = field(default=None, metadata={"unit": "V", "check": positive})
    maximum: float | None = field(default=None, metadata={"unit": "V", "check": positive})
    current: float = field(metadata={"unit": "A", "check": positive})
    temperature: float | None = field(default=None, metadata={"unit": "°C", "check": ambient})

    def __attrs_post_init__(self) -> None:
        check_limits(self.nominal, self.tolerance, self.minimum, self.maximum)

    def to_limit(self) -> VoltageLimit:
        lower, upper = limit_bounds(self.nominal, self.tolerance, self.minimum, self.maximum)
        return VoltageLimit(lower, upper, self.current, _at(self.temperature))


@frozen(kw_only=True)
class _OnResistanceTable:
    nominal: float | None = field(default=None, metadata={"unit": "ohm", "check": positive})
    tolerance: float | None = field(default=None, metadata={"unit": "%", "check": fraction})
    minimum: float | None = field(default=None, metadata={"unit": "ohm", "check": positive})
    maximum: float | None = field(default=None, metadata={"unit": "ohm", "check": positive})
    gate_source: float = field(metadata={"unit": "V", "check": positive})
    current: float | None = field(default=None, metadata={"unit": "A", "check": positive})
    temperature: float | None = field(default=None, metadata={"unit": "°C", "check": ambient})

    def __attrs_post_init__(self) -> None:
        check_limits(self.nominal, self.tolerance, self.minimum, self.maximum)

    def to_limit(self) -> OnResistanceLimit:
        lower, upper = limit_bounds(self.nominal, self.tolerance, self.minimum, self.maximum)
        return OnResistanceLimit(
            lower, upper, self.gate_source, self.current, _at(self.temperature)
        )


@frozen(kw_only=True)
class _LimitsTable:
    drain_leakage: tuple[_DrainLeakageTable, ...] = field(default=(), metadata={"single": True})
    gate_leakage: tuple[_GateLeakageTable, ...] = field(default=(), metadata={"single": True})
    threshold: tuple[_VoltageTable, ...] = field(default=(), metadata={"single": True})
    on_resistance: tuple[_OnResistanceTable, ...] = field(default=(), metadata={"single": True})
    body_diode: tuple[_VoltageTable, ...] = field(default=(), metadata={"single": True})
    breakdown: tuple[_VoltageTable, ...] = field(default=(), metadata={"single": True})


@frozen(kw_only=True)
class _MaximumTable:
    drain_source: float | None = field(default=None, metadata={"unit": "V", "check": positive})
    gate_source: float | None = field(default=None, metadata={"unit": "V", "check": positive})
    current: float | None = field(default=None, metadata={"unit": "A", "check": positive})


@frozen(kw_only=True)
class _MosfetFile:
    schema: Literal[1]
    name: str = field(metadata={"check": part_name})
    family: Literal["mosfet"]
    description: str = ""
    polarity: Polarity
    features: tuple[Feature, ...] = ()
    limits: _LimitsTable = field(factory=_LimitsTable)
    absolute_maximum: _MaximumTable = field(factory=_MaximumTable)
    learned_from: tuple[str, ...] = ()
    assumed: tuple[str, ...] = ()

    def __attrs_post_init__(self) -> None:
        wrong: list[tuple[str, str]] = []
        maxima = (
            ("drain_leakage", "drain_source", self.absolute_maximum.drain_source),
            ("gate_leakage", "gate_source", self.absolute_maximum.gate_source),
            ("on_resistance", "gate_source", self.absolute_maximum.gate_source),
        )
        for name, at, most in maxima:
            for table in getattr(self.limits, name):
                if most is not None and getattr(table, at) > most:
                    wrong.append((f"limits.{name}.{at}", f"is above the absolute maximum {most:g}"))
        if wrong:
            raise MistakesError(wrong)

    def to_mosfet_type(self, digest: str) -> MosfetType:
        limits = self.limits
        return MosfetType(
            name=self.name,
            description=self.description,
            polarity=self.polarity,
            features=self.features,
            drain_leakage=tuple(
                LeakageLimit(t.maximum, t.drain_source, _at(t.temperature))
                for t in limits.drain_leakage
            ),
            gate_leakage=tuple(
                LeakageLimit(t.maximum, t.gate_source, _at(t.temperature))
                for t in limits.gate_leakage
            ),
            threshold=tuple(t.to_limit() for t in limits.threshold),
            body_diode=tuple(t.to_limit() for t in limits.body_diode),
            breakdown=tuple(t.to_limit() for t in limits.breakdown),
            on_resistance=tuple(t.to_limit() for t in limits.on_resistance),
            maximum_drain_source_v=self.absolute_maximum.drain_source,
            maximum_gate_source_v=self.absolute_maximum.gate_source,
            maximum_current_a=self.absolute_maximum.current,
            learned_from=self.learned_from,
            assumed=self.assumed,
            digest=digest,
        )


def _at(temperature_c: float | None) -> float:
    return ASSUMED_TEMPERATURE_C if temperature_c is None else temperature_c
