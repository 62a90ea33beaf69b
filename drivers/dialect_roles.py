"""Say what a dialect must spell for each role, and load it."""

from __future__ import annotations

__all__ = [
    "FunctionCommands",
    "ImpedanceMeterCommands",
    "ImpedanceMeterDialect",
    "ImpedanceMeterReadback",
    "ImpedanceMeterTiming",
    "MultimeterCommands",
    "MultimeterDialect",
    "MultimeterRanges",
    "MultimeterReadback",
    "MultimeterTiming",
    "Quantity",
    "ReadingStatus",
    "SupplyCommands",
    "SupplyConditionBits",
    "SupplyDialect",
    "SupplyReadback",
    "SupplyTiming",
    "SwitchCommands",
    "SwitchDialect",
    "SwitchTiming",
    "Words",
    "load_dialect",
]

import hashlib
from pathlib import Path
from typing import Literal, TypeVar

from attrs import field, frozen

from drivers.dialect import (
    CommonCommands,
    Dialect,
    DialectFile,
    Query,
    Timing,
    command,
    factor,
    query,
    resolution,
    seconds,
    shipped_dialects,
)
from labbench.errors import FileProblems, Problem
from labbench.files import MistakeError, MistakesError, load_toml, nearest, read_toml

D = TypeVar("D", bound=Dialect)

#: What the two numbers of an impedance reading may be.
Quantity = Literal["r-x", "z-phase-degrees", "z-phase-radians", "ls-q", "ls-d"]
ReadingStatus = Literal["ok", "over-range", "unstable"]
Words = tuple[str, ...]


def _words() -> dict[str, object]:
    """Check a field that lists the spellings of one word; the first is the usual one."""

    def check(words: Words) -> None:
        if not words:
            raise MistakeError("needs at least one spelling")
        if bad := [word for word in words if not (word.isascii() and word.isprintable() and word)]:
            raise MistakeError(f"{bad[0]!r} is no printable ASCII text")

    return {"check": check}


# --- impedance meter -----------------------------------------------------------------------------


@frozen(kw_only=True)
class ImpedanceMeterCommands(CommonCommands):
    """Hold the spelling of an LCR meter's commands."""

    set_quantity: str = field(metadata=command())
    quantity: Query = field(metadata=query("word", "string"))
    set_frequency: str = field(metadata=command("frequency_hz"))
    frequency: Query = field(metadata=query("number"))
    lowest_frequency: Query = field(metadata=query("number"))
    highest_frequency: Query = field(metadata=query("number"))
    set_level: str = field(metadata=command("level_v"))
    level: Query = field(metadata=query("number"))
    set_aperture: str = field(metadata=command("aperture_s"))
    aperture: Query = field(metadata=query("number"))
    set_averages: str = field(metadata=command("averages"))
    averages: Query = field(metadata=query("integer", "number"))
    set_own_correction_off: str | None = field(metadata=command(), default=None)
    own_correction: Query | None = field(metadata=query("boolean"), default=None)
    set_range_automatic: str | None = field(metadata=command(), default=None)
    range_automatic: Query | None = field(metadata=query("boolean"), default=None)
    set_trigger_immediate: str = field(metadata=command())
    trigger_source: Query = field(metadata=query("word", "string"))
    reading: Query = field(metadata=query("number, number, integer", "number, number"))

    def __attrs_post_init__(self) -> None:
        _come_in_pairs(
            own_correction=(self.set_own_correction_off, self.own_correction),
            range_automatic=(self.set_range_automatic, self.range_automatic),
        )


@frozen(kw_only=True)
class ImpedanceMeterTiming(Timing):
    """Hold how long a reading may take: see `impedance_meter.reading_deadline_s`."""

    reading_factor: float = field(metadata=factor(1, 100))
    reading_margin: float = field(metadata=seconds(0.05, 60))
    settling_periods: float = field(metadata=factor(0, 10_000))


@frozen(kw_only=True)
class ImpedanceMeterReadback:
    """Hold how far a setting may read back from what was set."""

    relative: float = field(metadata=factor(0, 0.1))
    frequency: float = field(metadata=resolution("Hz"))
    level: float = field(metadata=resolution("V"))
    aperture: float = field(metadata=resolution("s"))


@frozen(kw_only=True)
class ImpedanceMeterDialect(Dialect):
    """Hold the dialect of an LCR meter."""

    role: Literal["impedance_meter"]
    commands: ImpedanceMeterCommands
    timing: ImpedanceMeterTiming
    readback: ImpedanceMeterReadback
    quantity: Quantity
    quantity_words: Words = field(metadata=_words())
    immediate_trigger_words: Words = field(metadata=_words())
    reading_status: dict[str, ReadingStatus] = field(factory=dict)

    def __attrs_post_init__(self) -> None:
        mistakes = [
            (f"reading_status.{code}", "must be named by the number that the meter gives")
            for code in self.reading_status
            if not code.isdigit()
        ]
        has_status = self.commands.reading.shape.kinds[2:] == ("integer",)
        if has_status and "ok" not in self.reading_status.values():
            mistakes.append(("reading_status", "no number means ok, so no reading would be good"))
        if mistakes:
            raise MistakesError(mistakes)


# --- supply --------------------------------------------------------------------------------------

_CHANNEL = ("channel",)


@frozen(kw_only=True)
class SupplyCommands(CommonCommands):
    """Hold the spelling of a bench supply's commands; `{channel}` selects within the message."""

    select_channel: str | None = field(metadata=command("channel"), default=None)
    selected_channel: Query | None = field(metadata=query("integer"), default=None)
    set_voltage: str = field(metadata=command("voltage_v", optional=_CHANNEL))
    voltage: Query = field(metadata=query("number", optional=_CHANNEL))
    set_current: str = field(metadata=command("current_a", optional=_CHANNEL))
    current: Query = field(metadata=query("number", optional=_CHANNEL))
    set_over_voltage: str = field(metadata=command("over_voltage_v", optional=_CHANNEL))
    over_voltage: Query = field(metadata=query("number", optional=_CHANNEL))
    over_voltage_tripped: Query | None = field(
        metadata=query("boolean", optional=_CHANNEL), default=None
    )
    clear_over_voltage_trip: str | None = field(metadata=command(optional=_CHANNEL), default=None)
    switch_on: str = field(metadata=command(optional=_CHANNEL))
    switch_off: str = field(metadata=command(optional=_CHANNEL))
    is_on: Query = field(metadata=query("boolean", optional=_CHANNEL))
    read_voltage: Query = field(metadata=query("number", optional=_CHANNEL))
    read_current: Query = field(metadata=query("number", optional=_CHANNEL))
    condition: Query | None = field(metadata=query("integer", optional=_CHANNEL), default=None)
    set_watchdog_delay: str | None = field(metadata=command("seconds"), default=None)
    watchdog_delay: Query | None = field(metadata=query("number"), default=None)
    set_watchdog_on: str | None = field(metadata=command(), default=None)
    set_watchdog_off: str | None = field(metadata=command(), default=None)
    watchdog: Query | None = field(metadata=query("boolean"), default=None)

    def __attrs_post_init__(self) -> None:
        _come_in_pairs(
            watchdog_delay=(self.set_watchdog_delay, self.watchdog_delay),
            set_watchdog_on=(self.set_watchdog_delay, self.set_watchdog_on),
            set_watchdog_off=(self.set_watchdog_on, self.set_watchdog_off),
            watchdog=(self.set_watchdog_on, self.watchdog),
            selected_channel=(self.select_channel, self.selected_channel),
            clear_over_voltage_trip=(self.over_voltage_tripped, self.clear_over_voltage_trip),
        )


@frozen(kw_only=True)
class SupplyTiming(Timing):
    """Hold how long a read back of the output may take, and an off (s)."""

    reading: float = field(metadata=seconds(0.05, 60))
    off: float = field(metadata=seconds(0.02, 5))


@frozen(kw_only=True)
class SupplyReadback:
    """Hold how far a setting may read back from what was set."""

    relative: float = field(metadata=factor(0, 0.1))
    voltage: float = field(metadata=resolution("V"))
    current: float = field(metadata=resolution("A"))
    over_voltage: float = field(metadata=resolution("V"))


@frozen(kw_only=True)
class SupplyConditionBits:
    """Hold which bits of the condition register tell the mode of the output."""

    constant_current: int
    constant_voltage: int

    def __attrs_post_init__(self) -> None:
        mistakes = [
            (name, "is a bit number, 0 to 15")
            for name in ("constant_current", "constant_voltage")
            if not 0 <= getattr(self, name) <= 15
        ]
        if mistakes:
            raise MistakesError(mistakes)


@frozen(kw_only=True)
class SupplyDialect(Dialect):
    """Hold the dialect of a bench supply."""

    role: Literal["supply"]
    commands: SupplyCommands
    timing: SupplyTiming
    readback: SupplyReadback
    condition_bits: SupplyConditionBits | None = None

    def __attrs_post_init__(self) -> None:
        if (self.condition_bits is None) != (self.commands.condition is None):
            raise MistakesError([("condition_bits", "comes together with commands.condition")])

    @property
    def names_channels(self) -> bool:
        """Tell whether every command says which channel it means."""
        commands = self.commands
        templates = [
            commands.set_voltage, commands.voltage.send, commands.set_current,
            commands.current.send, commands.set_over_voltage, commands.over_voltage.send,
            commands.switch_on, commands.switch_off, commands.is_on.send,
            commands.read_voltage.send, commands.read_current.send,
        ]  # fmt: skip
        for more in (commands.over_voltage_tripped, commands.condition):
            templates += [more.send] if more is not None else []
        if commands.clear_over_voltage_trip is not None:
            templates.append(commands.clear_over_voltage_trip)
        return all("{channel}" in template for template in templates)


# --- multimeter ----------------------------------------------------------------------------------


@frozen(kw_only=True)
class FunctionCommands:
    """Hold the spelling of one function of a multimeter."""

    configure: str = field(metadata=command())
    words: Words = field(metadata=_words())
    set_range: str = field(metadata=command("range"))
    range: Query = field(metadata=query("number"))
    set_range_automatic: str = field(metadata=command())
    range_automatic: Query = field(metadata=query("boolean"))
    set_integration: str = field(metadata=command("periods"))
    integration: Query = field(metadata=query("number"))


@frozen(kw_only=True)
class MultimeterCommands(CommonCommands):
    """Hold the spelling of a multimeter's commands."""

    function: Query = field(metadata=query("string", "word"))
    dc_voltage: FunctionCommands
    resistance: FunctionCommands
    four_wire_resistance: FunctionCommands
    set_trigger_immediate: str = field(metadata=command())
    trigger_source: Query = field(metadata=query("word", "string"))
    reading: Query = field(metadata=query("number"))


@frozen(kw_only=True)
class MultimeterTiming(Timing):
    """Hold how long a reading may take: see `multimeter.reading_deadline_s`."""

    reading_factor: float = field(metadata=factor(1, 100))
    reading_margin: float = field(metadata=seconds(0.05, 60))


@frozen(kw_only=True)
class MultimeterRanges:
    """Hold the ranges of a multimeter, ascending."""

    dc_voltage: tuple[float, ...] = field(metadata={"unit": "V"})
    resistance: tuple[float, ...] = field(metadata={"unit": "ohm"})

    def __attrs_post_init__(self) -> None:
        mistakes = [
            (name, "must list ranges above zero, ascending")
            for name in ("dc_voltage", "resistance")
            if not (values := getattr(self, name))
            or list(values) != sorted(set(values))
            or values[0] <= 0
        ]
        if mistakes:
            raise MistakesError(mistakes)


@frozen(kw_only=True)
class MultimeterReadback:
    """Hold how far range and integration time may read back from what was set."""

    relative: float = field(metadata=factor(0, 0.1))


@frozen(kw_only=True)
class MultimeterDialect(Dialect):
    """Hold the dialect of a multimeter."""

    role: Literal["multimeter"]
    commands: MultimeterCommands
    timing: MultimeterTiming
    readback: MultimeterReadback
    ranges: MultimeterRanges
    immediate_trigger_words: Words = field(metadata=_words())


# --- relay switch --------------------------------------------------------------------------------


@frozen(kw_only=True)
class SwitchCommands(CommonCommands):
    """Hold the spelling of a relay switch's commands."""

    close_channels: str = field(metadata=command("channels"))
    open_channels: str = field(metadata=command("channels"))
    closed_channels: Query = field(metadata=query("channels"))


@frozen(kw_only=True)
class SwitchTiming(Timing):
    """Hold how long relays take to move and to stop bouncing (s)."""

    relay: float = field(metadata=seconds(0, 5))
    move: float = field(metadata=seconds(0.05, 60))


@frozen(kw_only=True)
class SwitchDialect(Dialect):
    """Hold the dialect of a relay switch."""

    role: Literal["switch"]
    commands: SwitchCommands
    timing: SwitchTiming


# --- loading -------------------------------------------------------------------------------------

_ROLES: dict[str, type[Dialect]] = {
    "impedance_meter": ImpedanceMeterDialect,
    "supply": SupplyDialect,
    "multimeter": MultimeterDialect,
    "switch": SwitchDialect,
}


def load_dialect(name_or_path: str | Path, cls: type[D]) -> DialectFile[D]:
    """Load a dialect for one role by its name (shipped) or its file.

    Raises FileProblems: with every problem of the file, or when there is none of that name (and
    which was probably meant), or when it is written for another role.
    """
    path = _find(name_or_path, cls)
    role = next(name for name, known in _ROLES.items() if known is cls)
    written = read_toml(path).get("role")
    if written in _ROLES and written != role:
        raise FileProblems([
            Problem(str(path), f"is for the role {written!r}, not for {role!r}", key="role")
        ])  # fmt: skip
    dialect = load_toml(path, cls)
    return DialectFile(dialect, path, hashlib.sha256(path.read_bytes()).hexdigest())


def _find(name_or_path: str | Path, cls: type[Dialect]) -> Path:
    path = Path(name_or_path)
    if isinstance(name_or_path, Path) or path.suffix == ".toml" or len(path.parts) > 1:
        return path
    shipped = shipped_dialects()
    if name_or_path in shipped:
        return shipped[name_or_path]
    raise FileProblems(
        [
            Problem(
                str(name_or_path),
                "there is no dialect of this name",
                suggestion=nearest(name_or_path, shipped),
            )
        ],
        hint=f"known: {', '.join(shipped)}; one of your own is given by its file, ending in .toml",
    )


def _come_in_pairs(**pairs: tuple[object | None, object | None]) -> None:
    mistakes = [
        (name, "a setting and the query that reads it back come together or not at all")
        for name, (first, second) in pairs.items()
        if (first is None) != (second is None)
    ]
    if mistakes:
        raise MistakesError(mistakes)
