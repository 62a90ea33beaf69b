"""Check the blocks of power switches, power stages and loads in a readings/1 line."""

from __future__ import annotations

__all__ = [
    "BodyDiodeEntry",
    "BreakdownEntry",
    "CapacitanceEntry",
    "DrainLeakageEntry",
    "GateLeakageEntry",
    "LoadEntry",
    "OnResistanceEntry",
    "ShortCheckEntry",
    "StageEntry",
    "ThresholdEntry",
    "no_entry_twice",
]

from collections.abc import Callable, Sequence
from typing import Any, Literal

from attrs import field, fields, frozen

from labbench.files import MistakeError, MistakesError
from labbench.records.readings_checks import (
    NO_UNCERTAINTY,
    UNCERTAINTY,
    not_negative,
    positive,
    status_mistake,
    text,
)
from labbench.results import (
    BodyDiode,
    Breakdown,
    Capacitance,
    DrainLeakage,
    GateLeakage,
    LoadReading,
    OnResistance,
    ShortCheck,
    StageReading,
    Status,
    Threshold,
    same_setting,
)


def _not_zero(value: float) -> None:
    if value == 0.0:
        raise MistakeError("must not be zero")


def _small_voltage(value: float) -> None:
    # above 0.3 V the inputs of a load begin to conduct
    if not 0.0 < value <= 0.5:
        raise MistakeError(f"a load is checked between 0 and 0.5 V, not at {value:g} V")


def _check(entry: Any, value: str, u: str | None, *, bound: bool = True) -> None:
    """Check a value against its uncertainty, its status and its bounds."""
    wrong: list[tuple[str, str]] = []
    number, status = getattr(entry, value), entry.status
    if (why := status_mistake(number, status)) is not None:
        wrong.append((value, why))
    elif number is not None and u is not None and getattr(entry, u) is None:
        wrong.append((u, NO_UNCERTAINTY))
    bounded = entry.greater_than is not None or entry.less_than is not None
    if bound and status == "over-range" and not bounded:
        wrong.append(("greater_than", "missing (or less_than): how far could the bench see"))
    if status != "over-range" and bounded:
        name = "greater_than" if entry.greater_than is not None else "less_than"
        wrong.append((name, f"a bound though the status is {status!r}"))
    if wrong:
        raise MistakesError(wrong)


def _given(entry: Any, suffix: str = "") -> dict[str, Any]:
    """Give the fields of an entry under the names of the shared data."""
    names = {"greater_than": f"greater_than{suffix}", "less_than": f"less_than{suffix}"}
    return {names.get(f.name, f.name): getattr(entry, f.name) for f in fields(type(entry))}


def _repeats(again: Any, earlier: Any) -> bool:
    """Tell whether these are the conditions of one setting: voltages differ by what leaks."""
    if isinstance(again, float) and isinstance(earlier, float):
        return same_setting(again, earlier)
    if isinstance(again, tuple) and isinstance(earlier, tuple) and len(again) == len(earlier):
        return all(map(_repeats, again, earlier))
    return bool(again == earlier)


def no_entry_twice(key: Callable[[Any], Any]) -> Callable[[Sequence[Any]], None]:
    """Make a check: the same conditions stand once, and again only as a stability check."""

    def check(entries: Sequence[Any]) -> None:
        seen: set[Any] = set()
        wrong: list[tuple[str, str]] = []
        for index, entry in enumerate(entries):
            conditions, repeat = key(entry), getattr(entry, "repeat", False)
            if repeat and not any(_repeats(conditions, earlier) for earlier in seen):
                wrong.append((f"[{index}].repeat", "repeats no earlier entry"))
            if not repeat and conditions in seen:
                can = hasattr(entry, "repeat")
                more = ': a check says "repeat": true' if can else ""
                wrong.append((f"[{index}]", f"the same conditions stand twice{more}"))
            seen.add(conditions)
        if wrong:
            raise MistakesError(wrong)

    return check


@frozen(kw_only=True)
class ShortCheckEntry:
    """Hold one short check as it stands in a file."""

    path: str = field(metadata={"check": text})
    resistance_ohm: float | None = field(metadata={"check": not_negative})
    u_ohm: float | None = field(default=None, metadata={"check": positive})
    polarity: Literal["+", "-"] = "+"
    status: Status = "ok"
    greater_than: float | None = field(default=None, metadata={"check": not_negative})
    less_than: float | None = field(default=None, metadata={"check": positive})

    def __attrs_post_init__(self) -> None:
        _check(self, "resistance_ohm", None)

    def to_block(self) -> ShortCheck:
        """Give the shared data."""
        return ShortCheck(**_given(self, "_ohm"))


@frozen(kw_only=True)
class GateLeakageEntry:
    """Hold one gate leakage as it stands in a file."""

    voltage_v: float = field(metadata={"check": _not_zero})
    current_a: float | None
    u_current_a: float | None = field(default=None, metadata={"check": positive})
    repeat: bool = False
    method: str | None = field(default=None, metadata={"check": text})
    status: Status = "ok"
    greater_than: float | None = field(default=None, metadata={"check": not_negative})
    less_than: float | None = field(default=None, metadata={"check": positive})

    def __attrs_post_init__(self) -> None:
        _check(self, "current_a", "u_current_a")

    def to_block(self) -> GateLeakage:
        """Give the shared data."""
        return GateLeakage(**_given(self, "_a"))


@frozen(kw_only=True)
class DrainLeakageEntry:
    """Hold one drain leakage as it stands in a file."""

    voltage_v: float = field(metadata={"check": positive})
    current_a: float | None
    u_current_a: float | None = field(default=None, metadata={"check": positive})
    repeat: bool = False
    method: str | None = field(default=None, metadata={"check": text})
    status: Status = "ok"
    greater_than: float | None = field(default=None, metadata={"check": not_negative})
    less_than: float | None = field(default=None, metadata={"check": positive})

    def __attrs_post_init__(self) -> None:
        _check(self, "current_a", "u_current_a")

    def to_block(self) -> DrainLeakage:
        """Give the shared data."""
        return DrainLeakage(**_given(self, "_a"))


@frozen(kw_only=True)
class _VoltageEntry:
    current_a: float = field(metadata={"check": positive})
    voltage_v: float | None
    u_voltage_v: float | None = field(default=None, metadata={"check": positive})
    status: Status = "ok"
    greater_than: float | None = field(default=None, metadata={"check": not_negative})
    less_than: float | None = field(default=None, metadata={"check": positive})

    def __attrs_post_init__(self) -> None:
        _check(self, "voltage_v", "u_voltage_v")


@frozen(kw_only=True)
class BodyDiodeEntry(_VoltageEntry):
    """Hold one forward voltage as it stands in a file."""

    def to_block(self) -> BodyDiode:
        """Give the shared data."""
        return BodyDiode(**_given(self, "_v"))


@frozen(kw_only=True)
class ThresholdEntry(_VoltageEntry):
    """Hold one threshold as it stands in a file."""

    def to_block(self) -> Threshold:
        """Give the shared data."""
        return Threshold(**_given(self, "_v"))


@frozen(kw_only=True)
class BreakdownEntry(_VoltageEntry):
    """Hold one breakdown voltage as it stands in a file."""

    def to_block(self) -> Breakdown:
        """Give the shared data."""
        return Breakdown(**_given(self, "_v"))


@frozen(kw_only=True)
class OnResistanceEntry:
    """Hold one on-resistance as it stands in a file."""

    gate_source_v: float = field(metadata={"check": positive})
    current_a: float | None = field(default=None, metadata={"check": positive})
    value_ohm: float | None
    u_ohm: float | None = field(default=None, metadata={"check": positive})
    status: Status = "ok"
    greater_than: float | None = field(default=None, metadata={"check": not_negative})
    less_than: float | None = field(default=None, metadata={"check": positive})

    def __attrs_post_init__(self) -> None:
        _check(self, "value_ohm", "u_ohm")

    def to_block(self) -> OnResistance:
        """Give the shared data."""
        return OnResistance(**_given(self, "_ohm"))


@frozen(kw_only=True)
class CapacitanceEntry:
    """Hold one capacitance as it stands in a file."""

    path: str = field(metadata={"check": text})
    frequency_hz: float = field(metadata={"check": positive})
    capacitance_f: float = field(metadata={"check": positive})
    dissipation: float
    u_capacitance_f: float = field(metadata={"check": positive, "missing": UNCERTAINTY})
    u_dissipation: float = field(metadata={"check": positive, "missing": UNCERTAINTY})

    def to_block(self) -> Capacitance:
        """Give the shared data."""
        return Capacitance(**_given(self))


def _state(value: Any) -> float | str:
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise MistakeError("must be a number or a word")
    if isinstance(value, str):
        text(value)
        return value
    return float(value)


@frozen(kw_only=True)
class StageEntry:
    """Hold one reading of a power stage as it stands in a file."""

    step: str = field(metadata={"check": text})
    path: str = field(metadata={"check": text})
    state: dict[str, Any] = field(factory=dict, metadata={"each": _state})
    value: float | None
    unit: Literal["A", "V", "ohm"]
    u: float | None = field(default=None, metadata={"check": positive})
    repeat: bool = False
    status: Status = "ok"
    greater_than: float | None = None
    less_than: float | None = None

    def __attrs_post_init__(self) -> None:
        _check(self, "value", "u")

    def to_block(self) -> StageReading:
        """Give the shared data."""
        return StageReading(**_given(self))


@frozen(kw_only=True)
class LoadEntry:
    """Hold one current of a load as it stands in a file."""

    voltage_v: float = field(metadata={"check": _small_voltage})
    current_a: float | None
    u_current_a: float | None = field(default=None, metadata={"check": positive})
    u_voltage_v: float | None = field(default=None, metadata={"check": positive})
    repeat: bool = False
    method: str | None = field(default=None, metadata={"check": text})
    status: Status = "ok"
    greater_than: float | None = field(default=None, metadata={"check": not_negative})
    less_than: float | None = field(default=None, metadata={"check": positive})

    def __attrs_post_init__(self) -> None:
        _check(self, "current_a", "u_current_a")

    def to_block(self) -> LoadReading:
        """Give the shared data."""
        return LoadReading(**_given(self, "_a"))
