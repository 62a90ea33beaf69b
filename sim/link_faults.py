"""Faults of a link, by schedule: the Nth message goes wrong in a stated way.

Messages are counted over the life of a server, whatever connection they come by, from 1: a client
that reopens after a fault goes on counting. Nothing depends on chance.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Literal, cast, get_args

from sim.links.kinds import impossible
from sim.text import Table

FaultKind = Literal[
    "refuse",
    "silent",
    "act-but-lose-reply",
    "late",
    "split",
    "double",
    "repeat-later",
    "garble",
    "unterminated",
    "disconnect",
    "act-and-disconnect",
    "vanish",
    "deaf",
]

_NEEDS_SECONDS = ("late", "split")
_TAKES_SECONDS = (*_NEEDS_SECONDS, "vanish", "deaf")


@dataclass(frozen=True)
class LinkFault:
    """What goes wrong with one message.

    ==================== ============ ===========================================================
    kind                 carried out  what the client sees
    ==================== ============ ===========================================================
    refuse               no           no reply, the error ``parameter`` (default -200) in the queue
    silent               no           no reply, no error
    act-but-lose-reply   yes          no reply
    late                 yes          the reply after ``parameter`` seconds
    split                yes          half of the reply, the rest after ``parameter`` seconds
    double               yes          the reply twice
    repeat-later         yes          the reply, and once more right ahead of the next reply
    garble               yes          ``parameter`` (bytes, default FF hex) over the middle byte
    unterminated         yes          the reply without its terminator
    disconnect           no           the connection closed
    act-and-disconnect   yes          the connection closed, no reply
    vanish               no           every connection closed, new ones refused for ``parameter``
                                      seconds (None: for good)
    deaf                 no           nothing more is read from this connection for ``parameter``
                                      seconds (None: for good)
    ==================== ============ ===========================================================

    Seconds are real ones, as the client's time-outs are. What a kind of link makes of these, and
    which it does not have, stands in README.md.
    """

    exchange: int
    kind: FaultKind
    parameter: float | bytes | None = None

    def __post_init__(self) -> None:
        problems = []
        if self.exchange < 1:
            problems.append(f"messages are counted from 1, not {self.exchange}")
        if self.kind not in get_args(FaultKind):
            known = ", ".join(get_args(FaultKind))
            problems.append(f"no such kind of fault: {self.kind!r}; known: {known}")
        number = isinstance(self.parameter, int | float)
        if self.kind in _NEEDS_SECONDS and not number:
            problems.append(f"{self.kind} needs a number of seconds")
        if self.kind in _TAKES_SECONDS and isinstance(self.parameter, int | float):
            if not self.parameter >= 0.0:
                problems.append(f"{self.kind} cannot take {self.parameter!r} s")
        elif self.parameter is not None and not (
            (self.kind == "refuse" and number)
            or (self.kind == "garble" and isinstance(self.parameter, bytes) and self.parameter)
        ):
            problems.append(f"{self.kind} cannot take the parameter {self.parameter!r}")
        if problems:
            raise ValueError("; ".join(problems))

    @property
    def acts(self) -> bool:
        """Tell whether the message is carried out all the same."""
        return self.kind not in ("refuse", "silent", "disconnect", "vanish", "deaf")


class FaultSchedule:
    """Which message goes wrong, and how."""

    def __init__(
        self, faults: Iterable[LinkFault | tuple[int, FaultKind, float | bytes | None]] = ()
    ) -> None:
        """Take faults, or tuples of (exchange number, kind, parameter).

        Raises ValueError for a fault that is none, or two for one exchange.
        """
        self._faults: dict[int, LinkFault] = {}
        for entry in faults:
            fault = entry if isinstance(entry, LinkFault) else LinkFault(*entry)
            if fault.exchange in self._faults:
                raise ValueError(f"two faults for exchange {fault.exchange}")
            self._faults[fault.exchange] = fault

    def at(self, exchange: int) -> LinkFault | None:
        """Return the fault of this exchange, if it has one."""
        return self._faults.get(exchange)

    def __iter__(self) -> Iterator[LinkFault]:
        """Yield the faults by exchange number."""
        return iter(sorted(self._faults.values(), key=lambda fault: fault.exchange))


def read_schedules(tables: Iterable[Table], links: Mapping[str, str]) -> dict[str, FaultSchedule]:
    """Read ``[[link_faults]]`` of a scenario into a schedule for each instrument that has one.

    ``links`` gives the kind of link of each instrument. Problems are noted in the tables, as
    everywhere in a scenario.
    """
    known = tuple(links)
    faults: dict[str, list[LinkFault]] = {}
    for table in tables:
        role = table.text("instrument", known=known)
        exchange = table.whole("exchange", at_least=1)
        kind = table.text("kind", known=get_args(FaultKind))
        parameter = _parameter(table, kind)
        table.refuse_the_rest()
        if role not in known or kind not in get_args(FaultKind):
            continue
        if impossible(links[role], kind):
            table.problem("kind", f"a link of kind {links[role]} cannot {kind}")
            continue
        if any(other.exchange == exchange for other in faults.get(role, ())):
            table.problem("exchange", f"another fault of {role} has {exchange}")
            continue
        faults.setdefault(role, []).append(LinkFault(exchange, cast(FaultKind, kind), parameter))
    return {role: FaultSchedule(entries) for role, entries in faults.items()}


def _parameter(table: Table, kind: str) -> float | bytes | None:
    if kind in _NEEDS_SECONDS or (kind in _TAKES_SECONDS and "after" in table):
        return table.quantity("after", "s", at_least=0.0)
    if kind == "refuse" and "code" in table:
        code = table.raw("code")
        if isinstance(code, int) and -900 < code < 0:
            return code
        table.problem("code", f"{code!r} is not an error number such as -221")
    if kind == "garble" and "noise" in table:
        noise = table.text("noise")
        if noise.isascii():
            return noise.encode("ascii") or None
        table.problem("noise", "must be ASCII; left out, it is the byte FF")
    return None
