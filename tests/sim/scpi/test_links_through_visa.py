"""What a VISA client makes of each fault: the simulator can show every trouble of a raw socket.

The expectations are measured facts about pyvisa with pyvisa-py on raw sockets, so this also
tells when another version behaves differently. Does not cover how the drivers cure them.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import cast

import pytest
import pyvisa
from pyvisa.resources import MessageBasedResource

from sim.link_faults import FaultKind, FaultSchedule
from sim.scpi.command import Command
from sim.scpi.interpreter import Interpreter
from sim.server import InstrumentServer

TIMEOUT_MS = 200
LATE_S = 1.0  # far beyond the time-out


@pytest.fixture(scope="module")
def manager() -> Iterator[pyvisa.ResourceManager]:
    manager = pyvisa.ResourceManager("@py")
    yield manager
    manager.close()


@contextmanager
def visa(
    manager: pyvisa.ResourceManager,
    *faults: tuple[int, FaultKind, float | bytes | None],
    terminators: bool = True,
    reply_terminator: bytes = b"\n",
) -> Iterator[tuple[MessageBasedResource, InstrumentServer]]:
    interpreter = Interpreter(
        [Command(word, answer=lambda reply=reply: reply) for word, reply in REPLIES.items()],
        identity="harbour,test instrument,1,1.0",
        reset=lambda: None,
    )
    with InstrumentServer(
        interpreter, faults=FaultSchedule(faults), reply_terminator=reply_terminator
    ) as server:
        session = cast(MessageBasedResource, manager.open_resource(server.address))
        try:
            session.timeout = TIMEOUT_MS
            if terminators:
                session.read_termination = session.write_termination = "\n"
            yield session, server
        finally:
            session.close()


REPLIES = {"CURRent": "1.2356E-06", "VOLTage": "2.5000E+00"}


def times_out(action: Callable[[], object]) -> bool:
    with pytest.raises(pyvisa.VisaIOError) as caught:
        action()
    return bool(caught.value.error_code == pyvisa.constants.StatusCode.error_timeout)


def test_without_terminators_the_first_query_times_out_though_it_was_answered(
    manager: pyvisa.ResourceManager,
) -> None:
    with visa(manager, terminators=False) as (session, server):
        assert session.read_termination is None
        assert session.write_termination == "\r\n"
        assert times_out(lambda: session.query("CURR?"))
        assert server.exchanges == 1


def test_after_a_late_reply_every_answer_is_one_behind(manager: pyvisa.ResourceManager) -> None:
    with visa(manager, (1, "late", LATE_S)) as (session, _):
        assert times_out(lambda: session.query("CURR?"))
        session.timeout = 10_000
        assert session.query("VOLT?") == REPLIES["CURRent"]
        assert session.query("CURR?") == REPLIES["VOLTage"]


def test_the_tail_of_a_split_reply_passes_for_a_number(manager: pyvisa.ResourceManager) -> None:
    with visa(manager, (1, "split", LATE_S)) as (session, _):
        assert times_out(lambda: session.query("CURR?"))
        session.timeout = 10_000
        assert float(session.query("VOLT?")) == 6e-6  # of 1.2356E-06


def test_the_second_of_two_lines_answers_the_next_query(manager: pyvisa.ResourceManager) -> None:
    with visa(manager, (1, "double", None)) as (session, _):
        assert session.query("CURR?") == REPLIES["CURRent"]
        assert session.query("VOLT?") == REPLIES["CURRent"]


def test_clearing_a_socket_does_not_stop_a_late_reply(manager: pyvisa.ResourceManager) -> None:
    with visa(manager, (1, "late", LATE_S)) as (session, _):
        assert times_out(lambda: session.query("CURR?"))
        session.clear()
        session.timeout = 10_000
        assert session.query("VOLT?") == REPLIES["CURRent"]


def test_a_new_connection_is_in_step_again(manager: pyvisa.ResourceManager) -> None:
    with visa(manager, (1, "split", LATE_S)) as (session, _):
        assert times_out(lambda: session.query("CURR?"))
        session.close()
        session.open()
        session.timeout = 10_000
        session.read_termination = session.write_termination = "\n"
        assert session.query("VOLT?") == REPLIES["VOLTage"]


def test_a_closed_connection_looks_like_a_time_out(manager: pyvisa.ResourceManager) -> None:
    with visa(manager, (1, "disconnect", None)) as (session, _):
        assert times_out(lambda: session.query("CURR?"))


def test_a_refused_port_shows_at_the_first_write_and_not_at_opening(
    manager: pyvisa.ResourceManager,
) -> None:
    with visa(manager, (1, "vanish", None)) as (session, server):
        assert times_out(lambda: session.query("CURR?"))
        # The failed socket of an unconnected resource is closed by its own close().
        again = cast(MessageBasedResource, manager.open_resource(server.address))
        with pytest.raises((OSError, pyvisa.VisaIOError)):
            again.write("CURR?")
        again.close()


def test_a_write_to_a_peer_that_does_not_read_ignores_the_time_out(
    manager: pyvisa.ResourceManager,
) -> None:
    with visa(manager, (1, "deaf", None)) as (session, server):
        session.write("CURR?")
        writer = threading.Thread(target=_write_much, args=(session,))
        writer.start()
        writer.join(5 * TIMEOUT_MS / 1000.0)
        assert writer.is_alive()
        server.close()  # the peer goes away, and so does the block
        writer.join(30.0)
        assert not writer.is_alive()


def _write_much(session: MessageBasedResource) -> None:
    with pytest.raises((OSError, pyvisa.VisaIOError)):
        session.write("x" * 100_000_000)


def test_a_carriage_return_stays_in_the_text(manager: pyvisa.ResourceManager) -> None:
    with visa(manager, reply_terminator=b"\r\n") as (session, _):
        assert session.query("CURR?") == REPLIES["CURRent"] + "\r"


def test_a_reply_without_terminator_is_lost(manager: pyvisa.ResourceManager) -> None:
    with visa(manager, (1, "unterminated", None)) as (session, _):
        assert times_out(lambda: session.query("CURR?"))
        assert session.query("VOLT?") == REPLIES["VOLTage"]


def test_a_garbled_reply_cannot_be_decoded(manager: pyvisa.ResourceManager) -> None:
    with visa(manager, (1, "garble", b"\xff")) as (session, _):
        with pytest.raises(UnicodeDecodeError):
            session.query("CURR?")
        assert session.query("CURR?") == REPLIES["CURRent"]


def test_two_threads_on_one_session_get_each_others_answers(
    manager: pyvisa.ResourceManager,
) -> None:
    with visa(manager) as (session, _):
        session.timeout = 2000
        wrong: list[str] = []

        def ask(header: str, reply: str) -> None:
            deadline = time.monotonic() + 30.0
            while not wrong and time.monotonic() < deadline:
                try:
                    answer = session.query(header)
                except pyvisa.VisaIOError as error:
                    answer = str(error)
                if answer != reply:
                    wrong.append(answer)

        threads = [
            threading.Thread(target=ask, args=("CURR?", REPLIES["CURRent"])),
            threading.Thread(target=ask, args=("VOLT?", REPLIES["VOLTage"])),
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert wrong


def test_an_unknown_query_is_a_time_out_and_the_queue_says_why(
    manager: pyvisa.ResourceManager,
) -> None:
    with visa(manager) as (session, _):
        assert times_out(lambda: session.query("FETC:IMP?"))
        assert session.query("SYST:ERR?") == '-113,"Undefined header;FETC:IMP"'
