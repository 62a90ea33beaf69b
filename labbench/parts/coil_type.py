"""Hold what a coil should be, and read it from a part type file.

Every limit is `nominal` with `tolerance`, or `minimum` and/or `maximum`; any limit may be absent.
"""

from __future__ import annotations

__all__ = [
    "ASSUMED_RESISTANCE_TEMPERATURE_C",
    "ASSUMED_SATURATION_TOLERANCE",
    "CoilType",
    "InductanceLimit",
    "Material",
    "Population",
    "ResistanceLimit",
    "Saturation",
    "Spread",
    "read_coil_type",
]

import hashlib
from pathlib import Path
from typing import Literal

from attrs import field, frozen

from labbench.files import MistakeError, MistakesError, load_toml
from labbench.parts.limit_tables import (
    ambient,
    check_limits,
    fraction,
    limit_bounds,
    part_name,
    positive,
)

Material = Literal["powder", "ferrite", "air"]

#: where a type gives a resistance without its temperature (common practice, no source)
ASSUMED_RESISTANCE_TEMPERATURE_C = 25.0
#: a saturation current is given as typical; sound parts lie within this share of it, as their
#: inductance does (common practice, no source)
ASSUMED_SATURATION_TOLERANCE = 0.2


@frozen
class InductanceLimit:
    """Hold limits of an inductance (H) at a frequency (Hz) and level (V); None where absent."""

    nominal_h: float | None
    lower_h: float | None
    upper_h: float | None
    frequency_hz: float
    level_v: float | None = None


@frozen
class ResistanceLimit:
    """Hold limits of a DC resistance (ohm) at a temperature (°C); None where absent."""

    nominal_ohm: float | None
    lower_ohm: float | None
    upper_ohm: float | None
    temperature_c: float = ASSUMED_RESISTANCE_TEMPERATURE_C


@frozen
class Saturation:
    """Hold the direct current (A) at which the inductance has dropped by a fraction.

    The current is that of a typical part: of a sound one it is at least `lowest_a`.
    """

    current_a: float
    drop: float
    tolerance: float = ASSUMED_SATURATION_TOLERANCE

    @property
    def lowest_a(self) -> float:
        """Tell the least current at which a sound part may have dropped so far (A)."""
        return self.current_a * (1.0 - self.tolerance)


@frozen
class Spread:
    """Hold relative standard deviations between lots and between parts of a lot."""

    lot_to_lot: float | None = field(default=None, metadata={"unit": "%"})
    part_to_part: float | None = field(default=None, metadata={"unit": "%"})

    def __attrs_post_init__(self) -> None:
        wrong = [
            (name, "must lie between 0 and 100 %")
            for name in ("lot_to_lot", "part_to_part")
            if (value := getattr(self, name)) is not None and not 0 <= value < 1
        ]
        if wrong:
            raise MistakesError(wrong)


@frozen
class Population:
    """Hold the spreads of a population where they are known."""

    inductance: Spread | None = None
    dc_resistance: Spread | None = None


@frozen(kw_only=True)
class CoilType:
    """Hold the nominal data of a coil. `digest` is the SHA-256 of its file's bytes ("": none)."""

    name: str
    description: str = ""
    material: Material | None = None
    turns: int | None = None
    inductance: tuple[InductanceLimit, ...] = ()
    dc_resistance: tuple[ResistanceLimit, ...] = ()
    saturation: Saturation | None = None
    #: least resistance between winding and core (ohm); None: what is common practice
    least_insulation_ohm: float | None = None
    maximum_current_a: float | None = None
    population: Population | None = None
    learned_from: tuple[str, ...] = ()
    assumed: tuple[str, ...] = ()
    digest: str = field(default="", eq=False)
    family: Literal["coil"] = field(default="coil", init=False)

    @property
    def nominal_inductance_h(self) -> float | None:
        """Give the first nominal inductance (H); the middle of a minimum and maximum else."""
        for limit in self.inductance:
            value = _nominal(limit.nominal_h, limit.lower_h, limit.upper_h)
            if value is not None:
                return value
        return None

    @property
    def nominal_resistance_ohm(self) -> float | None:
        """Give the first nominal DC resistance (ohm); the middle of minimum and maximum else."""
        for limit in self.dc_resistance:
            value = _nominal(limit.nominal_ohm, limit.lower_ohm, limit.upper_ohm)
            if value is not None:
                return value
        return None


def read_coil_type(path: Path) -> CoilType:
    """Read a coil's part type file; raise FileProblems with every problem at once."""
    raw = load_toml(path, _CoilFile)
    return raw.to_coil_type(hashlib.sha256(path.read_bytes()).hexdigest())


def _nominal(nominal: float | None, lower: float | None, upper: float | None) -> float | None:
    if nominal is not None:
        return nominal
    return None if lower is None or upper is None else (lower + upper) / 2


# --- the file's tables ---------------------------------------------------------------------------


def _turns(value: int) -> None:
    if not 1 <= value <= 10_000:
        raise MistakeError("must lie between 1 and 10000")


@frozen(kw_only=True)
class _InductanceTable:
    nominal: float | None = field(default=None, metadata={"unit": "H", "check": positive})
    tolerance: float | None = field(default=None, metadata={"unit": "%", "check": fraction})
    minimum: float | None = field(default=None, metadata={"unit": "H", "check": positive})
    maximum: float | None = field(default=None, metadata={"unit": "H", "check": positive})
    frequency: float = field(metadata={"unit": "Hz", "check": positive})
    level: float | None = field(default=None, metadata={"unit": "V", "check": positive})

    def __attrs_post_init__(self) -> None:
        check_limits(self.nominal, self.tolerance, self.minimum, self.maximum)


@frozen(kw_only=True)
class _ResistanceTable:
    nominal: float | None = field(default=None, metadata={"unit": "ohm", "check": positive})
    tolerance: float | None = field(default=None, metadata={"unit": "%", "check": fraction})
    minimum: float | None = field(default=None, metadata={"unit": "ohm", "check": positive})
    maximum: float | None = field(default=None, metadata={"unit": "ohm", "check": positive})
    temperature: float | None = field(default=None, metadata={"unit": "°C", "check": ambient})

    def __attrs_post_init__(self) -> None:
        check_limits(self.nominal, self.tolerance, self.minimum, self.maximum)


@frozen(kw_only=True)
class _SaturationTable:
    current: float = field(metadata={"unit": "A", "check": positive})
    drop: float = field(metadata={"unit": "%", "check": fraction})
    tolerance: float = field(
        default=ASSUMED_SATURATION_TOLERANCE, metadata={"unit": "%", "check": fraction}
    )


@frozen(kw_only=True)
class _InsulationTable:
    minimum: float = field(metadata={"unit": "ohm", "check": positive})


@frozen(kw_only=True)
class _CoreTable:
    material: Material | None = None
    turns: int | None = field(default=None, metadata={"check": _turns})


@frozen(kw_only=True)
class _LimitsTable:
    inductance: tuple[_InductanceTable, ...] = field(default=(), metadata={"single": True})
    dc_resistance: tuple[_ResistanceTable, ...] = field(default=(), metadata={"single": True})
    saturation: _SaturationTable | None = None
    insulation: _InsulationTable | None = None


@frozen(kw_only=True)
class _MaximumTable:
    current: float | None = field(default=None, metadata={"unit": "A", "check": positive})


@frozen(kw_only=True)
class _CoilFile:
    schema: Literal[1]
    name: str = field(metadata={"check": part_name})
    family: Literal["coil"]
    description: str = ""
    core: _CoreTable = field(factory=_CoreTable)
    limits: _LimitsTable = field(factory=_LimitsTable)
    absolute_maximum: _MaximumTable = field(factory=_MaximumTable)
    population: Population | None = None
    learned_from: tuple[str, ...] = ()
    assumed: tuple[str, ...] = ()

    def to_coil_type(self, digest: str) -> CoilType:
        assumed = list(self.assumed)
        if any(table.temperature is None for table in self.limits.dc_resistance):
            assumed.append(
                f"dc resistance is meant at {ASSUMED_RESISTANCE_TEMPERATURE_C:g} °C: none given"
            )
        return CoilType(
            name=self.name,
            description=self.description,
            material=self.core.material,
            turns=self.core.turns,
            inductance=tuple(
                InductanceLimit(
                    t.nominal,
                    *limit_bounds(t.nominal, t.tolerance, t.minimum, t.maximum),
                    t.frequency,
                    t.level,
                )
                for t in self.limits.inductance
            ),
            dc_resistance=tuple(
                ResistanceLimit(
                    t.nominal,
                    *limit_bounds(t.nominal, t.tolerance, t.minimum, t.maximum),
                    ASSUMED_RESISTANCE_TEMPERATURE_C if t.temperature is None else t.temperature,
                )
                for t in self.limits.dc_resistance
            ),
            saturation=None
            if self.limits.saturation is None
            else Saturation(
                self.limits.saturation.current,
                self.limits.saturation.drop,
                self.limits.saturation.tolerance,
            ),
            least_insulation_ohm=None
            if self.limits.insulation is None
            else self.limits.insulation.minimum,
            maximum_current_a=self.absolute_maximum.current,
            population=self.population,
            learned_from=self.learned_from,
            assumed=tuple(assumed),
            digest=digest,
        )
