"""Status registers and the error queue of IEEE 488.2 and SCPI-99. Thread safe.

Bits: references of IEEE 488.2 chapter 11 and SCPI-99 vol. 1, chapter 9, partly from memory.
"""

from __future__ import annotations

import threading
from collections import deque
from dataclasses import dataclass
from enum import IntFlag

from sim.scpi.errors import error_text
from sim.scpi.numbers import quoted

QUEUE_DEPTH = 16
_WIDTH = 0x7FFF  # bit 15 is always 0
_LONGEST_TEXT = 255  # of the queue's entry, SCPI-99 vol. 2, 21.8 (from memory)


class StandardEvent(IntFlag):
    """Bits of the standard event status register."""

    OPERATION_COMPLETE = 1
    REQUEST_CONTROL = 2
    QUERY_ERROR = 4
    DEVICE_ERROR = 8
    EXECUTION_ERROR = 16
    COMMAND_ERROR = 32
    USER_REQUEST = 64
    POWER_ON = 128


class StatusByte(IntFlag):
    """Bits of the status byte."""

    ERROR_QUEUE = 4
    QUESTIONABLE = 8
    MESSAGE_AVAILABLE = 16
    EVENT_SUMMARY = 32
    MASTER_SUMMARY = 64
    OPERATION = 128


class Operation(IntFlag):
    """Bits of the operation register that these instruments use."""

    MEASURING = 16
    WAITING_FOR_TRIGGER = 32


_EVENT_OF_CLASS = {
    1: StandardEvent.COMMAND_ERROR,
    2: StandardEvent.EXECUTION_ERROR,
    3: StandardEvent.DEVICE_ERROR,
    4: StandardEvent.QUERY_ERROR,
    5: StandardEvent.POWER_ON,
    6: StandardEvent.USER_REQUEST,
    7: StandardEvent.REQUEST_CONTROL,
    8: StandardEvent.OPERATION_COMPLETE,
}


@dataclass
class EventRegister:
    """A condition, its latched event and what of it is passed on."""

    condition: int = 0
    event: int = 0
    enable: int = 0

    def see(self, condition: int) -> None:
        """Take a new condition; bits that have come up are latched in the event register."""
        condition &= _WIDTH
        self.event |= condition & ~self.condition
        self.condition = condition

    def take_event(self) -> int:
        """Return the event register and clear it."""
        event, self.event = self.event, 0
        return event

    def set_enable(self, mask: int) -> None:
        """Choose the bits that are passed on to the status byte."""
        self.enable = mask & _WIDTH

    @property
    def summary(self) -> bool:
        """Tell whether an enabled event is latched."""
        return bool(self.event & self.enable)


class Status:
    """Everything an instrument reports about itself apart from its answers."""

    def __init__(self) -> None:
        """Start as after power on: enables clear, the power-on bit set."""
        self.lock = threading.RLock()
        self.operation = EventRegister()
        self.questionable = EventRegister()
        self.event_enable = 0
        self.service_enable = 0
        self._events = int(StandardEvent.POWER_ON)
        self._errors: deque[tuple[int, str]] = deque()

    def report(self, code: int, info: str = "") -> None:
        """Queue an error and set the event bit of its class.

        When the queue is full its last entry becomes -350: the oldest errors are the ones that
        tell what went wrong.
        """
        with self.lock:
            self._events |= _EVENT_OF_CLASS.get(-code // 100, StandardEvent.DEVICE_ERROR)
            if len(self._errors) < QUEUE_DEPTH:
                text = error_text(code) + (f";{info}" if info else "")
                self._errors.append((code, text[:_LONGEST_TEXT]))
            elif self._errors[-1][0] != -350:
                self._events |= StandardEvent.DEVICE_ERROR
                self._errors[-1] = (-350, error_text(-350))

    def next_error(self) -> str:
        """Return the oldest error as a reply and drop it; ``0,"No error"`` when there is none."""
        with self.lock:
            code, text = self._errors.popleft() if self._errors else (0, error_text(0))
            return f"{code},{quoted(text)}"

    def happened(self, event: StandardEvent) -> None:
        """Set a bit of the standard event register."""
        with self.lock:
            self._events |= event

    def take_events(self) -> int:
        """Return the standard event register and clear it."""
        with self.lock:
            events, self._events = self._events, 0
            return events

    def clear(self) -> None:
        """Clear every event register and the error queue; enables and conditions stay."""
        with self.lock:
            self._events = 0
            self._errors.clear()
            self.operation.take_event()
            self.questionable.take_event()

    def preset(self) -> None:
        """Clear the enables of the operation and questionable registers (STATus:PRESet)."""
        with self.lock:
            self.operation.set_enable(0)
            self.questionable.set_enable(0)

    def change_operation(self, *, on: int = 0, off: int = 0) -> None:
        """Set and clear bits of the operation condition."""
        with self.lock:
            self.operation.see((self.operation.condition & ~off) | on)

    def byte(self, *, message_available: bool) -> int:
        """Return the status byte with the master summary in bit 6."""
        with self.lock:
            byte = 0
            for bit, is_set in (
                (StatusByte.ERROR_QUEUE, bool(self._errors)),
                (StatusByte.QUESTIONABLE, self.questionable.summary),
                (StatusByte.MESSAGE_AVAILABLE, message_available),
                (StatusByte.EVENT_SUMMARY, bool(self._events & self.event_enable)),
                (StatusByte.OPERATION, self.operation.summary),
            ):
                byte |= bit if is_set else 0
            if byte & self.service_enable:
                byte |= StatusByte.MASTER_SUMMARY
            return int(byte)
