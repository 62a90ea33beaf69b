"""Try a dialect on an instrument, line by line, with queries that measure and change nothing.

Every query of the dialect is sent but those that trigger a measurement; no setting is sent, so
nothing is energised and nothing changes. An instrument that does not know a query stays silent:
then its error queue is asked why, and the next line is tried.
"""

from __future__ import annotations

__all__ = ["ROLES", "Trial", "TriedLine", "dialects_of", "try_dialect", "try_dialects"]

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import attrs
from attrs import frozen

from drivers.dialect import CommonCommands, Dialect, DialectFile, Query, fill, shipped_dialects
from drivers.dialect_roles import (
    ImpedanceMeterDialect,
    MultimeterDialect,
    SupplyDialect,
    SwitchDialect,
    load_dialect,
)
from drivers.locks import AddressLock
from drivers.session import Session
from drivers.transport import make_transport
from labbench.errors import (
    FileProblems,
    InstrumentError,
    OutOfStep,
    Problem,
    ReplyMalformed,
    ReplyTimeout,
)
from labbench.files import nearest, read_toml
from labbench.quantities import parse_channel_list

#: role: the class that says what a dialect of it must spell
ROLES: dict[str, type[Dialect]] = {
    "impedance_meter": ImpedanceMeterDialect,
    "supply": SupplyDialect,
    "multimeter": MultimeterDialect,
    "switch": SwitchDialect,
}
#: these measure, or mean something only after a setting
_NOT_SENT = {
    "reading": "measures",
    "read_voltage": "measures",
    "read_current": "measures",
}
#: longest wait for one answer (s): what a query that measures nothing takes is milliseconds
_WAIT_S = 1.5
#: when looking for a dialect that fits, one with so many lines unanswered does not
_GIVE_UP_AFTER = 3


@frozen
class TriedLine:
    """Hold one line of a dialect: its key, what was sent, what came back.

    `problem` says why it does not work; None where it does. `why_not_sent` tells that it was left
    out and why.
    """

    key: str
    sent: str
    answered: str = ""
    problem: str | None = None
    why_not_sent: str | None = None


@frozen
class Trial:
    """Hold what a dialect came to on an instrument."""

    dialect: str
    role: str
    identity: str
    lines: tuple[TriedLine, ...]

    @property
    def tried(self) -> int:
        """Tell how many lines were sent."""
        return sum(line.why_not_sent is None for line in self.lines)

    @property
    def worked(self) -> int:
        """Tell how many of them were answered as declared."""
        return sum(line.why_not_sent is None and line.problem is None for line in self.lines)

    @property
    def fits(self) -> bool:
        """Tell whether every line that was sent works."""
        return self.tried > 0 and self.worked == self.tried


def dialects_of(role: str) -> list[str]:
    """List the shipped dialects of a role."""
    return [name for name, path in shipped_dialects().items() if read_toml(path)["role"] == role]


def try_dialects(
    resource: str, roles: tuple[str, ...] = tuple(ROLES), *, lock_directory: Path | None = None
) -> list[Trial]:
    """Try every shipped dialect of these roles on an instrument; the best first.

    Raises InputError (address), AddressLocked, ConnectionFailed, ReplyTimeout where it does not
    even say who it is.
    """
    trials: list[Trial] = []
    refusals: list[InstrumentError] = []
    for role in roles:
        for name in dialects_of(role):
            try:
                trials.append(_try(resource, name, lock_directory, give_up_after=_GIVE_UP_AFTER))
            except (ReplyTimeout, ReplyMalformed, OutOfStep) as error:
                # Its replies end otherwise than this dialect says: another may fit.
                refusals.append(error)
                line = TriedLine("identity", "*IDN?", error.answered or "", error.message)
                trials.append(Trial(name, role, "", (line,)))
    if refusals and len(refusals) == len(trials):
        raise refusals[0]
    return sorted(trials, key=lambda trial: (-trial.worked / max(trial.tried, 1), -trial.worked))


def try_dialect(
    resource: str, name_or_path: str | Path, *, lock_directory: Path | None = None
) -> Trial:
    """Try one dialect (a shipped name or a file) on an instrument, line by line.

    Raises FileProblems (dialect) with every problem at once, InputError (address), AddressLocked,
    ConnectionFailed, ReplyTimeout or ReplyMalformed where it does not even say who it is.
    """
    return _try(resource, name_or_path, lock_directory, give_up_after=None)


def _try(
    resource: str, name_or_path: str | Path, lock_directory: Path | None, give_up_after: int | None
) -> Trial:
    found = _load(name_or_path)
    dialect = found.dialect
    transport = make_transport(resource, dialect.serial)
    lock = AddressLock(
        transport.lock_key, address=resource, holder="labbench (trying a dialect)",
        directory=lock_directory,
    )  # fmt: skip
    session = Session(
        transport, dialect, name=f"the instrument at {resource}", longest_wait_s=_WAIT_S
    )
    try:
        session.open()
        channel = _one_channel(dialect)
        lines = tuple(_try_all(session, dialect.commands, channel, give_up_after))
        return Trial(dialect.name, dialect.role, session.identity.raw.strip(), lines)
    finally:
        session.close()
        lock.release()


def _load(name_or_path: str | Path) -> DialectFile[Any]:
    path = Path(name_or_path)
    shipped = shipped_dialects()
    if str(name_or_path) in shipped:
        path = shipped[str(name_or_path)]
    elif path.suffix != ".toml" and not path.exists():
        raise FileProblems(
            [
                Problem(
                    str(name_or_path), "there is no dialect of this name",
                    suggestion=nearest(str(name_or_path), shipped),
                )
            ],
            hint=f"known: {', '.join(shipped)}; one of your own is given by its file",
        )  # fmt: skip
    role = read_toml(path).get("role")
    if role not in ROLES:
        raise FileProblems(
            [
                Problem(
                    str(path), f"the role is {role!r}; known: {', '.join(ROLES)}", key="role",
                    suggestion=nearest(str(role), ROLES) if role else None,
                )
            ]
        )  # fmt: skip
    return load_dialect(path, ROLES[role])


def _one_channel(dialect: Dialect) -> str:
    """Return a channel that the instrument has: the first of a supply, a relay of a switch."""
    relays: str | None = getattr(dialect, "relays", None)
    return str(parse_channel_list(relays)[0]) if relays else "1"


def _try_all(
    session: Session, commands: CommonCommands, channel: str, give_up_after: int | None
) -> Iterator[TriedLine]:
    failed = 0
    for key, value in _spelled("", commands):
        if isinstance(value, str):
            yield TriedLine(key, value, why_not_sent="a setting: it would change the instrument")
        elif give_up_after is not None and failed >= give_up_after:
            yield TriedLine(key, value.send, problem="not tried any more: too many others failed")
        else:
            line = _try_query(session, key, value, channel)
            failed += line.problem is not None
            yield line


def _spelled(before: str, commands: Any) -> Iterator[tuple[str, Query | str]]:
    """Yield every command of a table and of the tables in it; words are no commands."""
    for attribute in attrs.fields(type(commands)):
        value = getattr(commands, attribute.name)
        key = f"{before}{attribute.name}"
        if isinstance(value, Query | str):
            yield key, value
        elif attrs.has(type(value)):
            yield from _spelled(f"{key}.", value)


def _try_query(session: Session, key: str, query: Query, channel: str) -> TriedLine:
    sent = fill(query.send, {"channel": channel})
    if reason := _NOT_SENT.get(key):
        return TriedLine(key, sent, why_not_sent=f"it {reason}")
    try:
        reply = session.query(sent, query.shape)
    except InstrumentError as error:
        problem = error.message.removeprefix(f"{session.name} ").removeprefix("was asked ")
        answered = error.answered or ""
    else:
        return TriedLine(key, sent, reply.raw.strip())
    session.recover()
    return TriedLine(key, sent, answered.strip(), problem)
