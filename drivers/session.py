"""Keep questions and answers of one instrument in step.

States: IN_STEP, AWAITING (between a write and the end of its read), OUT_OF_STEP. A timeout, any
other exception in between (Ctrl-C too), bytes that are no ASCII, a reply outside its declared shape
and a surplus line lead to OUT_OF_STEP. There every call raises until `recover()`: the next answer
could be that of an earlier question, or its tail, and would parse as a plausible wrong number.

One re-entrant lock goes round each exchange. `taken_over` lets a stop path end the wait of another
thread and go first.
"""

from __future__ import annotations

__all__ = ["Recovery", "Session", "State", "TakenOver"]

import contextlib
import enum
import threading
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime

from drivers.blame import OPENING, RECOVERING, STEP_END, Blame
from drivers.dialect import Dialect, Query
from drivers.exchange_log import ExchangeLog
from drivers.recovery import Recovery, TakenOver, reopened
from drivers.reply_shapes import Reply, Shape, parse_joined
from drivers.scpi import ErrorEntry
from drivers.transport import Deadline, Transport
from drivers.wire import RECOVER_FIRST, Wire
from labbench.errors import (
    ConnectionFailed,
    InstrumentError,
    InstrumentReportedError,
    LinkLost,
    OutOfStep,
    WrongInstrument,
)
from labbench.ports import Identity


class State(enum.Enum):
    """Name the states of a session."""

    IN_STEP = "in step"
    AWAITING = "awaiting a reply"
    OUT_OF_STEP = "out of step"


class Session:
    """Exchange messages with one instrument over one transport."""

    def __init__(
        self,
        transport: Transport,
        dialect: Dialect,
        *,
        name: str,
        caution: str | None = None,
        log: ExchangeLog | None = None,
        longest_wait_s: float | None = None,
    ) -> None:
        """Take what is needed; `open` connects.

        name: how the instrument is called in errors. caution: what an unfinished exchange may mean,
        added to the hints of its errors (a supply: the output may be on). longest_wait_s: an upper
        bound for every deadline, for an instrument that is known to answer sooner.
        """
        self.name = name
        self.state = State.OUT_OF_STEP
        self.recoveries: list[Recovery] = []
        self._dialect = dialect
        self._caution = caution
        self._longest_wait_s = longest_wait_s
        self._wire = Wire(
            transport,
            dialect,
            check=self._heed_takeover,
            log=log,
            longest_wait_s=longest_wait_s,
        )
        self._blame = Blame(name, caution, self._wire.note, self._wire.why_silent)
        self._lock = threading.RLock()
        self._takeover_lock = threading.RLock()
        self._taker: int | None = None
        self._identity: Identity | None = None
        self._because = "it was not opened yet"

    @property
    def identity(self) -> Identity:
        """Give the identity at opening."""
        if self._identity is None:
            raise OutOfStep(f"{self.name} was not opened", instrument=self.name)
        return self._identity

    # --- opening and closing ---------------------------------------------------------------------

    def open(self, expected_identity: str | None = None) -> tuple[ErrorEntry, ...]:
        """Connect, read the identity, and read old entries out of the error queue.

        One call: a port that is refused is told here. Changes no setting. Returns the old entries,
        which are nobody's fault now. Raises ConnectionFailed, ReplyTimeout, ReplyMalformed,
        WrongInstrument.
        """
        with self._lock:
            try:
                self._wire.connect(self._wire.deadline(self._dialect.timing.open))
                identity = self._wire.read_identity()
                if expected_identity is not None and identity.raw != expected_identity.strip():
                    raise self._wrong(identity.raw, expected_identity.strip())
                self._identity = identity
                old = self._wire.read_queue()
                self._wire.refuse_surplus()
            except LinkLost as error:
                self._wire.close()
                raise ConnectionFailed(
                    f"{self.name}: {error.message}",
                    instrument=self.name,
                    hint="the instrument took the connection and dropped it: another program may "
                    "hold its only one",
                ) from error
            except BaseException as error:
                self._wire.close()
                self._blame.reraise(error, OPENING)
            self.state = State.IN_STEP
            return old

    def close(self) -> None:
        """Close the link; changes nothing in the instrument. Ends the waits of other threads."""
        # never under a reader: pyvisa-py then raises TypeError there, up to 2 s later
        with self.taken_over(1.0), self._lock:
            self._out_of_step("it is closed")
            self._wire.note("closed")
            self._wire.close()

    # --- exchanges -------------------------------------------------------------------------------

    def query(
        self, message: str, shape: Shape, *, timeout_s: float | None = None, explain: bool = True
    ) -> Reply:
        """Ask one question and read its answer within a deadline.

        explain: after a silence, ask the error queue why (up to a second more).

        Raises ReplyTimeout (with what the error queue says), ReplyMalformed, OutOfStep, LinkLost.
        """
        return self._ask(message, (shape,), timeout_s, explain=explain)[0]

    def query_many(
        self, queries: Sequence[tuple[str, Query]], *, timeout_s: float | None = None
    ) -> tuple[Reply, ...]:
        """Ask several questions, in one message where the instrument takes that."""
        shapes = tuple(query.shape for _, query in queries)
        if self._dialect.has("no-joined-queries"):
            return tuple(
                self.query(message, shape, timeout_s=timeout_s)
                for (message, _), shape in zip(queries, shapes, strict=True)
            )
        # A leading colon starts from the root (SCPI-99 vol. 1, 6.2.4); common commands have none.
        joined = ";".join(
            message if message.startswith((":", "*")) else f":{message}" for message, _ in queries
        )
        return self._ask(joined, shapes, timeout_s, explain=True)

    def send(self, message: str, *, timeout_s: float | None = None) -> None:
        """Send a message that has no answer. It is never repeated: it may have acted."""
        with self._lock:
            self._ready(message)
            deadline = self._wire.deadline(timeout_s)
            self.state = State.AWAITING
            try:
                self._wire.write(message, deadline)
            except BaseException as error:
                self._out_of_step(f"sending {message!r} failed")
                self._blame.reraise(error, message)
            self.state = State.IN_STEP
            if self._dialect.has("confirm-sets"):
                complete = self._dialect.commands.operation_complete
                self.query(complete.send, complete.shape, timeout_s=timeout_s)
            if pause := self._dialect.timing.pause_after_set:
                Deadline(pause, self._heed_takeover).sleep_s(pause)

    @property
    def recovers_slowly(self) -> bool:
        """Tell whether a recovery takes so long that an off must not wait for it."""
        return self._wire.transport.recovers_slowly

    def send_regardless(self, message: str, *, timeout_s: float) -> None:
        """Send in whatever state, for an off that must not wait for a recovery.

        The session is out of step afterwards: nobody knows what will be answered to what.
        """
        with self._lock:
            self._out_of_step(f"{message!r} was sent out of turn")
            try:
                self._wire.write(message, self._wire.deadline(timeout_s))
            except BaseException as error:
                self._blame.reraise(error, message)

    def check_errors(self) -> None:
        """Read the error queue until it is empty, at most `longest` entries, within one deadline.

        Raises InstrumentReportedError for what was in it, OutOfStep for unread bytes, and
        InstrumentError when the exchange log could not be written.
        """
        with self._lock:
            entries = self._read_queue(STEP_END)
            if entries:
                told = "; ".join(str(entry) for entry in entries)
                raise InstrumentReportedError(
                    f"{self.name} reports {told}",
                    code=entries[0].code,
                    instrument=self.name,
                    hint="what was measured since the last check does not count",
                )
            log = self._wire.log
            if log is not None and log.failure is not None:
                raise InstrumentError(
                    log.failure, instrument=self.name, hint="make room on the disk"
                )

    def explain(self) -> tuple[ErrorEntry, ...]:
        """Read the error queue to say why a setting was not taken; empty when nothing is said."""
        with self._lock:
            return self._read_queue("the error queue")

    def read_identity(self, *, timeout_s: float | None = None, explain: bool = True) -> Identity:
        """Ask for the identity; raise WrongInstrument when it changed since opening."""
        asked = self._dialect.commands.identity
        reply = self.query(asked.send, asked.shape, timeout_s=timeout_s, explain=explain)
        identity = reply.only(Identity)
        if identity.raw != self.identity.raw:
            self._out_of_step("another instrument answers")
            raise self._wrong(identity.raw, self.identity.raw)
        return identity

    # --- recovery --------------------------------------------------------------------------------

    def recover(self, *, within_s: float | None = None, repeated: str | None = None) -> Recovery:
        """Bring the link back into step as its kind allows: same identity, clear status.

        The driver applies its settings afterwards. Raises ConnectionFailed, ReplyTimeout,
        WrongInstrument; the session then stays out of step.
        """
        with self._lock:
            because = self._because if self.state is not State.IN_STEP else "it was asked for"
            self._out_of_step(because)
            deadline = self._wire.deadline(within_s or self._dialect.timing.reopen)
            try:
                identity = reopened(
                    self._wire, deadline, open_s=self._dialect.timing.open, heed=self._heed_takeover
                )
                if identity.raw != self.identity.raw:
                    raise self._wrong(identity.raw, self.identity.raw)
                errors = self._wire.read_queue()
                self._wire.write(self._dialect.commands.clear_status, deadline)
                self._wire.refuse_surplus()
            except BaseException as error:
                self._blame.reraise(error, RECOVERING)
            recovery = Recovery(datetime.now(UTC), because, errors, repeated)
            self.recoveries.append(recovery)
            told = f"; the error queue held {', '.join(map(str, errors))}" if errors else ""
            self._wire.note(
                f"recovered: {because}{told}" + (f"; repeats {repeated}" if repeated else "")
            )
            self.state = State.IN_STEP
            return recovery

    @contextlib.contextmanager
    def taken_over(self, wait_s: float) -> Iterator[bool]:
        """End the waits of other threads and hold the session; give False when it stays held.

        Whoever was waiting gets OutOfStep within one slice of a wait (20 ms).
        """
        if not self._takeover_lock.acquire(timeout=wait_s):
            yield False
            return
        try:
            before, self._taker = self._taker, threading.get_ident()
            try:
                if not self._lock.acquire(timeout=wait_s):
                    yield False
                    return
                try:
                    yield True
                finally:
                    self._lock.release()
            finally:
                self._taker = before
        finally:
            self._takeover_lock.release()

    @contextlib.contextmanager
    def held(self) -> Iterator[None]:
        """Keep other threads out while several exchanges belong together."""
        with self._lock:
            yield

    def second_link(self) -> Session:
        """Make an unopened session to the same address, for a stop path when this one is held."""
        return Session(
            self._wire.transport.another(),
            self._dialect,
            name=self.name,
            caution=self._caution,
            log=self._wire.log,
            longest_wait_s=self._longest_wait_s,
        )

    # --- within an exchange ----------------------------------------------------------------------

    def _ask(
        self, message: str, shapes: tuple[Shape, ...], timeout_s: float | None, *, explain: bool
    ) -> tuple[Reply, ...]:
        with self._lock:
            self._ready(message)
            self.state = State.AWAITING
            try:
                deadline = self._wire.deadline(timeout_s)
                text, followed = self._wire.exchange(message, deadline)
                if len(shapes) == 1:
                    replies: tuple[Reply, ...] = (shapes[0].parse(text, self._dialect.numbers),)
                else:
                    replies = parse_joined(shapes, text, self._dialect.numbers)
                if followed:
                    self._wire.refuse_surplus()
            except BaseException as error:
                self._out_of_step(f"{message!r} was not answered as it should be")
                self._blame.reraise(error, message, explain=explain)
            self.state = State.IN_STEP
            return replies

    def _read_queue(self, errand: str) -> tuple[ErrorEntry, ...]:
        self._ready(errand)
        self.state = State.AWAITING
        try:
            entries = self._wire.read_queue()
            self._wire.refuse_surplus()
        except BaseException as error:
            self._out_of_step("reading its error queue failed")
            self._blame.reraise(error, self._dialect.commands.next_error.send)
        self.state = State.IN_STEP
        return entries

    def _ready(self, message: str) -> None:
        """Refuse to start an exchange unless nothing of an earlier one can be on its way."""
        self._heed_takeover()
        if self.state is not State.IN_STEP:
            # AWAITING here: a signal handler came in the middle of an exchange of this very thread
            because = self._because if self.state is State.OUT_OF_STEP else "an answer is due"
            raise OutOfStep(
                f"{self.name} cannot be asked {message!r}: {because}",
                instrument=self.name,
                asked=message,
                hint=self._blame.hint(RECOVER_FIRST),
            )
        self._wire.refuse(message)
        try:
            self._wire.refuse_surplus()
        except BaseException as error:
            self._out_of_step(error.message if isinstance(error, InstrumentError) else "stopped")
            self._blame.reraise(error, message)

    def _heed_takeover(self) -> None:
        taker = self._taker
        if taker is not None and taker != threading.get_ident():
            raise TakenOver(
                f"{self.name}: the exchange was ended for the stop path", instrument=self.name
            )

    def _wrong(self, answered: str, expected: str) -> WrongInstrument:
        return self._blame.wrong(answered, expected, self._dialect.commands.identity.send)

    def _out_of_step(self, because: str) -> None:
        self.state = State.OUT_OF_STEP
        self._because = because
