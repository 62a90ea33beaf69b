"""Read dialects: how one family of instruments spells what a driver means.

A dialect is a TOML file of spelling only: terminators, number sentinels, timing, command templates
with named placeholders, declared reply shapes, and quirks out of a closed list. Meaning and order
stand in the drivers. Shipped ones lie in `dialects/`; a person copies one and edits it. Unknown
keys are refused and all problems of a file are listed at once.
"""

from __future__ import annotations

__all__ = [
    "CommonCommands",
    "Dialect",
    "DialectFile",
    "ErrorQueue",
    "Link",
    "Query",
    "Quirk",
    "Timing",
    "command",
    "factor",
    "fill",
    "query",
    "resolution",
    "seconds",
    "shipped_dialects",
    "template_problems",
]

import string
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Generic, Literal, TypeVar

from attrs import field, frozen

from drivers.reply_shapes import Shape, shape_of
from drivers.scpi import Sentinels
from drivers.serial_settings import SerialSettings
from drivers.transport_socket import LONGEST_MESSAGE_BYTES
from labbench.files import MistakeError, MistakesError

#: greeting-line: sends one line on connecting, which is read and dropped
#: no-error-queue: has no query for errors; steps end with a look for unread bytes only
#: confirm-sets: every setting is followed by `operation_complete`, for instruments that lose
#:   commands which come while they are busy
#: no-joined-queries: answers only the first of several queries in one message
Quirk = Literal["greeting-line", "no-error-queue", "confirm-sets", "no-joined-queries"]

D = TypeVar("D", bound="Dialect")
_Metadata = dict[str, Any]


def fill(template: str, values: Mapping[str, str]) -> str:
    """Put texts into the named places of a template."""
    return template.format_map(values) if values else template


def template_problems(template: str, required: tuple[str, ...], optional: tuple[str, ...]) -> str:
    """Say what is wrong with a command template; empty when nothing is."""
    problems: list[str] = []
    if not template.strip():
        problems.append("is empty")
    if not (template.isascii() and template.isprintable()):
        problems.append("holds something else than printable ASCII (terminators stand in [link])")
    try:
        parsed = list(string.Formatter().parse(template))
    except ValueError as error:
        return "; ".join([*problems, f"has unpaired braces: {error}"])
    used = [(name, spec, conversion) for _, name, spec, conversion in parsed if name is not None]
    names = [name for name, _, _ in used]
    known = (*required, *optional)
    for name, spec, conversion in used:
        if name not in known:
            listed = ", ".join(f"{{{each}}}" for each in known) or "none"
            problems.append(f"has an unknown place {{{name}}} (known here: {listed})")
        if spec or conversion:
            problems.append(f"has a format in the place {{{name}}} (the driver formats numbers)")
    problems += [f"lacks the place {{{name}}}" for name in required if name not in names]
    return "; ".join(problems)


@frozen
class Query:
    """Hold the template of a query and the declared shape of its reply."""

    send: str
    reply: str

    @property
    def shape(self) -> Shape:
        """Give the parser of the declared shape."""
        return shape_of(self.reply)


def command(*required: str, optional: tuple[str, ...] = ()) -> _Metadata:
    """Check a field that holds the template of a command without a reply."""

    def check(template: str) -> None:
        problems = template_problems(template, required, optional)
        if not problems and template.rstrip().endswith("?"):
            problems = "is a query: a setting has no reply"
        if problems:
            raise MistakeError(problems)

    return {"check": check}


def query(*replies: str, places: tuple[str, ...] = (), optional: tuple[str, ...] = ()) -> _Metadata:
    """Check a field that holds a query whose reply may have one of these shapes."""
    shapes = [shape_of(reply).kinds for reply in replies]

    def check(value: Query) -> None:
        mistakes: list[tuple[str, str]] = []
        if problems := template_problems(value.send, places, optional):
            mistakes.append(("send", problems))
        elif "?" not in value.send:
            mistakes.append(("send", "is no query: it has no question mark"))
        try:
            if value.shape.kinds not in shapes:
                allowed = " or ".join(repr(reply) for reply in replies)
                mistakes.append(("reply", f"{value.reply!r} cannot be used here: {allowed}"))
        except ValueError as error:
            mistakes.append(("reply", str(error)))
        if mistakes:
            raise MistakesError(mistakes)

    return {"check": check}


def _between(low: float, high: float) -> Callable[[float], None]:
    def check(value: float) -> None:
        if not low <= value <= high:
            raise MistakeError(f"{value:g} is outside {low:g} to {high:g}")

    return check


def seconds(low: float, high: float) -> _Metadata:
    """Check a field that holds a time in seconds, written with its unit."""
    return {"unit": "s", "check": _between(low, high)}


def factor(low: float, high: float) -> _Metadata:
    """Check a field that holds a plain number within bounds."""
    return {"check": _between(low, high)}


def resolution(unit: str) -> _Metadata:
    """Check a field that holds the step in which an instrument takes a setting."""

    def check(value: float) -> None:
        if value < 0:
            raise MistakeError("cannot be negative")

    return {"unit": unit, "check": check}


@frozen(kw_only=True)
class Link:
    """Hold how messages and replies end and how long they may be. Nothing has a default."""

    write_terminator: Literal["\n", "\r\n", "\r"]
    read_terminator: Literal["\n", "\r\n", "\r"]
    longest_message_bytes: int = field(metadata=factor(16, LONGEST_MESSAGE_BYTES))
    longest_reply_bytes: int = field(metadata=factor(16, 1_000_000))
    quirks: tuple[Quirk, ...]


@frozen(kw_only=True)
class Timing:
    """Hold how long things may take (s)."""

    open: float = field(metadata=seconds(0.05, 60))
    reply: float = field(metadata=seconds(0.05, 60))
    reopen: float = field(metadata=seconds(0.05, 120))
    pause_after_set: float = field(metadata=seconds(0, 5))


@frozen(kw_only=True)
class ErrorQueue:
    """Hold how far the instrument's error queue is read at the end of a step."""

    longest: int = field(metadata=factor(1, 1000))
    deadline: float = field(metadata=seconds(0.05, 60))


def _check_sentinels(value: Sentinels) -> None:
    mistakes = [
        (name, "must be above 1e6, such as 9.9e37")
        for name in ("over_range", "not_a_number")
        if not getattr(value, name) > 1e6
    ]
    if mistakes:
        raise MistakesError(mistakes)


@frozen(kw_only=True)
class CommonCommands:
    """Hold the spelling of what IEEE 488.2 and SCPI-99 require of every instrument."""

    identity: Query = field(metadata=query("identity"))
    clear_status: str = field(metadata=command())
    next_error: Query = field(metadata=query("error"))
    operation_complete: Query = field(metadata=query("boolean", "integer"))


@frozen(kw_only=True)
class Dialect:
    """Hold what the dialects of all roles have."""

    schema: Literal[1]
    name: str
    role: str
    description: str
    source: str
    link: Link
    serial: SerialSettings | None = None
    timing: Timing
    error_queue: ErrorQueue
    numbers: Sentinels = field(metadata={"check": _check_sentinels})
    commands: CommonCommands

    def has(self, quirk: Quirk) -> bool:
        """Tell whether the instrument has this quirk."""
        return quirk in self.link.quirks


@frozen
class DialectFile(Generic[D]):
    """Hold a dialect, where it was read and the digest of the file (for the record)."""

    dialect: D
    path: Path
    sha256: str


def shipped_dialects() -> dict[str, Path]:
    """List the dialects that come with labbench: name to file."""
    directory = Path(__file__).with_name("dialects")
    return {path.stem: path for path in sorted(directory.glob("*.toml"))}
