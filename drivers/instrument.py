"""Hold what the drivers of all roles have in common: opening, checking, recovering, closing."""

from __future__ import annotations

__all__ = ["LinkedInstrument", "Opening"]

import contextlib
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Generic, Self, TypeVar

from attrs import frozen

from drivers.dialect import CommonCommands, Dialect, DialectFile, Query, fill
from drivers.exchange_log import ExchangeLog
from drivers.locks import AddressLock
from drivers.reply_shapes import Reply
from drivers.scpi import ErrorEntry, Number
from drivers.session import Recovery, Session, State, TakenOver
from drivers.transport import make_transport
from labbench.errors import (
    LinkLost,
    OutOfStep,
    ReplyMalformed,
    ReplyTimeout,
    SettingNotTaken,
)
from labbench.ports import Identity

D = TypeVar("D", bound=Dialect)
_Values = Mapping[str, str]
_NONE: _Values = {}


@frozen(kw_only=True)
class Opening:
    """Hold how an instrument is opened, the same for every role.

    expected_identity: the `*IDN?` reply that must answer, or None for any.
    exchange_log: a file that every byte is appended to.
    lock_directory: where address locks lie (default: shared by all users of this computer).
    holder: who we are, for others that find the address locked.
    repeat_queries: ask a failed query once more after a recovery (recorded in `recoveries`).
    longest_wait_s: an upper bound for every deadline (s), for an instrument that is known to
    answer sooner, such as a simulated one whose time jumps.
    """

    expected_identity: str | None = None
    exchange_log: Path | None = None
    lock_directory: Path | None = None
    holder: str = "labbench"
    repeat_queries: bool = False
    longest_wait_s: float | None = None


class LinkedInstrument(Generic[D]):
    """Speak to one instrument through a session and a dialect."""

    role: str

    def __init__(
        self,
        resource: str,
        dialect: DialectFile[D],
        opening: Opening,
        *,
        caution: str | None = None,
    ) -> None:
        """Lock the address, connect and make sure who answers. Changes no setting."""
        self.address = resource
        self.dialect_file = dialect
        self.errors_at_opening: tuple[ErrorEntry, ...] = ()
        self._dialect = dialect.dialect
        self._repeat_queries = opening.repeat_queries
        name = f"{self.role.replace('_', ' ')} at {resource}"
        transport = make_transport(resource, self._dialect.serial)
        with contextlib.ExitStack() as undo:
            lock = AddressLock(
                transport.lock_key,
                address=resource,
                holder=opening.holder,
                directory=opening.lock_directory,
            )
            undo.callback(lock.release)
            log = None
            if opening.exchange_log is not None:
                log = ExchangeLog(opening.exchange_log, self.role)
                undo.callback(log.close)
            self._session = Session(
                transport, self._dialect, name=name, caution=caution, log=log,
                longest_wait_s=opening.longest_wait_s,
            )  # fmt: skip
            undo.callback(self._session.close)
            self.errors_at_opening = self._session.open(opening.expected_identity)
            self._after_opening()
            self._undo = undo.pop_all()

    @property
    def name(self) -> str:
        """Give the name used in errors: role and address."""
        return self._session.name

    @property
    def identity(self) -> Identity:
        """Give the identity at opening."""
        return self._session.identity

    @property
    def recoveries(self) -> tuple[Recovery, ...]:
        """List the recoveries since opening, with the queries that were repeated after them."""
        return tuple(self._session.recoveries)

    def identify(self) -> Identity:
        """Read the identity; raise WrongInstrument when it changed since opening."""
        return self._session.read_identity()

    def check_errors(self) -> None:
        """Read the error queue until empty; raise InstrumentReportedError, or OutOfStep."""
        self._session.check_errors()

    def recover(self) -> None:
        """Bring the link back into step and re-apply the settings."""
        with self._session.held():
            self._session.recover()
            self._reapply()

    def close(self) -> None:
        """Close the link and let the address go. Changes nothing in the instrument."""
        self._undo.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    # --- for the roles ---------------------------------------------------------------------------

    def _after_opening(self) -> None:
        """Read what a role needs to know of its instrument; changes nothing."""

    def _reapply(self) -> None:
        """Set again what was set before the link was lost."""
        raise NotImplementedError

    @property
    def _common(self) -> CommonCommands:
        return self._dialect.commands

    def _send(self, template: str, values: _Values = _NONE) -> None:
        self._session.send(fill(template, values))

    def _ask(
        self, query: Query, values: _Values = _NONE, *, timeout_s: float | None = None
    ) -> Reply:
        message = fill(query.send, values)
        was_in_step = self._session.state is State.IN_STEP
        try:
            return self._session.query(message, query.shape, timeout_s=timeout_s)
        except (ReplyTimeout, LinkLost, OutOfStep, ReplyMalformed) as error:
            # Only a query, only once, and never for a session that was out of step already or that
            # a stop path took over: recovery is then for the caller to decide.
            if not (self._repeat_queries and was_in_step) or isinstance(error, TakenOver):
                raise
            with self._session.held():
                self._session.recover(repeated=message)
                self._reapply_without_repeats()
                return self._session.query(message, query.shape, timeout_s=timeout_s)

    def _ask_many(self, queries: Mapping[str, Query]) -> dict[str, Reply]:
        asked = [(query.send, query) for query in queries.values()]
        return dict(zip(queries, self._session.query_many(asked), strict=True))

    def _ask_each(self, query: Query, place: str, numbers: Sequence[int]) -> dict[int, Reply]:
        """Ask one question about each of several channels, joined where the instrument can."""
        asked = [(fill(query.send, {place: str(number)}), query) for number in numbers]
        return dict(zip(numbers, self._session.query_many(asked), strict=True))

    def _reapply_without_repeats(self) -> None:
        before, self._repeat_queries = self._repeat_queries, False
        try:
            self._reapply()
        finally:
            self._repeat_queries = before

    def _setting_number(self, reply: Reply) -> float:
        """Give a setting that was read back; raise SettingNotTaken for a sentinel."""
        value = reply.fields[0]
        if isinstance(value, int):
            return float(value)
        number = reply.only(Number)
        if number.value is None:
            raise SettingNotTaken(
                f"{self.name} reads a setting back as {number.raw} ({number.status})",
                instrument=self.name,
                answered=number.raw,
            )
        return number.value

    def _require(self, what: str, asked: object, took: object, *, agrees: bool) -> None:
        """Raise SettingNotTaken, with what the error queue says, unless the read back agrees."""
        if agrees:
            return
        entries = self._session.explain()
        reason = f": it says {'; '.join(map(str, entries))}" if entries else ""
        raise SettingNotTaken(
            f"{self.name}: {what} was set to {asked}, but reads back as {took}{reason}",
            instrument=self.name,
            asked=str(asked),
            answered=str(took),
            hint="the value may be outside the instrument's range, or somebody turned a knob",
        )

    def _require_number(
        self, what: str, asked: float, took: float, *, relative: float, resolution: float
    ) -> float:
        allowed = max(relative * abs(asked), resolution) * (1 + 1e-9)
        self._require(what, f"{asked:.6g}", f"{took:.6g}", agrees=abs(took - asked) <= allowed)
        return took

    def _require_word(self, what: str, took: str, allowed: tuple[str, ...]) -> None:
        self._require(
            what, allowed[0], took, agrees=took.upper() in {word.upper() for word in allowed}
        )
