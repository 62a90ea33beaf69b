"""What the servers of all kinds of link have in common."""

from __future__ import annotations

import threading
from abc import ABC, abstractmethod
from dataclasses import replace
from types import TracebackType
from typing import Self

from sim.link_faults import FaultSchedule, LinkFault
from sim.links.kinds import LinkKind, impossible
from sim.links.outcome import Outcome, Piece, outcome
from sim.scpi.interpreter import Interpreter

LONGEST_MESSAGE_BYTES = 8192


class LinkServer(ABC):
    """Serve one instrument's interpreter until closed, with a schedule of faults."""

    kind: LinkKind

    def __init__(
        self,
        interpreter: Interpreter,
        *,
        faults: FaultSchedule | None,
        reply_terminator: bytes | None,
        longest_message_bytes: int,
    ) -> None:
        """Take what every link needs; raises ValueError for a fault that this kind cannot have."""
        self.interpreter = interpreter
        self.terminator = (
            interpreter.reply_terminator if reply_terminator is None else reply_terminator
        )
        self.bound_bytes = longest_message_bytes
        self.closing = threading.Event()
        self._counting = threading.Lock()
        self._exchanges = 0
        self._faults = FaultSchedule()
        # by thread, so by connection: what is held back dies with it
        self._held_back = threading.local()
        self.faults = faults or FaultSchedule()

    @property
    @abstractmethod
    def address(self) -> str:
        """Return the VISA resource string of this server."""

    @abstractmethod
    def close(self) -> None:
        """Close everything and wait for every thread."""

    @property
    def exchanges(self) -> int:
        """Return how many messages have come in, over all connections."""
        with self._counting:
            return self._exchanges

    @property
    def faults(self) -> FaultSchedule:
        """Return the schedule in force."""
        return self._faults

    @faults.setter
    def faults(self, schedule: FaultSchedule) -> None:
        wrong = sorted({fault.kind for fault in schedule if impossible(self.kind, fault.kind)})
        if wrong:
            raise ValueError(f"a link of kind {self.kind} cannot {', '.join(wrong)}")
        self._faults = schedule

    def carry_out(self, message: bytes) -> Outcome:
        """Count a message, carry it out as the schedule says, and return what comes of it."""
        fault = self._next_fault()
        found = outcome(self.interpreter, message, fault, self.terminator)
        if not found.pieces:
            return found
        ahead: tuple[Piece, ...] = getattr(self._held_back, "pieces", ())
        if getattr(self._held_back, "schedule", None) is not self._faults:
            ahead = ()  # a link that was healed since holds nothing back
        repeats = fault is not None and fault.kind == "repeat-later"
        self._held_back.pieces = found.pieces if repeats else ()
        self._held_back.schedule = self._faults
        return replace(found, pieces=(*ahead, *found.pieces))

    def refuse_too_long(self) -> None:
        """Say in the error queue that a message was longer than the bound and is dropped."""
        self.interpreter.refuse(-363, f"more than {self.bound_bytes} bytes")

    def wait(self, seconds: float | None) -> None:
        """Wait real seconds, without end for None, but never beyond the server's closing."""
        if seconds is None or seconds > 0.0:
            self.closing.wait(seconds)

    def _next_fault(self) -> LinkFault | None:
        with self._counting:
            self._exchanges += 1
            return self._faults.at(self._exchanges)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
