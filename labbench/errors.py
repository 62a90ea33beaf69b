"""The error tree.

LabbenchError
├── InputError                   what a person or a file gave us is wrong; nothing was energised
│   ├── FileProblems             a TOML, JSON or readings file; holds every problem found
│   └── QuantityError            a value with a unit cannot be read
├── InstrumentError              an instrument or the link to it
│   ├── ConnectionFailed         refused, no route, wrong address
│   ├── LinkLost                 the peer went away during an exchange
│   ├── ReplyTimeout             no whole reply before the deadline of that exchange
│   ├── OutOfStep                the session cannot tell which reply belongs to which query
│   ├── ReplyMalformed           a reply outside its declared shape
│   ├── WrongInstrument          another identity answers than expected
│   ├── InstrumentReportedError  an entry of the instrument's own error queue
│   ├── AddressLocked            another labbench holds this instrument
│   └── SettingNotTaken          read back differs from what was set
├── SafetyError                  stops a run before it does harm
│   ├── LimitExceeded            a requested voltage, current or power is above a limit
│   ├── StillCharged             more than 20 mV where a re-tie was due
│   └── OutputStateUnknown       an off that could not be confirmed: shown first and loudest
├── CompensationError            missing, too old, implausible, or lacks a frequency
├── JournalFailed                an event could not be written: the run stops, the output goes off
├── StepAborted                  a step cannot go on (hookup refused, part not in the jig)
└── StoppedByPerson              stop key or Ctrl-C; the output was switched off and read back

Every error says what was asked, of which instrument or file, what came back, what state the output
is in and what to do next; `hint` holds the last of these.
"""

from __future__ import annotations

__all__ = [
    "AddressLocked",
    "CompensationError",
    "ConnectionFailed",
    "FileProblems",
    "InputError",
    "InstrumentError",
    "InstrumentReportedError",
    "JournalFailed",
    "LabbenchError",
    "LimitExceeded",
    "LinkLost",
    "OutOfStep",
    "OutputStateUnknown",
    "Problem",
    "QuantityError",
    "ReplyMalformed",
    "ReplyTimeout",
    "SafetyError",
    "SettingNotTaken",
    "StepAborted",
    "StillCharged",
    "StoppedByPerson",
    "WrongInstrument",
]

from dataclasses import dataclass


class LabbenchError(Exception):
    """Hold a sentence for a person and, where there is one, what to do next."""

    def __init__(self, message: str, *, hint: str | None = None) -> None:
        super().__init__(message)
        self.message = message
        self.hint = hint

    def __str__(self) -> str:
        return f"{self.message} ({self.hint})" if self.hint else self.message


class InputError(LabbenchError):
    """Report that what a person or a file gave is wrong."""


@dataclass(frozen=True)
class Problem:
    """Name one mistake in a file: where it stands, what it is, what was probably meant."""

    file: str
    message: str
    key: str | None = None
    line: int | None = None
    suggestion: str | None = None

    def __str__(self) -> str:
        place = self.file
        if self.line is not None:
            place += f", line {self.line}"
        if self.key:
            place += f", {self.key}"
        text = f"{place}: {self.message}"
        return f"{text}; did you mean {self.suggestion}?" if self.suggestion else text


class FileProblems(InputError):
    """Report every problem of a file at once."""

    def __init__(self, problems: list[Problem], *, hint: str | None = None) -> None:
        self.problems = list(problems)
        super().__init__("\n".join(str(problem) for problem in self.problems), hint=hint)


class QuantityError(InputError):
    """Report a value with a unit that cannot be read."""


class InstrumentError(LabbenchError):
    """Report trouble with an instrument or its link."""

    def __init__(
        self,
        message: str,
        *,
        instrument: str | None = None,
        asked: str | None = None,
        answered: str | None = None,
        hint: str | None = None,
    ) -> None:
        super().__init__(message, hint=hint)
        self.instrument = instrument
        self.asked = asked
        self.answered = answered


class ConnectionFailed(InstrumentError):
    """Report that nothing answers at an address."""


class LinkLost(InstrumentError):
    """Report that the peer went away during an exchange."""


class ReplyTimeout(InstrumentError):
    """Report that no whole reply came before the deadline of that exchange."""


class OutOfStep(InstrumentError):
    """Report that replies can no longer be told apart: `recover()` comes first."""


class ReplyMalformed(InstrumentError):
    """Report a reply outside its declared shape."""


class WrongInstrument(InstrumentError):
    """Report that another identity answers at this address than expected."""


class InstrumentReportedError(InstrumentError):
    """Report an entry of the instrument's own error queue."""

    def __init__(
        self,
        message: str,
        *,
        code: int,
        instrument: str | None = None,
        asked: str | None = None,
        hint: str | None = None,
    ) -> None:
        super().__init__(message, instrument=instrument, asked=asked, hint=hint)
        self.code = code


class AddressLocked(InstrumentError):
    """Report that another labbench holds this instrument."""


class SettingNotTaken(InstrumentError):
    """Report that a setting reads back differently from what was set."""


class SafetyError(LabbenchError):
    """Stop a run before it does harm."""


class LimitExceeded(SafetyError):
    """Report a request above a limit: it is refused, never clipped."""


class StillCharged(SafetyError):
    """Report more than 20 mV where a re-tie was due."""


class OutputStateUnknown(SafetyError):
    """Report an off that could not be confirmed: use the supply's own switch."""


class CompensationError(LabbenchError):
    """Report a compensation that is missing, too old, implausible or lacks a frequency."""


class JournalFailed(LabbenchError):
    """Report an event that could not be written to the journal: the run stops, the output off."""


class StepAborted(LabbenchError):
    """Report a step that cannot go on."""


class StoppedByPerson(LabbenchError):
    """Report a stop by a person; the output was switched off and read back."""
