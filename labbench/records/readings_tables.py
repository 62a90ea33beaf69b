"""Check the tables of a readings/1 line and turn them into the shared data.

A value without its uncertainty decides nothing, so it is refused. A value that could not be had is
null with a status and, where it was out of range, the bound that the instrument could see.
"""

from __future__ import annotations

__all__ = ["ReadingsTable"]

import math
from collections.abc import Callable, Iterable, Sequence
from typing import Any, Literal

from attrs import field, frozen

from labbench.files import MistakesError
from labbench.records.readings_checks import (
    NO_UNCERTAINTY,
    UNCERTAINTY,
    not_negative,
    positive,
    status_mistake,
    temperature,
    text,
)
from labbench.records.switch_tables import (
    BodyDiodeEntry,
    BreakdownEntry,
    CapacitanceEntry,
    DrainLeakageEntry,
    GateLeakageEntry,
    LoadEntry,
    OnResistanceEntry,
    ShortCheckEntry,
    StageEntry,
    ThresholdEntry,
    no_entry_twice,
)
from labbench.results import (
    BiasPoint,
    Contact,
    DcResistance,
    Impedance,
    Insulation,
    Readings,
    Role,
    Status,
    Visual,
)

#: a resistance this many uncertainties below zero comes from swapped leads, not from noise
_ABSURD_UNCERTAINTIES = 10.0

_Wrong = list[tuple[str, str]]


def _at(name: str, indices: Sequence[int], message: str) -> tuple[str, str]:
    """Name the first of many entries; a long array has one mistake made many times."""
    more = f" (and {len(indices) - 1} more)" if len(indices) > 1 else ""
    return f"{name}[{indices[0]}]", message + more


def _where(values: Iterable[Any], wrong: Callable[[Any], bool]) -> list[int]:
    return [index for index, value in enumerate(values) if wrong(value)]


@frozen(kw_only=True)
class _ImpedanceTable:
    frequency_hz: tuple[float, ...]
    resistance_ohm: tuple[float | None, ...]
    reactance_ohm: tuple[float | None, ...]
    u_resistance_ohm: tuple[float | None, ...] = field(metadata={"missing": UNCERTAINTY})
    u_reactance_ohm: tuple[float | None, ...] = field(metadata={"missing": UNCERTAINTY})
    u_gain_relative: tuple[float, ...] | None = None
    status: tuple[Status, ...] | None = None
    greater_than: tuple[float | None, ...] | None = None

    def __attrs_post_init__(self) -> None:
        wrong: _Wrong = []
        count = len(self.frequency_hz)
        if count == 0:
            wrong.append(("frequency_hz", "is empty: leave the block out if nothing was measured"))
        for name in _IMPEDANCE_ARRAYS:
            values = getattr(self, name)
            if values is not None and len(values) != count:
                wrong.append((name, f"has {len(values)} entries for {count} frequencies"))
        if wrong:
            raise MistakesError(wrong)
        wrong += self._wrong_frequencies()
        wrong += self._wrong_uncertainties()
        wrong += self._wrong_values()
        if wrong:
            raise MistakesError(wrong)

    def _wrong_frequencies(self) -> _Wrong:
        if bad := _where(self.frequency_hz, lambda hz: hz <= 0):
            return [_at("frequency_hz", bad, "must be above zero")]
        seen: set[float] = set()
        twice = []
        for index, hz in enumerate(self.frequency_hz):
            if hz in seen:
                twice.append(index)
            seen.add(hz)
        if twice:
            hz = self.frequency_hz[twice[0]]
            return [_at("frequency_hz", twice, f"{hz:g} Hz stands twice")]
        return []

    def _wrong_uncertainties(self) -> _Wrong:
        wrong: _Wrong = []
        for name in ("u_resistance_ohm", "u_reactance_ohm"):
            if bad := _where(getattr(self, name), lambda u: u is not None and u <= 0):
                value = getattr(self, name)[bad[0]]
                wrong.append(_at(name, bad, f"an uncertainty is above zero, not {value:g}"))
        if self.u_gain_relative is not None and (
            bad := _where(self.u_gain_relative, lambda u: not 0 <= u < 1)
        ):
            wrong.append(_at("u_gain_relative", bad, "must lie between 0 and 1"))
        if self.greater_than is not None and (
            bad := _where(self.greater_than, lambda bound: bound is not None and bound < 0)
        ):
            wrong.append(_at("greater_than", bad, "must not be negative"))
        return wrong

    def _wrong_values(self) -> _Wrong:
        found: dict[tuple[str, str], list[int]] = {}

        def note(name: str, message: str, index: int) -> None:
            found.setdefault((name, message), []).append(index)

        for index in range(len(self.frequency_hz)):
            status = "ok" if self.status is None else self.status[index]
            bound = None if self.greater_than is None else self.greater_than[index]
            pairs = (
                ("resistance_ohm", self.resistance_ohm[index], self.u_resistance_ohm[index]),
                ("reactance_ohm", self.reactance_ohm[index], self.u_reactance_ohm[index]),
            )
            for name, value, u in pairs:
                if (why := status_mistake(value, status)) is not None:
                    note(name, why, index)
                elif value is not None and u is None:
                    note(f"u_{name}", NO_UNCERTAINTY, index)
            if status == "over-range" and bound is None:
                note("greater_than", "missing: how far could the meter see", index)
            if status != "over-range" and bound is not None:
                note("greater_than", f"a bound at a point whose status is {status!r}", index)
            if _absurd(*pairs[0][1:], reactance=pairs[1][1]):
                note(
                    "resistance_ohm", "negative far beyond its uncertainty: check the leads", index
                )
        return [_at(name, indices, message) for (name, message), indices in found.items()]

    def to_impedance(self) -> Impedance:
        """Give the sweep with its frequencies ascending."""
        order = sorted(range(len(self.frequency_hz)), key=self.frequency_hz.__getitem__)

        def ordered(values: tuple[Any, ...] | None) -> Any:
            return None if values is None else tuple(values[index] for index in order)

        return Impedance(
            frequency_hz=ordered(self.frequency_hz),
            resistance_ohm=ordered(self.resistance_ohm),
            reactance_ohm=ordered(self.reactance_ohm),
            u_resistance_ohm=ordered(self.u_resistance_ohm),
            u_reactance_ohm=ordered(self.u_reactance_ohm),
            u_gain_relative=ordered(self.u_gain_relative),
            status=ordered(self.status),
            greater_than_ohm=ordered(self.greater_than),
        )


_IMPEDANCE_ARRAYS = (
    "resistance_ohm", "reactance_ohm", "u_resistance_ohm", "u_reactance_ohm", "u_gain_relative",
    "status", "greater_than",
)  # fmt: skip


def _absurd(value: float | None, u: float | None, *, reactance: float | None = None) -> bool:
    if value is None or u is None or value >= -_ABSURD_UNCERTAINTIES * u:
        return False
    # a small negative part of a large reactance is a phase error, which the judge weighs
    return reactance is None or -value > 0.2 * math.hypot(value, reactance)


@frozen(kw_only=True)
class _ContactTable:
    u_resistance_ohm: float = field(metadata={"check": not_negative})
    u_inductance_h: float = field(metadata={"check": not_negative})


@frozen(kw_only=True)
class _DcResistanceTable:
    value_ohm: float | None
    u_ohm: float | None = field(default=None, metadata={"check": positive})
    temperature_c: float | None = field(default=None, metadata={"check": temperature})
    u_temperature_c: float | None = field(default=None, metadata={"check": not_negative})
    dof: float | None = field(default=None, metadata={"check": positive})
    method: str | None = field(default=None, metadata={"check": text})
    current_a: float | None = field(default=None, metadata={"check": positive})
    status: Status = "ok"
    greater_than: float | None = field(default=None, metadata={"check": not_negative})
    less_than: float | None = field(default=None, metadata={"check": positive})

    def __attrs_post_init__(self) -> None:
        wrong: _Wrong = []
        if (why := status_mistake(self.value_ohm, self.status)) is not None:
            wrong.append(("value_ohm", why))
        elif self.value_ohm is not None and self.u_ohm is None:
            wrong.append(("u_ohm", NO_UNCERTAINTY))
        bounded = self.greater_than is not None or self.less_than is not None
        if self.status == "over-range" and not bounded:
            wrong.append(("greater_than", "missing (or less_than): how far could the bench see"))
        if self.status != "over-range" and bounded:
            name = "greater_than" if self.greater_than is not None else "less_than"
            wrong.append((name, f"a bound though the status is {self.status!r}"))
        if _absurd(self.value_ohm, self.u_ohm):
            wrong.append(("value_ohm", "negative far beyond its uncertainty: check the leads"))
        if wrong:
            raise MistakesError(wrong)

    def to_dc_resistance(self, temperature_c: float | None) -> DcResistance:
        return DcResistance(
            value_ohm=self.value_ohm,
            u_ohm=self.u_ohm,
            temperature_c=temperature_c if self.temperature_c is None else self.temperature_c,
            u_temperature_c=self.u_temperature_c,
            dof=self.dof,
            method=self.method,
            current_a=self.current_a,
            status=self.status,
            greater_than_ohm=self.greater_than,
            less_than_ohm=self.less_than,
        )


@frozen(kw_only=True)
class _BiasEntry:
    current_a: float = field(metadata={"check": not_negative})
    inductance_h: float = field(metadata={"check": positive})
    u_inductance_h: float = field(metadata={"check": positive, "missing": UNCERTAINTY})
    repeat: bool = False
    u_ratio_relative: float | None = field(default=None, metadata={"check": positive})

    def to_bias_point(self) -> BiasPoint:
        return BiasPoint(
            self.current_a, self.inductance_h, self.u_inductance_h, self.repeat,
            self.u_ratio_relative,
        )  # fmt: skip


@frozen(kw_only=True)
class _InsulationEntry:
    voltage_v: float = field(metadata={"check": positive})
    resistance_ohm: float | None
    u_ohm: float | None = field(default=None, metadata={"check": positive})
    path: str = field(default="winding-core", metadata={"check": text})
    status: Status = "ok"
    greater_than: float | None = field(default=None, metadata={"check": not_negative})
    less_than: float | None = field(default=None, metadata={"check": positive})

    def __attrs_post_init__(self) -> None:
        wrong: _Wrong = []
        if (why := status_mistake(self.resistance_ohm, self.status)) is not None:
            wrong.append(("resistance_ohm", why))
        elif self.resistance_ohm is not None and self.u_ohm is None:
            wrong.append(("u_ohm", NO_UNCERTAINTY))
        if _absurd(self.resistance_ohm, self.u_ohm):
            wrong.append(("resistance_ohm", "negative far beyond its uncertainty: check the leads"))
        bounded = self.greater_than is not None or self.less_than is not None
        if self.status == "over-range" and not bounded:
            wrong.append(("greater_than", "missing (or less_than): how far could the bench see"))
        if self.status != "over-range" and bounded:
            name = "greater_than" if self.greater_than is not None else "less_than"
            wrong.append((name, f"a bound though the status is {self.status!r}"))
        if wrong:
            raise MistakesError(wrong)

    def to_insulation(self) -> Insulation:
        return Insulation(
            voltage_v=self.voltage_v,
            resistance_ohm=self.resistance_ohm,
            u_ohm=self.u_ohm,
            path=self.path,
            status=self.status,
            greater_than_ohm=self.greater_than,
            less_than_ohm=self.less_than,
        )


def _repeats(entries: tuple[_BiasEntry, ...]) -> None:
    """Check that a current stands once, and again only as a later stability check."""
    seen: set[float] = set()
    for index, entry in enumerate(entries):
        if entry.repeat and entry.current_a not in seen:
            raise MistakesError([(f"[{index}].repeat", "repeats no earlier entry")])
        if not entry.repeat and entry.current_a in seen:
            raise MistakesError(
                [
                    (
                        f"[{index}].current_a",
                        f'{entry.current_a:g} A stands twice: a check says "repeat": true',
                    )
                ]
            )
        seen.add(entry.current_a)


@frozen(kw_only=True)
class _VisualTable:
    seen: Literal["fine", "discoloured", "cracked", "bulged", "not-looked"]


@frozen(kw_only=True)
class ReadingsTable:
    """Hold one readings/1 line as it stands in a file."""

    schema: Literal["readings/1"]
    specimen: str = field(metadata={"check": text})
    type: str = field(metadata={"check": text})
    lot: str | None = field(default=None, metadata={"check": text})
    role: Role = "test"
    temperature_c: float | None = field(default=None, metadata={"check": temperature})
    session: str | None = field(default=None, metadata={"check": text})
    operator: str | None = field(default=None, metadata={"check": text})
    impedance: _ImpedanceTable | None = None
    contact: _ContactTable | None = None
    dc_resistance: _DcResistanceTable | None = None
    bias: tuple[_BiasEntry, ...] = field(default=(), metadata={"check": _repeats})
    insulation: tuple[_InsulationEntry, ...] = field(
        default=(), metadata={"check": no_entry_twice(lambda e: (e.path, e.voltage_v))}
    )
    visual: _VisualTable | None = None
    cleaned: bool | None = None
    short_check: tuple[ShortCheckEntry, ...] = field(
        default=(), metadata={"check": no_entry_twice(lambda e: (e.path, e.polarity))}
    )
    gate_leakage: tuple[GateLeakageEntry, ...] = field(
        default=(), metadata={"check": no_entry_twice(lambda e: e.voltage_v)}
    )
    drain_leakage: tuple[DrainLeakageEntry, ...] = field(
        default=(), metadata={"check": no_entry_twice(lambda e: e.voltage_v)}
    )
    body_diode: tuple[BodyDiodeEntry, ...] = field(
        default=(), metadata={"check": no_entry_twice(lambda e: e.current_a)}
    )
    threshold: tuple[ThresholdEntry, ...] = field(
        default=(), metadata={"check": no_entry_twice(lambda e: e.current_a)}
    )
    on_resistance: tuple[OnResistanceEntry, ...] = field(
        default=(), metadata={"check": no_entry_twice(lambda e: (e.gate_source_v, e.current_a))}
    )
    breakdown: tuple[BreakdownEntry, ...] = field(
        default=(), metadata={"check": no_entry_twice(lambda e: e.current_a)}
    )
    capacitance: tuple[CapacitanceEntry, ...] = field(
        default=(), metadata={"check": no_entry_twice(lambda e: (e.path, e.frequency_hz))}
    )
    stage: tuple[StageEntry, ...] = field(
        default=(),
        metadata={
            "check": no_entry_twice(
                lambda e: (e.step, e.path, e.unit, tuple(sorted(e.state.items())))
            )
        },
    )
    board: str | None = field(default=None, metadata={"check": text})
    rail: str | None = field(default=None, metadata={"check": text})
    load: tuple[LoadEntry, ...] = field(
        default=(), metadata={"check": no_entry_twice(lambda e: e.voltage_v)}
    )

    def __attrs_post_init__(self) -> None:
        wrong: _Wrong = []
        if self.role == "good" and not self.load:
            wrong.append(("role", "'good' belongs to a load: a reference part is a 'sibling'"))
        if self.load:
            for name in ("board", "rail"):
                if getattr(self, name) is None:
                    wrong.append((name, "missing: a load belongs to a rail of a type of board"))
        if wrong:
            raise MistakesError(wrong)

    def to_readings(self, line: int | None = None) -> Readings:
        """Give the shared data; `line` is where it stands in its file."""
        return Readings(
            specimen=self.specimen,
            type=self.type,
            lot=self.lot,
            role=self.role,
            temperature_c=self.temperature_c,
            session=self.session,
            impedance=None if self.impedance is None else self.impedance.to_impedance(),
            contact=None
            if self.contact is None
            else Contact(self.contact.u_resistance_ohm, self.contact.u_inductance_h),
            dc_resistance=None
            if self.dc_resistance is None
            else self.dc_resistance.to_dc_resistance(self.temperature_c),
            bias=tuple(entry.to_bias_point() for entry in self.bias),
            insulation=tuple(entry.to_insulation() for entry in self.insulation),
            visual=None if self.visual is None else Visual(self.visual.seen),
            operator=self.operator,
            cleaned=self.cleaned,
            short_check=tuple(entry.to_block() for entry in self.short_check),
            gate_leakage=tuple(entry.to_block() for entry in self.gate_leakage),
            drain_leakage=tuple(entry.to_block() for entry in self.drain_leakage),
            body_diode=tuple(entry.to_block() for entry in self.body_diode),
            threshold=tuple(entry.to_block() for entry in self.threshold),
            on_resistance=tuple(entry.to_block() for entry in self.on_resistance),
            breakdown=tuple(entry.to_block() for entry in self.breakdown),
            capacitance=tuple(entry.to_block() for entry in self.capacitance),
            stage=tuple(entry.to_block() for entry in self.stage),
            board=self.board,
            rail=self.rail,
            load=tuple(entry.to_block() for entry in self.load),
            line=line,
        )
