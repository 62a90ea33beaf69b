"""Hold what a coil should be, and read it from a part type file.

Every limit is `nominal` with `tolerance`, or `minimum` and/or `maximum`; any limit may be absent.
"""

from __future__ import annotations

__all__ = [
    "ASSUMED_RESISTANCE_TEMPERATURE_C",
    "CoilType",
    "InductanceLimit",
    "Material",
    "Population",
    "ResistanceLimit",
    "Saturation",
    "Spread",
    "read_coil_type",
    "tolerance_bounds",
]

import hashlib
from pathlib import Path
from typing import Literal

from attrs import field, frozen

from labbench.errors import FileProblems, Problem
from labbench.files import MistakeError, MistakesError, load_toml, nearest, read_toml

Material = Literal["powder", "ferrite", "air"]

#: where a type gives a resistance without its temperature (common practice, no source)
ASSUMED_RESISTANCE_TEMPERATURE_C = 25.0

_FAMILIES_TO_COME = ("mosfet", "power-stage")


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
    """Hold the direct current (A) at which the inductance has dropped by a fraction."""

    current_a: float
    drop: float


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
    """Read a part type file; raise FileProblems with every problem at once.

    A file of another known family gets one sentence: that it cannot be judged yet.
    """
    family = read_toml(path).get("family")
    if family in _FAMILIES_TO_COME:
        raise FileProblems([
            Problem(str(path), f"a {family} cannot be judged yet: only coils can", key="family")
        ])  # fmt: skip
    if family is not None and family != "coil":
        near = nearest(family, ("coil", *_FAMILIES_TO_COME)) if isinstance(family, str) else None
        raise FileProblems([
            Problem(str(path), f"there is no family {family!r}", key="family",
                    suggestion=repr(near) if near else None)
        ])  # fmt: skip
    raw = load_toml(path, _CoilFile)
    return raw.to_coil_type(hashlib.sha256(path.read_bytes()).hexdigest())


def tolerance_bounds(nominal: float, tolerance: float) -> tuple[float, float]:
    """Give the limits of a nominal value with a symmetric relative tolerance.

    Rounded to twelve digits: 470 nH less 20 % is 376 nH and not 376.00000000000003 nH.
    """
    return float(f"{nominal * (1 - tolerance):.12g}"), float(f"{nominal * (1 + tolerance):.12g}")


def _nominal(nominal: float | None, lower: float | None, upper: float | None) -> float | None:
    if nominal is not None:
        return nominal
    return None if lower is None or upper is None else (lower + upper) / 2


# --- the file's tables ---------------------------------------------------------------------------


def _positive(value: float) -> None:
    if not value > 0:
        raise MistakeError("must be above zero")


def _fraction(value: float) -> None:
    if not 0 < value < 1:
        raise MistakeError("must lie between 0 and 100 %")


def _name(value: str) -> None:
    if not value or not all(letter.isalnum() or letter in "-_.+" for letter in value):
        raise MistakeError("must be letters, digits, '-', '_', '.' or '+': it is also a file name")


def _turns(value: int) -> None:
    if not 1 <= value <= 10_000:
        raise MistakeError("must lie between 1 and 10000")


def _ambient(value: float) -> None:
    if not -55 <= value <= 155:
        raise MistakeError("must lie between -55 °C and 155 °C")


def _check_limits(
    nominal: float | None, tolerance: float | None, minimum: float | None, maximum: float | None
) -> None:
    wrong: list[tuple[str, str]] = []
    if nominal is None and minimum is None and maximum is None:
        wrong.append(("", "needs nominal and tolerance, or minimum and/or maximum"))
    if tolerance is not None and nominal is None:
        wrong.append(("tolerance", "of what: nominal is missing"))
    if tolerance is not None and (minimum is not None or maximum is not None):
        wrong.append(("tolerance", "and minimum or maximum: give one of them"))
    if nominal is not None and tolerance is None and minimum is None and maximum is None:
        wrong.append(("tolerance", "missing: a nominal value alone limits nothing"))
    if minimum is not None and maximum is not None and minimum >= maximum:
        wrong.append(("minimum", "must be below maximum"))
    elif nominal is not None:
        if minimum is not None and nominal < minimum:
            wrong.append(("nominal", "is below minimum"))
        if maximum is not None and nominal > maximum:
            wrong.append(("nominal", "is above maximum"))
    if wrong:
        raise MistakesError(wrong)


def _bounds(
    nominal: float | None, tolerance: float | None, minimum: float | None, maximum: float | None
) -> tuple[float | None, float | None]:
    if nominal is not None and tolerance is not None:
        return tolerance_bounds(nominal, tolerance)
    return minimum, maximum


@frozen(kw_only=True)
class _InductanceTable:
    nominal: float | None = field(default=None, metadata={"unit": "H", "check": _positive})
    tolerance: float | None = field(default=None, metadata={"unit": "%", "check": _fraction})
    minimum: float | None = field(default=None, metadata={"unit": "H", "check": _positive})
    maximum: float | None = field(default=None, metadata={"unit": "H", "check": _positive})
    frequency: float = field(metadata={"unit": "Hz", "check": _positive})
    level: float | None = field(default=None, metadata={"unit": "V", "check": _positive})

    def __attrs_post_init__(self) -> None:
        _check_limits(self.nominal, self.tolerance, self.minimum, self.maximum)


@frozen(kw_only=True)
class _ResistanceTable:
    nominal: float | None = field(default=None, metadata={"unit": "ohm", "check": _positive})
    tolerance: float | None = field(default=None, metadata={"unit": "%", "check": _fraction})
    minimum: float | None = field(default=None, metadata={"unit": "ohm", "check": _positive})
    maximum: float | None = field(default=None, metadata={"unit": "ohm", "check": _positive})
    temperature: float | None = field(default=None, metadata={"unit": "°C", "check": _ambient})

    def __attrs_post_init__(self) -> None:
        _check_limits(self.nominal, self.tolerance, self.minimum, self.maximum)


@frozen(kw_only=True)
class _SaturationTable:
    current: float = field(metadata={"unit": "A", "check": _positive})
    drop: float = field(metadata={"unit": "%", "check": _fraction})


@frozen(kw_only=True)
class _CoreTable:
    material: Material | None = None
    turns: int | None = field(default=None, metadata={"check": _turns})


@frozen(kw_only=True)
class _LimitsTable:
    inductance: tuple[_InductanceTable, ...] = field(default=(), metadata={"single": True})
    dc_resistance: tuple[_ResistanceTable, ...] = field(default=(), metadata={"single": True})
    saturation: _SaturationTable | None = None


@frozen(kw_only=True)
class _MaximumTable:
    current: float | None = field(default=None, metadata={"unit": "A", "check": _positive})


@frozen(kw_only=True)
class _CoilFile:
    schema: Literal[1]
    name: str = field(metadata={"check": _name})
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
                    *_bounds(t.nominal, t.tolerance, t.minimum, t.maximum),
                    t.frequency,
                    t.level,
                )
                for t in self.limits.inductance
            ),
            dc_resistance=tuple(
                ResistanceLimit(
                    t.nominal,
                    *_bounds(t.nominal, t.tolerance, t.minimum, t.maximum),
                    ASSUMED_RESISTANCE_TEMPERATURE_C if t.temperature is None else t.temperature,
                )
                for t in self.limits.dc_resistance
            ),
            saturation=None
            if self.limits.saturation is None
            else Saturation(self.limits.saturation.current, self.limits.saturation.drop),
            maximum_current_a=self.absolute_maximum.current,
            population=self.population,
            learned_from=self.learned_from,
            assumed=tuple(assumed),
            digest=digest,
        )
