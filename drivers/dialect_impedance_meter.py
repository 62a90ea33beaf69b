"""Say what the dialect of an LCR meter spells."""

from __future__ import annotations

__all__ = [
    "FixedSetting",
    "ImpedanceMeterCommands",
    "ImpedanceMeterDialect",
    "ImpedanceMeterReadback",
    "ImpedanceMeterTiming",
    "Quantity",
    "ReadingStatus",
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
from drivers.dialect_fields import Words, come_in_pairs, words_field
from labbench.files import MistakesError

#: What the two numbers of an impedance reading may be.
Quantity = Literal["r-x", "z-phase-degrees", "z-phase-radians", "ls-q", "ls-d"]
ReadingStatus = Literal["ok", "over-range", "unstable"]


@frozen(kw_only=True)
class FixedSetting:
    """Hold one more setting that is the same for all readings: set, read back, compared.

    words: what the read back may be, written as the meter writes it (without quotes).
    """

    name: str
    set: str = field(metadata=command())
    read: Query = field(metadata=query("word", "string", "boolean", "integer"))
    words: Words = field(metadata=words_field())


@frozen(kw_only=True)
class ImpedanceMeterCommands(CommonCommands):
    """Hold the spelling of an LCR meter's commands."""

    set_quantity: str = field(metadata=command())
    quantity: Query = field(metadata=query("word", "string"))
    fixed: tuple[FixedSetting, ...] = ()
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
        come_in_pairs(
            own_correction=(self.set_own_correction_off, self.own_correction),
            range_automatic=(self.set_range_automatic, self.range_automatic),
        )
        names = [setting.name for setting in self.fixed]
        if twice := sorted({name for name in names if names.count(name) > 1}):
            raise MistakesError([("fixed", f"has {twice[0]!r} twice")])


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
    quantity_words: Words = field(metadata=words_field())
    immediate_trigger_words: Words = field(metadata=words_field())
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
