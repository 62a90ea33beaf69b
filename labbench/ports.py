"""Declare what the core needs from outside: instruments, a person, a clock.

Small structural Protocols and frozen data; no I/O. Drivers, by-hand instruments and test doubles
fit these by shape, not by inheritance.

Settings return what was read back. A reading that is no number (over range, not a number) has
`None` for its value and says so in `status`; the raw text of the reply is always kept.
"""

from __future__ import annotations

__all__ = [
    "STATUS_OK",
    "STATUS_OVER_RANGE",
    "STATUS_UNSTABLE",
    "Answer",
    "Clock",
    "Event",
    "Hookup",
    "Identity",
    "ImpedanceConditions",
    "ImpedanceMeter",
    "ImpedanceReading",
    "Instrument",
    "Multimeter",
    "MultimeterConditions",
    "Operator",
    "Prompt",
    "ScalarReading",
    "Status",
    "Supply",
    "SupplySetting",
    "Switch",
    "WatchedSupply",
]

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Final, Literal, Protocol, runtime_checkable

from attrs import field, frozen

STATUS_OK: Final = "ok"
STATUS_OVER_RANGE: Final = "over-range"
STATUS_UNSTABLE: Final = "unstable"
Status = Literal["ok", "over-range", "unstable", "not-measured"]


@frozen
class Identity:
    """Hold the four fields of an `*IDN?` reply (IEEE 488.2, 10.14) and its raw text."""

    maker: str
    model: str
    serial: str
    firmware: str
    raw: str


@frozen
class ImpedanceConditions:
    """Hold the settings of an impedance point as read back from the meter."""

    frequency_hz: float
    level_v: float
    aperture_s: float
    averages: int


@frozen
class ImpedanceReading:
    """Hold one uncompensated impedance reading in series form, as the meter gave it."""

    resistance_ohm: float | None
    reactance_ohm: float | None
    status: Status
    raw: str
    conditions: ImpedanceConditions
    #: one step of a display's last digit in resistance and reactance (ohm), where a person read it
    step_ohm: tuple[float, float] | None = None


@frozen
class SupplySetting:
    """Hold the voltage setting (V), current limit (A) and over-voltage protection (V) read back."""

    voltage_v: float
    current_a: float
    over_voltage_v: float


@frozen
class MultimeterConditions:
    """Hold function, range (in the function's unit; None: automatic) and integration time."""

    function: str
    range: float | None
    integration_periods: float


@frozen
class ScalarReading:
    """Hold one number with its unit, status and raw text."""

    value: float | None
    unit: str
    status: Status
    raw: str
    conditions: Mapping[str, object] = field(factory=dict)
    #: one step of a display's last digit, in `unit`, where a person read it
    step: float | None = None


class Instrument(Protocol):
    """Be reachable, have an identity, report errors at step boundaries, recover, close."""

    role: str
    address: str

    def identify(self) -> Identity:
        """Read the identity; raise WrongInstrument when it changed since opening."""
        ...

    def check_errors(self) -> None:
        """Read the error queue until empty; raise InstrumentReportedError for what was in it.

        Also raise OutOfStep when the link has unread bytes.
        """
        ...

    def recover(self) -> None:
        """Bring the link back into step and re-apply the settings."""
        ...

    def close(self) -> None:
        """Close the link. Changes nothing in the instrument."""
        ...


class ImpedanceMeter(Instrument, Protocol):
    """Measure a complex impedance at one frequency at a time."""

    @property
    def frequency_range_hz(self) -> tuple[float, float]:
        """Tell the lowest and highest frequency (Hz)."""
        ...

    def prepare(self) -> None:
        """Set what holds for all points: quantity, trigger, own correction off; read it back."""
        ...

    def set_point(
        self, *, frequency_hz: float, level_v: float, aperture_s: float, averages: int
    ) -> ImpedanceConditions:
        """Set one point and return what was read back; raise SettingNotTaken on a difference."""
        ...

    def read_impedance(self) -> ImpedanceReading:
        """Trigger and read one impedance. The deadline follows from the settings."""
        ...


class Supply(Instrument, Protocol):
    """Give voltage and current on one or more channels (numbered from 1)."""

    @property
    def channels(self) -> int:
        """Tell how many channels there are."""
        ...

    def program(
        self, channel: int, *, voltage_v: float, current_a: float, over_voltage_v: float
    ) -> SupplySetting:
        """Set protection, current limit and voltage in that order; return what was read back."""
        ...

    def switch_on(self, channel: int) -> None:
        """Switch the output on (no read back: the caller verifies)."""
        ...

    def switch_off(self, channel: int) -> None:
        """Switch the output off (no read back: the caller verifies)."""
        ...

    def is_on(self, channel: int) -> bool:
        """Read the state of the output back."""
        ...

    def read_voltage(self, channel: int) -> ScalarReading:
        """Read the voltage back (V)."""
        ...

    def read_current(self, channel: int) -> ScalarReading:
        """Read the current back (A)."""
        ...

    def in_current_limit(self, channel: int) -> bool | None:
        """Tell whether the channel is in constant current; None where the supply cannot say."""
        ...

    def force_off(self) -> bool:
        """Switch every channel off on a link opened anew if need be; True when read back off.

        Used by stop paths: never raises, waits for no other instrument.
        """
        ...


@runtime_checkable
class WatchedSupply(Protocol):
    """Be a supply that can switch itself off when nobody speaks to it any more."""

    @property
    def has_watchdog(self) -> bool:
        """Tell whether it has a watchdog at all."""
        ...

    def arm_watchdog(self, seconds: float) -> float:
        """Let it switch off after so long a silence (s); return the delay read back."""
        ...

    def disarm_watchdog(self) -> None:
        """Take the watchdog off again."""
        ...


class Multimeter(Instrument, Protocol):
    """Measure DC voltage and resistance."""

    def set_dc_voltage(
        self, *, range_v: float | None, integration_periods: float
    ) -> MultimeterConditions:
        """Set DC voltage, its range (None: automatic) and integration; return the read back."""
        ...

    def set_resistance(
        self, *, range_ohm: float | None, integration_periods: float, four_wire: bool
    ) -> MultimeterConditions:
        """Set resistance, two- or four-wire; return the read back."""
        ...

    def read(self) -> ScalarReading:
        """Trigger and read one value of the function set."""
        ...


class Switch(Instrument, Protocol):
    """Close and open relays named by a SCPI channel list such as `(@101,203)`."""

    def close_only(self, channels: Sequence[int]) -> tuple[int, ...]:
        """Open what is closed and not listed, then close the listed; return the read back.

        Break before make. Raise SettingNotTaken when the state read back differs.
        """
        ...

    def closed(self) -> tuple[int, ...]:
        """Read which relays are closed."""
        ...


@frozen
class Hookup:
    """Say which terminals of the specimen go to which terminals of the instruments.

    `joins` maps an instrument terminal ("impedance_meter high") to a jig contact ("A force").
    """

    name: str
    joins: Mapping[str, str]
    #: instruments whose terminals appear in `joins`
    instruments: tuple[str, ...]
    #: the same for a person's eyes, a line per lead; empty: the joins say enough
    drawing: tuple[str, ...] = ()


@frozen
class Prompt:
    """Ask a person for one answer.

    kind names what is asked; fronts hold wording and drawings. `choices` lists what may be
    answered (empty: free text); `default` is what Enter or the pedal means. `detail` carries the
    data that the wording needs.
    """

    kind: Literal[
        "look",  # visual check
        "place",  # put this into the jig (specimen, open tips, copper strip)
        "hookup",  # make this hookup
        "energise",  # may the supply be switched on now
        "confirm",  # yes or no
        "text",  # a name, a number
    ]
    name: str
    choices: tuple[str, ...] = ()
    default: str | None = None
    detail: Mapping[str, object] = field(factory=dict)


Answer = str


@frozen
class Event:
    """Tell a person or a page what is going on; `detail` carries the data."""

    kind: str
    detail: Mapping[str, object] = field(factory=dict)


class Operator(Protocol):
    """Be the person at the bench: answers prompts, is told events, may press stop."""

    @property
    def interactive(self) -> bool:
        """Tell whether somebody is there to answer."""
        ...

    def ask(self, prompt: Prompt) -> Answer:
        """Ask and wait for the answer; raise StoppedByPerson when the person stops instead."""
        ...

    def tell(self, event: Event) -> None:
        """Show an event. Never blocks."""
        ...


class Clock(Protocol):
    """Tell and pass time. A simulated bench may run faster than real time."""

    def utc(self) -> datetime:
        """Tell the time of day in UTC (always real)."""
        ...

    def monotonic_s(self) -> float:
        """Tell bench seconds since some start."""
        ...

    def sleep_s(self, seconds: float) -> None:
        """Wait that many bench seconds."""
        ...
