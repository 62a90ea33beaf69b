"""Hold what an integrated power stage should be, and read it from a part type file.

Two switches and their driver in one package. `[pins]` says which pins have which role; limits stand
per step and path, in the words of `labbench.parts.stage_steps`.
"""

from __future__ import annotations

__all__ = ["StageLimit", "StageType", "read_stage_type"]

import hashlib
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal

from attrs import field, frozen

from labbench.files import MistakeError, MistakesError, load_toml, nearest
from labbench.parts.limit_tables import (
    ambient,
    check_limits,
    fraction,
    limit_bounds,
    part_name,
    positive,
)
from labbench.parts.stage_steps import PIN_ROLES, STEPS

_RANGE = re.compile(r"([0-9]{1,3})(?:\s*-\s*([0-9]{1,3}))?")
_NEEDED_ROLES = ("vin", "sw", "pgnd")
_DEFAULT_C = 25.0


@frozen
class StageLimit:
    """Hold the limits of one step and path in one state; units are the step's.

    `conditions` are what the step applies: `voltage_v`, `current_a`, `driver_v` where they matter.
    """

    step: str
    path: str
    lower: float | None
    upper: float | None
    state: Mapping[str, str] = field(factory=dict)
    conditions: Mapping[str, float] = field(factory=dict)
    temperature_c: float = _DEFAULT_C
    #: the middle, where the type gives one: the seating check compares patterns with it
    nominal: float | None = None

    @property
    def unit(self) -> str:
        """Tell the unit of the limits."""
        return STEPS[self.step].unit


@frozen(kw_only=True)
class StageType:
    """Hold the nominal data of a power stage. `digest` is the SHA-256 of its file's bytes."""

    name: str
    description: str = ""
    #: role -> numbers of its pins
    pins: Mapping[str, tuple[int, ...]] = field(factory=dict)
    limits: tuple[StageLimit, ...] = ()
    maximum_vin_v: float | None = None
    maximum_vdrv_v: float | None = None
    maximum_current_a: float | None = None
    #: what charges the bootstrap capacitor: a switch lets it droop while sw stays low
    bootstrap: Literal["diode", "switch"] = "diode"
    learned_from: tuple[str, ...] = ()
    assumed: tuple[str, ...] = ()
    digest: str = field(default="", eq=False)
    family: Literal["power-stage"] = field(default="power-stage", init=False)

    @property
    def has_limits(self) -> bool:
        """Tell whether the type limits anything at all."""
        return bool(self.limits)

    def limits_of(self, step: str, path: str | None = None) -> tuple[StageLimit, ...]:
        """Give the limits of a step, of one path or of all."""
        return tuple(
            limit
            for limit in self.limits
            if limit.step == step and (path is None or limit.path == path)
        )


def read_stage_type(path: Path) -> StageType:
    """Read a power stage's part type file; raise FileProblems with every problem at once."""
    raw = load_toml(path, _StageFile)
    return raw.to_stage_type(hashlib.sha256(path.read_bytes()).hexdigest())


# --- the file's tables ---------------------------------------------------------------------------


def _pin_numbers(value: Any) -> tuple[int, ...]:
    """Read "1-4, 33" as the pins 1, 2, 3, 4 and 33; a whole number is one pin."""
    if isinstance(value, int) and not isinstance(value, bool):
        value = str(value)
    if not isinstance(value, str):
        raise MistakeError("must be pin numbers such as '1-4, 33'")
    numbers: list[int] = []
    for piece in value.split(","):
        match = _RANGE.fullmatch(piece.strip())
        if match is None:
            raise MistakeError(f"{piece.strip()!r} is no pin number and no range such as 1-4")
        first, last = int(match[1]), int(match[2] or match[1])
        if not 1 <= first <= last:
            raise MistakeError(f"{piece.strip()!r}: pins are counted from 1, the smaller first")
        numbers += range(first, last + 1)
    return tuple(numbers)


def _roles(pins: Mapping[str, tuple[int, ...]]) -> None:
    wrong: list[tuple[str, str]] = []
    owner: dict[int, str] = {}
    for role, numbers in pins.items():
        if role not in PIN_ROLES:
            near = nearest(role, PIN_ROLES)
            more = f"; did you mean {near!r}?" if near else f": one of {', '.join(PIN_ROLES)}"
            wrong.append((role, f"there is no such role{more}"))
        for number in numbers:
            if number in owner:
                wrong.append((role, f"pin {number} is {owner[number]} already"))
            owner.setdefault(number, role)
    for role in _NEEDED_ROLES:
        if pins and role not in pins:
            wrong.append((role, "missing: nothing can be measured without it"))
    if wrong:
        raise MistakesError(wrong)


def _value(unit: str) -> dict[str, Any]:
    return {"unit": unit, "check": positive}


@frozen(kw_only=True)
class _ShortTable:
    path: Literal["vin-sw", "sw-pgnd", "vin-pgnd", "vdrv-pgnd", "boot-sw", "pwm-pgnd", "en-pgnd"]
    nominal: float | None = field(default=None, metadata=_value("ohm"))
    tolerance: float | None = field(default=None, metadata={"unit": "%", "check": fraction})
    minimum: float | None = field(default=None, metadata=_value("ohm"))
    maximum: float | None = field(default=None, metadata=_value("ohm"))
    polarity: Literal["+", "-"] = "+"

    def __attrs_post_init__(self) -> None:
        check_limits(self.nominal, self.tolerance, self.minimum, self.maximum)


@frozen(kw_only=True)
class _LeakageTable:
    path: Literal["vin-sw", "sw-pgnd", "vin-pgnd"]
    nominal: float | None = field(default=None, metadata=_value("A"))
    tolerance: float | None = field(default=None, metadata={"unit": "%", "check": fraction})
    minimum: float | None = field(default=None, metadata=_value("A"))
    maximum: float | None = field(default=None, metadata=_value("A"))
    voltage: float = field(metadata=_value("V"))
    temperature: float = field(default=_DEFAULT_C, metadata={"unit": "°C", "check": ambient})

    def __attrs_post_init__(self) -> None:
        check_limits(self.nominal, self.tolerance, self.minimum, self.maximum)


@frozen(kw_only=True)
class _DiodeTable:
    path: Literal["vin-sw", "sw-pgnd"]
    nominal: float | None = field(default=None, metadata=_value("V"))
    tolerance: float | None = field(default=None, metadata={"unit": "%", "check": fraction})
    minimum: float | None = field(default=None, metadata=_value("V"))
    maximum: float | None = field(default=None, metadata=_value("V"))
    current: float = field(metadata=_value("A"))
    temperature: float = field(default=_DEFAULT_C, metadata={"unit": "°C", "check": ambient})

    def __attrs_post_init__(self) -> None:
        check_limits(self.nominal, self.tolerance, self.minimum, self.maximum)


@frozen(kw_only=True)
class _DriverTable:
    drive: Literal["standby", "open", "low", "high"]
    nominal: float | None = field(default=None, metadata=_value("A"))
    tolerance: float | None = field(default=None, metadata={"unit": "%", "check": fraction})
    minimum: float | None = field(default=None, metadata=_value("A"))
    maximum: float | None = field(default=None, metadata=_value("A"))
    voltage: float = field(metadata=_value("V"))

    def __attrs_post_init__(self) -> None:
        check_limits(self.nominal, self.tolerance, self.minimum, self.maximum)


@frozen(kw_only=True)
class _UndervoltageTable:
    edge: Literal["rising", "falling"]
    nominal: float | None = field(default=None, metadata=_value("V"))
    tolerance: float | None = field(default=None, metadata={"unit": "%", "check": fraction})
    minimum: float | None = field(default=None, metadata=_value("V"))
    maximum: float | None = field(default=None, metadata=_value("V"))

    def __attrs_post_init__(self) -> None:
        check_limits(self.nominal, self.tolerance, self.minimum, self.maximum)


@frozen(kw_only=True)
class _PwmTable:
    nominal: float | None = field(default=None, metadata=_value("V"))
    tolerance: float | None = field(default=None, metadata={"unit": "%", "check": fraction})
    minimum: float | None = field(default=None, metadata=_value("V"))
    maximum: float | None = field(default=None, metadata=_value("V"))
    driver: float | None = field(default=None, metadata=_value("V"))

    def __attrs_post_init__(self) -> None:
        check_limits(self.nominal, self.tolerance, self.minimum, self.maximum)


@frozen(kw_only=True)
class _OnTable:
    path: Literal["vin-sw", "sw-pgnd"]
    nominal: float | None = field(default=None, metadata=_value("ohm"))
    tolerance: float | None = field(default=None, metadata={"unit": "%", "check": fraction})
    minimum: float | None = field(default=None, metadata=_value("ohm"))
    maximum: float | None = field(default=None, metadata=_value("ohm"))
    driver: float | None = field(default=None, metadata=_value("V"))
    current: float | None = field(default=None, metadata=_value("A"))
    temperature: float = field(default=_DEFAULT_C, metadata={"unit": "°C", "check": ambient})

    def __attrs_post_init__(self) -> None:
        check_limits(self.nominal, self.tolerance, self.minimum, self.maximum)


@frozen(kw_only=True)
class _LimitsTable:
    short: tuple[_ShortTable, ...] = field(default=(), metadata={"single": True})
    leakage: tuple[_LeakageTable, ...] = field(default=(), metadata={"single": True})
    body_diode: tuple[_DiodeTable, ...] = field(default=(), metadata={"single": True})
    driver_supply: tuple[_DriverTable, ...] = field(default=(), metadata={"single": True})
    undervoltage: tuple[_UndervoltageTable, ...] = field(default=(), metadata={"single": True})
    pwm_open: tuple[_PwmTable, ...] = field(default=(), metadata={"single": True})
    on_resistance: tuple[_OnTable, ...] = field(default=(), metadata={"single": True})

    def to_limits(self) -> tuple[StageLimit, ...]:
        leak_step = {"vin-sw": "hs-leak", "sw-pgnd": "ls-leak", "vin-pgnd": "vin-leak"}
        found = [_limit("short", t.path, t, {"polarity": t.polarity}) for t in self.short]
        found += [_limit(leak_step[t.path], t.path, t) for t in self.leakage]
        found += [_limit("body-diode", t.path, t) for t in self.body_diode]
        found += [
            _limit("driver-supply", "vdrv-pgnd", t, {"drive": t.drive}) for t in self.driver_supply
        ]
        found += [
            _limit("undervoltage", "vdrv-pgnd", t, {"edge": t.edge}) for t in self.undervoltage
        ]
        found += [_limit("pwm-open", "pwm", t) for t in self.pwm_open]
        found += [_limit("on-resistance", t.path, t) for t in self.on_resistance]
        return tuple(found)


def _limit(step: str, path: str, table: Any, state: Mapping[str, str] | None = None) -> StageLimit:
    lower, upper = limit_bounds(table.nominal, table.tolerance, table.minimum, table.maximum)
    conditions = {
        name: value
        for key, name in (
            ("voltage", "voltage_v"),
            ("current", "current_a"),
            ("driver", "driver_v"),
        )
        if (value := getattr(table, key, None)) is not None
    }
    return StageLimit(
        step, path, lower, upper, dict(state or {}), conditions,
        getattr(table, "temperature", _DEFAULT_C), table.nominal,
    )  # fmt: skip


@frozen(kw_only=True)
class _MaximumTable:
    vin: float | None = field(default=None, metadata=_value("V"))
    vdrv: float | None = field(default=None, metadata=_value("V"))
    current: float | None = field(default=None, metadata=_value("A"))


@frozen(kw_only=True)
class _StageFile:
    schema: Literal[1]
    name: str = field(metadata={"check": part_name})
    family: Literal["power-stage"]
    description: str = ""
    pins: dict[str, tuple[int, ...]] = field(
        factory=dict, metadata={"each": _pin_numbers, "check": _roles}
    )
    limits: _LimitsTable = field(factory=_LimitsTable)
    absolute_maximum: _MaximumTable = field(factory=_MaximumTable)
    bootstrap: Literal["diode", "switch"] = "diode"
    learned_from: tuple[str, ...] = ()
    assumed: tuple[str, ...] = ()

    def __attrs_post_init__(self) -> None:
        most = self.absolute_maximum
        wrong = [
            ("limits.leakage.voltage", f"is above the absolute maximum {most.vin:g} V of vin")
            for table in self.limits.leakage
            if most.vin is not None and table.voltage > most.vin
        ]
        wrong += [
            ("limits.driver_supply.voltage", f"is above the absolute maximum {most.vdrv:g} V")
            for table in self.limits.driver_supply
            if most.vdrv is not None and table.voltage > most.vdrv
        ]
        if wrong:
            raise MistakesError(wrong)

    def to_stage_type(self, digest: str) -> StageType:
        return StageType(
            name=self.name,
            description=self.description,
            pins=dict(self.pins),
            limits=self.limits.to_limits(),
            maximum_vin_v=self.absolute_maximum.vin,
            maximum_vdrv_v=self.absolute_maximum.vdrv,
            maximum_current_a=self.absolute_maximum.current,
            bootstrap=self.bootstrap,
            learned_from=self.learned_from,
            assumed=self.assumed,
            digest=digest,
        )
