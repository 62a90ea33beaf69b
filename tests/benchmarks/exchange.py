"""Measure what an exchange costs above a bare pyvisa query to the same instrument.

Both go over pyvisa and pyvisa-py to one peer in another process, in turns. Bare: `query` with
terminators, Nagle's algorithm off (with it on, a write before a query waits some 40 ms). Ours adds
what keeps a session safe: the look for surplus bytes before and after, the peek for the end of the
connection, deadlines, the lock, strict parsing.
"""

from __future__ import annotations

import socket
import time
from collections.abc import Callable
from typing import Any

import pyvisa

from drivers.dialect_roles import SupplyDialect, load_dialect
from drivers.reply_shapes import shape_of
from drivers.scpi import Number
from drivers.session import Session
from drivers.transport import make_transport, visa_manager
from tests.benchmarks.figures import Figure, median
from tests.benchmarks.peer import peer

EXCHANGES = 4000
GOAL_US = 20.0
SETS_GOAL_MS = 1.0


def measure() -> list[Figure]:
    """Measure query, and two writes before a query."""
    with peer() as resource:
        bare = _bare(resource)
        untouched = _bare(resource, no_delay=False)
        session = Session(
            make_transport(resource),
            load_dialect("supply-scpi99", SupplyDialect).dialect,
            name="the peer",
        )
        session.open()
        number = shape_of("number")

        def bare_query() -> None:
            float(bare.query("MEAS:VOLT?"))

        def our_query() -> None:
            assert session.query("MEAS:VOLT?", number).only(Number).value == 1.23456789

        def bare_sets() -> None:
            bare.write("VOLT 1")
            bare.write("CURR 2")
            float(bare.query("VOLT?"))

        def our_sets() -> None:
            session.send("VOLT 1")
            session.send("CURR 2")
            assert session.query("VOLT?", number).only(Number).value == 1.23456789

        def untouched_sets() -> None:
            untouched.write("VOLT 1")
            untouched.write("CURR 2")
            float(untouched.query("VOLT?"))

        try:
            bare_us, ours_us = _in_turns(bare_query, our_query, EXCHANGES)
            bare_sets_us, our_sets_us = _in_turns(bare_sets, our_sets, EXCHANGES // 4)
            as_it_comes_us, _ = _in_turns(untouched_sets, our_sets, 20)
        finally:
            session.close()
            untouched.close()
            bare.close()
    return [
        Figure("bare pyvisa query, median", bare_us, "µs"),
        Figure("query, median", ours_us, "µs"),
        Figure("query above a bare pyvisa query, median", ours_us - bare_us, "µs", GOAL_US),
        Figure("bare pyvisa write, write, query, median", bare_sets_us, "µs"),
        Figure("write, write, query, median", our_sets_us / 1e3, "ms", SETS_GOAL_MS),
        Figure(
            "bare pyvisa write, write, query as it comes, median",
            as_it_comes_us / 1e3,
            "ms",
            note="Nagle's algorithm on",
        ),
    ]


def _bare(resource: str, *, no_delay: bool = True) -> Any:
    """Open with pyvisa alone, in the resource manager of the process."""
    bare: Any = visa_manager().open_resource(resource)
    assert isinstance(bare, pyvisa.resources.TCPIPSocket)
    bare.read_termination = bare.write_termination = "\n"
    if no_delay:
        link = bare.visalib.sessions[bare.session].interface  # type: ignore[attr-defined]
        link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return bare


def _in_turns(
    one: Callable[[], None], other: Callable[[], None], times: int
) -> tuple[float, float]:
    """Give the medians of both (µs), taken in turns so that a busy moment meets both."""
    taken: tuple[list[float], list[float]] = ([], [])
    for number in range(times):
        for run, seconds in zip((one, other), taken, strict=True):
            begun = time.perf_counter()
            run()
            # the first ones warm caches up
            if number >= times // 20:
                seconds.append(time.perf_counter() - begun)
    return median(taken[0]) * 1e6, median(taken[1]) * 1e6
