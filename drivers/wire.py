"""Exchange single messages with one instrument, whatever the state between them.

The lower half of a session: it knows terminators, the exchange log and the few questions that a
session asks for itself (identity, error queue). It keeps no state and places no blame; what goes
wrong here puts the session above out of step.
"""

from __future__ import annotations

__all__ = ["RECOVER_FIRST", "Wire"]

import math
from collections.abc import Callable

from drivers.dialect import Dialect
from drivers.exchange_log import ExchangeLog
from drivers.scpi import ErrorEntry
from drivers.transport import Deadline, Transport
from labbench.errors import InputError, InstrumentError, OutOfStep, ReplyMalformed
from labbench.ports import Identity

#: longest wait for the error queue when a timeout is explained (s)
_EXPLAIN_S = 0.5
RECOVER_FIRST = "recover() brings the link back into step"


class Wire:
    """Write messages and read lines over one transport."""

    def __init__(
        self,
        transport: Transport,
        dialect: Dialect,
        *,
        check: Callable[[], None],
        log: ExchangeLog | None,
        longest_wait_s: float | None,
    ) -> None:
        """Take what is needed; `connect` connects. `check` may end a wait by raising."""
        self.transport = transport
        self.log = log
        self._dialect = dialect
        self._check = check
        self._longest_wait_s = math.inf if longest_wait_s is None else longest_wait_s
        self._write_end = dialect.link.write_terminator.encode("ascii")
        self._read_end = dialect.link.read_terminator.encode("ascii")

    def deadline(self, timeout_s: float | None = None) -> Deadline:
        """Start a deadline, that of a simple reply by default, never beyond the longest wait."""
        wanted_s = timeout_s or self._dialect.timing.reply
        return Deadline(min(wanted_s, self._longest_wait_s), self._check)

    def connect(self, deadline: Deadline) -> None:
        """Get rid of what is left of earlier exchanges, connecting anew where that is the way.

        Reads the greeting of an instrument that has one.
        """
        self.note("opening")
        anew = self.transport.resynchronise(deadline)
        if anew and self._dialect.has("greeting-line"):
            longest = self._dialect.link.longest_reply_bytes
            greeting = self.transport.read_line(self._read_end, longest, deadline)
            self.note(f"greeting: {greeting.data.decode('ascii', 'backslashreplace')}")

    def close(self) -> None:
        """Close the link; sends nothing."""
        self.transport.close()

    def refuse(self, message: str) -> None:
        """Raise InputError for a message that the instrument could not take as one."""
        if not (message.isascii() and message.isprintable()):
            raise InputError(f"{message!r} is no printable ASCII text and was not sent")
        longest = self._dialect.link.longest_message_bytes
        if len(message) + len(self._write_end) > longest:
            raise InputError(
                f"{message[:60]!r}... has {len(message)} bytes and was not sent: "
                f"{self.transport.address} takes {longest}"
            )

    def write(self, message: str, deadline: Deadline) -> None:
        """Send one message."""
        data = message.encode("ascii") + self._write_end
        if self.log is not None:
            self.log.sent(data)
        self.transport.write(data, deadline)

    def exchange(self, message: str, deadline: Deadline) -> tuple[str, bool]:
        """Send a question and read one line; give its text and whether more bytes followed."""
        self.write(message, deadline)
        line = self.transport.read_line(
            self._read_end, self._dialect.link.longest_reply_bytes, deadline
        )
        if self.log is not None:
            self.log.received(line.data + self._read_end)
        try:
            return line.data.decode("ascii"), line.followed
        except UnicodeDecodeError:
            shown = line.data[:80].decode("ascii", "backslashreplace")
            raise ReplyMalformed(f"{shown!r} is no ASCII text", answered=shown) from None

    def refuse_surplus(self) -> None:
        """Raise OutOfStep when bytes lie there that no question asked for."""
        surplus = self.transport.unread()
        if surplus:
            if self.log is not None:
                self.log.received(surplus)
            shown = surplus[:80].decode("ascii", "backslashreplace")
            raise OutOfStep(
                f"it sent {shown!r}, which no question asked for",
                answered=shown,
                hint=RECOVER_FIRST,
            )

    def read_identity(self, within_s: float | None = None) -> Identity:
        """Ask for the identity on a link that was just opened."""
        asked = self._dialect.commands.identity
        reply_s = self._dialect.timing.reply
        deadline = self.deadline(min(reply_s, within_s) if within_s else reply_s)
        self.refuse_surplus()
        text, followed = self.exchange(asked.send, deadline)
        identity = asked.shape.parse(text, self._dialect.numbers).only(Identity)
        if followed:
            self.refuse_surplus()
        return identity

    def await_quiet(self, deadline: Deadline) -> None:
        """Raise OutOfStep when more comes behind the identity, on a line where that can be."""
        if self.transport.quiet_s:
            deadline.sleep_s(self.transport.quiet_s)
            self.refuse_surplus()

    def read_queue(self, within_s: float | None = None) -> tuple[ErrorEntry, ...]:
        """Read the error queue until code 0, at most `longest` entries, within one deadline.

        Empty for an instrument that has none.
        """
        if self._dialect.has("no-error-queue"):
            return ()
        asked = self._dialect.commands.next_error
        deadline = self.deadline(within_s or self._dialect.error_queue.deadline)
        entries: list[ErrorEntry] = []
        while len(entries) < self._dialect.error_queue.longest:
            text, followed = self.exchange(asked.send, deadline)
            entry = asked.shape.parse(text, self._dialect.numbers).only(ErrorEntry)
            if followed:
                self.refuse_surplus()
            if entry.code == 0:
                break
            entries.append(entry)
        return tuple(entries)

    def why_silent(self) -> str:
        """Ask what the instrument has against a question; empty if it stays silent.

        What is left of old answers is got rid of first.
        An unknown query gets no reply from a well-behaved instrument: the timeout is its error
        message, and the error queue holds the reason. The session stays out of step all the same.
        """
        try:
            self.transport.resynchronise(self.deadline(_EXPLAIN_S))
            entries = self.read_queue(_EXPLAIN_S)
        except (InstrumentError, InputError):
            return ""
        return "; ".join(str(entry) for entry in entries)

    def note(self, text: str) -> None:
        """Note in the exchange log what happened to the link."""
        if self.log is not None:
            self.log.note(text)
