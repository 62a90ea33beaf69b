"""Say what the dialect of a multimeter spells."""

from __future__ import annotations

__all__ = [
    "FunctionCommands",
    "MultimeterCommands",
    "MultimeterDialect",
    "MultimeterRanges",
    "MultimeterReadback",
    "MultimeterTiming",
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
    seconds,
    template_problems,
)
from drivers.dialect_fields import Words, words_field
from labbench.files import MistakeError, MistakesError


def _integration(template: str) -> None:
    """Check that an integration time is set in mains periods or in seconds, not both."""
    problems = template_problems(template, (), ("periods", "seconds"))
    if not problems and template.rstrip().endswith("?"):
        problems = "is a query: a setting has no reply"
    if not problems and ("{periods}" in template) == ("{seconds}" in template):
        problems = "needs one place: {periods} (of the mains) or {seconds}"
    if problems:
        raise MistakeError(problems)


@frozen(kw_only=True)
class FunctionCommands:
    """Hold the spelling of one function of a multimeter.

    The integration time is set, and read back, in mains periods or in seconds, as the place in
    `set_integration` says.
    """

    configure: str = field(metadata=command())
    words: Words = field(metadata=words_field())
    set_range: str = field(metadata=command("range"))
    range: Query = field(metadata=query("number"))
    set_range_automatic: str = field(metadata=command())
    range_automatic: Query = field(metadata=query("boolean"))
    set_integration: str = field(metadata={"check": _integration})
    integration: Query = field(metadata=query("number"))

    @property
    def integrates_in_seconds(self) -> bool:
        """Tell whether the integration time is spelt in seconds instead of mains periods."""
        return "{seconds}" in self.set_integration


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
    immediate_trigger_words: Words = field(metadata=words_field())
