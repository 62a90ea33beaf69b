"""Say what the dialect of a bench supply spells."""

from __future__ import annotations

__all__ = [
    "SupplyCommands",
    "SupplyConditionBits",
    "SupplyDialect",
    "SupplyReadback",
    "SupplyTiming",
]

from typing import Literal

from attrs import field, frozen

from drivers.dialect import (
    CommonCommands,
    Dialect,
    Query,
    Timing,
    command,
    factor,
    query,
    resolution,
    seconds,
)
from drivers.dialect_fields import come_in_pairs
from labbench.files import MistakesError

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
        come_in_pairs(
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
