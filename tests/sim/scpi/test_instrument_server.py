"""The TCP server and its fault schedule, seen from bare sockets.

Does not cover what a VISA library makes of each fault (test_links_through_visa), nor the
instruments behind the server.
"""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.clock import RateClock
from sim.link_faults import FaultKind, FaultSchedule, LinkFault
from sim.scpi.command import Command
from sim.scpi.interpreter import Interpreter
from sim.scpi.parameters import Number
from sim.server import InstrumentServer

PATIENCE_S = 10.0  # a bound that only a failure reaches
SHORT_S = 0.15  # long enough for a reply that will come, where none must


class Counter:
    """An instrument that counts how often it has been set and asked."""

    def __init__(self, clock: RateClock | None = None) -> None:
        self.value = 0
        self.clock = clock or RateClock(1.0)
        self.interpreter = Interpreter(
            [
                Command("VALue", do=self.set, takes=(Number(integer=True),), answer=self.ask),
                Command("MEASure", answer=self.measure),
            ],
            identity="harbour,counter,1,1.0",
            reset=lambda: None,
        )

    def set(self, value: int) -> None:
        self.value = value

    def ask(self) -> str:
        self.value += 1
        return f"{self.value:+.3E}"

    def measure(self) -> str:
        self.clock.sleep_s(3600.0)
        return "1"


class Client:
    """A socket that sends and receives lines."""

    def __init__(self, server: InstrumentServer) -> None:
        self.socket = socket.create_connection(("127.0.0.1", server.port), timeout=PATIENCE_S)

    def send(self, text: str) -> None:
        self.socket.sendall(text.encode("latin-1"))

    def line(self) -> bytes:
        """Return bytes up to and with a line feed, or up to the end of the stream."""
        data = b""
        while not data.endswith(b"\n"):
            byte = self.socket.recv(1)
            if not byte:
                break
            data += byte
        return data

    def ask(self, text: str) -> bytes:
        self.send(text + "\n")
        return self.line()

    def nothing_comes(self) -> bool:
        self.socket.settimeout(SHORT_S)
        try:
            return self.socket.recv(1) is None
        except TimeoutError:
            return True
        finally:
            self.socket.settimeout(PATIENCE_S)

    def is_closed(self) -> bool:
        try:
            return self.socket.recv(1) == b""
        except ConnectionResetError:
            return True


@contextmanager
def client_of(server: InstrumentServer) -> Iterator[Client]:
    client = Client(server)
    try:
        yield client
    finally:
        client.socket.close()


@contextmanager
def serving(
    *faults: tuple[int, FaultKind, float | bytes | None], **options: object
) -> Iterator[tuple[InstrumentServer, Client]]:
    with (
        InstrumentServer(
            Counter().interpreter,
            faults=FaultSchedule(faults),
            **options,  # type: ignore[arg-type]
        ) as server,
        client_of(server) as client,
    ):
        yield server, client


def test_a_query_is_answered_with_one_line() -> None:
    with serving() as (server, client):
        assert client.ask("*IDN?") == b"harbour,counter,1,1.0\n"
        assert client.ask("VAL?;VAL?") == b"+1.000E+00;+2.000E+00\n"
        assert server.exchanges == 2
        assert server.address == f"TCPIP::127.0.0.1::{server.port}::SOCKET"


def test_a_carriage_return_before_the_line_feed_does_no_harm() -> None:
    with serving() as (_, client):
        client.send("*OPC?\r\n")
        assert client.line() == b"1\n"


def test_a_message_in_pieces_and_several_in_one_piece_are_taken_alike() -> None:
    with serving() as (_, client):
        for piece in ("VA", "L?", "\nVAL?\nVAL", "?\n"):
            client.send(piece)
        assert [client.line() for _ in range(3)] == [
            b"+1.000E+00\n",
            b"+2.000E+00\n",
            b"+3.000E+00\n",
        ]


def test_an_unknown_query_gets_no_reply_and_the_queue_says_why() -> None:
    with serving() as (_, client):
        client.send("FETC:IMP?\n")
        assert client.nothing_comes()
        assert client.ask("SYST:ERR?") == b'-113,"Undefined header;FETC:IMP"\n'


def test_several_connections_speak_to_one_instrument() -> None:
    with serving() as (server, first), client_of(server) as second:
        first.send("VAL 41\n")
        assert first.ask("*OPC?") == b"1\n"
        assert second.ask("VAL?") == b"+4.200E+01\n"
        first.send("FOO\n")
        assert first.ask("*OPC?") == b"1\n"
        assert second.ask("SYST:ERR?") == b'-113,"Undefined header;FOO"\n'


def test_connections_at_once_get_their_own_answers() -> None:
    wrong: list[bytes] = []

    def ask(server: InstrumentServer, text: str, reply: bytes) -> None:
        with client_of(server) as client:
            for _ in range(100):
                answer = client.ask(text)
                if answer != reply:
                    wrong.append(answer)

    with InstrumentServer(Counter().interpreter) as server:
        threads = [
            threading.Thread(target=ask, args=(server, *pair))
            for pair in (("*OPC?", b"1\n"), ("*TST?", b"0\n"), ("SYST:VERS?", b"1999.0\n"))
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert wrong == []


def test_a_message_beyond_the_bound_is_an_error_and_is_dropped() -> None:
    with serving(longest_message_bytes=64) as (_, client):
        client.send("VAL " + "9" * 1000 + "\n")
        assert client.ask("SYST:ERR?") == (b'-363,"Input buffer overrun;more than 64 bytes"\n')
        assert client.ask("VAL?;SYST:ERR?") == b'+1.000E+00;0,"No error"\n'


def test_a_message_beyond_the_bound_is_dropped_though_its_end_never_comes() -> None:
    with serving(longest_message_bytes=64) as (server, client), client_of(server) as other:
        client.send("x" * 100_000)
        assert client.nothing_comes()
        assert other.ask("SYST:ERR?").startswith(b"-363,")
        assert other.ask("SYST:ERR?") == b'0,"No error"\n'


def test_replies_end_as_the_server_was_told() -> None:
    with serving(reply_terminator=b"\r\n") as (_, client):
        assert client.ask("*OPC?") == b"1\r\n"


def test_nagles_algorithm_is_off() -> None:
    seen: list[int] = []
    counter = Counter()
    with InstrumentServer(counter.interpreter) as server, client_of(server) as client:
        assert client.ask("*OPC?") == b"1\n"
        with server._lock:
            for connection in server._connections:
                seen.append(connection.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY))
    assert seen == [1]


def test_a_taken_port_is_an_error_and_leaves_no_socket() -> None:
    with InstrumentServer(Counter().interpreter) as server, pytest.raises(OSError, match="in use"):
        InstrumentServer(Counter().interpreter, port=server.port)


def test_closing_leaves_no_thread_and_no_listener() -> None:
    before = set(threading.enumerate())
    server = InstrumentServer(Counter().interpreter)
    with client_of(server) as idle, client_of(server) as busy:
        assert idle.ask("*OPC?") == b"1\n"
        busy.send("VAL?\nVA")
        assert busy.line() == b"+1.000E+00\n"
        server.close()
        assert idle.is_closed()
        assert busy.is_closed()
    assert set(threading.enumerate()) == before
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", server.port), timeout=PATIENCE_S)
    server.close()  # twice does no harm


def test_closing_does_not_wait_for_a_measurement_once_the_clock_is_released() -> None:
    before = set(threading.enumerate())
    clock = RateClock(1.0)
    server = InstrumentServer(Counter(clock).interpreter)
    with client_of(server) as client:
        client.send("MEAS?\n")
        while server.exchanges < 1:
            time.sleep(0.001)
        clock.release()
        server.close()
    assert set(threading.enumerate()) == before


def test_closing_does_not_wait_for_a_client_that_does_not_read() -> None:
    before = set(threading.enumerate())
    with InstrumentServer(Counter().interpreter) as server, client_of(server) as client:
        client.socket.setblocking(False)
        # Queries without reading a reply, until neither side takes any more.
        stuck = 0
        while stuck < 3:
            try:
                client.socket.send(b"*IDN?\n" * 2000)
                stuck = 0
            except BlockingIOError:
                stuck += 1
                time.sleep(0.05)
    assert set(threading.enumerate()) == before


def test_a_client_that_goes_away_harms_nobody_else() -> None:
    with serving() as (server, client):
        for _ in range(20):
            with client_of(server) as rude:
                rude.socket.setsockopt(
                    socket.SOL_SOCKET, socket.SO_LINGER, b"\x01\0\0\0" + bytes(4)
                )
                rude.send("VAL?\n" * 50)
        assert client.ask("*OPC?") == b"1\n"


# The fault schedule -------------------------------------------------------------------------------


def test_a_refused_message_is_not_carried_out_and_the_queue_says_so() -> None:
    with serving((2, "refuse", -221)) as (_, client):
        assert client.ask("VAL?") == b"+1.000E+00\n"
        client.send("VAL?\n")
        assert client.nothing_comes()
        assert client.ask("VAL?;SYST:ERR?") == b'+2.000E+00;-221,"Settings conflict"\n'


def test_a_silent_exchange_is_not_carried_out_and_leaves_no_trace() -> None:
    with serving((1, "silent", None)) as (_, client):
        client.send("VAL?\n")
        assert client.nothing_comes()
        assert client.ask("VAL?;SYST:ERR?") == b'+1.000E+00;0,"No error"\n'


def test_a_lost_reply_has_acted_all_the_same() -> None:
    with serving((1, "act-but-lose-reply", None)) as (_, client):
        client.send("VAL 7;VAL?\n")
        assert client.nothing_comes()
        assert client.ask("VAL?") == b"+9.000E+00\n"


def test_a_late_reply_does_not_come_before_its_time() -> None:
    with serving((1, "late", 3600.0)) as (server, client), client_of(server) as other:
        client.send("VAL?\n")
        assert client.nothing_comes()
        assert other.ask("VAL?") == b"+2.000E+00\n"  # it has been carried out


def test_a_late_reply_comes_before_the_next_one() -> None:
    with serving((1, "late", SHORT_S)) as (_, client):
        client.send("VAL?\nVAL?\n")
        assert client.line() == b"+1.000E+00\n"
        assert client.line() == b"+2.000E+00\n"


def test_the_second_half_of_a_split_reply_does_not_come_before_its_time() -> None:
    with serving((1, "split", 3600.0)) as (_, client):
        client.send("VAL?\n")
        assert client.socket.recv(100) == b"+1.00"
        assert client.nothing_comes()


def test_a_split_reply_comes_whole_in_the_end() -> None:
    with serving((1, "split", SHORT_S)) as (_, client):
        client.send("VAL?\n")
        assert client.socket.recv(100) == b"+1.00"
        assert client.line() == b"0E+00\n"


def test_a_doubled_reply_comes_twice() -> None:
    with serving((1, "double", None)) as (_, client):
        assert client.ask("VAL?") == b"+1.000E+00\n"
        assert client.ask("VAL?") == b"+1.000E+00\n"
        assert client.line() == b"+2.000E+00\n"


@pytest.mark.parametrize(
    ("noise", "line"),
    [(None, b"+1.00\xffE+00\n"), (b"7", b"+1.007E+00\n"), (b"?" * 99, b"+1.00?????\n")],
)
def test_a_garbled_reply_has_wrong_bytes_in_its_middle(noise: bytes | None, line: bytes) -> None:
    with serving((1, "garble", noise)) as (_, client):
        assert client.ask("VAL?") == line
        assert client.ask("VAL?") == b"+2.000E+00\n"


def test_an_unterminated_reply_runs_into_the_next_one() -> None:
    with serving((1, "unterminated", None)) as (_, client):
        client.send("VAL?\n")
        assert client.socket.recv(100) == b"+1.000E+00"
        assert client.nothing_comes()
        assert client.ask("VAL?") == b"+2.000E+00\n"


@pytest.mark.parametrize(("kind", "acted"), [("disconnect", False), ("act-and-disconnect", True)])
def test_a_connection_that_is_cut_can_be_made_again_at_once(kind: FaultKind, acted: bool) -> None:
    with serving((1, kind, None)) as (server, client):
        client.send("VAL?\n")
        assert client.is_closed()
        with client_of(server) as again:
            assert again.ask("VAL?") == (b"+2.000E+00\n" if acted else b"+1.000E+00\n")


def test_a_server_that_vanishes_comes_back_on_its_port() -> None:
    with serving((2, "vanish", SHORT_S)) as (server, client), client_of(server) as other:
        assert other.ask("*OPC?") == b"1\n"
        client.send("VAL?\n")
        assert client.is_closed()
        assert other.is_closed()
        deadline = time.monotonic() + PATIENCE_S
        while True:
            try:
                back = Client(server)
                break
            except ConnectionRefusedError:
                assert time.monotonic() < deadline
                time.sleep(0.01)
        assert back.ask("VAL?") == b"+1.000E+00\n"
        back.socket.close()


def test_a_server_that_vanishes_for_good_still_closes_cleanly() -> None:
    before = set(threading.enumerate())
    with serving((1, "vanish", None)) as (server, client):
        client.send("VAL?\n")
        assert client.is_closed()
        with pytest.raises(ConnectionRefusedError):
            Client(server)
    assert set(threading.enumerate()) == before


def test_a_deaf_server_reads_nothing_until_the_writer_is_stuck() -> None:
    with serving((1, "deaf", None)) as (server, client), client_of(server) as other:
        client.send("VAL?\n")
        client.socket.settimeout(0.5)
        with pytest.raises(TimeoutError):
            client.socket.sendall(b" " * 100_000_000)
        assert other.ask("VAL?") == b"+1.000E+00\n"


def test_exchanges_are_counted_over_all_connections() -> None:
    with serving((3, "silent", None)) as (server, client), client_of(server) as other:
        assert client.ask("*OPC?") == b"1\n"
        assert other.ask("*OPC?") == b"1\n"
        client.send("VAL?\n")
        assert client.nothing_comes()
        assert server.exchanges == 3


def test_a_schedule_can_be_replaced_while_serving() -> None:
    with serving() as (server, client):
        assert client.ask("VAL?") == b"+1.000E+00\n"
        server.faults = FaultSchedule([LinkFault(server.exchanges + 1, "silent")])
        client.send("VAL?\n")
        assert client.nothing_comes()
        assert client.ask("VAL?") == b"+2.000E+00\n"


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        ((0, "silent", None), "counted from 1"),
        ((1, "slow", None), "no such kind"),
        ((1, "late", None), "number of seconds"),
        ((1, "split", -1.0), "cannot take"),
        ((1, "silent", 3.0), "cannot take"),
        ((1, "garble", b""), "cannot take"),
        ((1, "vanish", b"x"), "cannot take"),
    ],
)
def test_a_fault_that_is_none_is_refused(
    fault: tuple[int, FaultKind, float | bytes | None], words: str
) -> None:
    with pytest.raises(ValueError, match=words):
        FaultSchedule([fault])


def test_two_faults_for_one_exchange_are_refused() -> None:
    with pytest.raises(ValueError, match="two faults for exchange 4"):
        FaultSchedule([(4, "silent", None), (4, "double", None)])


def test_every_kind_of_fault_has_a_line_in_the_table() -> None:
    assert LinkFault.__doc__ is not None
    for kind in get_args(FaultKind):
        assert f"\n    {kind} " in LinkFault.__doc__


@given(st.lists(st.binary(max_size=60), max_size=8))
@settings(max_examples=60, deadline=None)
def test_any_bytes_on_the_wire_leave_a_working_server(pieces: list[bytes]) -> None:
    with InstrumentServer(Counter().interpreter, longest_message_bytes=100) as server:
        with client_of(server) as client:
            for piece in pieces:
                client.socket.sendall(piece)
        with client_of(server) as client:
            assert client.ask("*OPC?") == b"1\n"


def test_a_reply_that_is_repeated_later_comes_ahead_of_the_next_one() -> None:
    with serving((1, "repeat-later", None)) as (_, client):
        first = client.ask("*OPC?")
        second = client.ask("*IDN?")
        third = client.ask("*ESE?")
    # every answer is one behind, and nothing tells before the line is looked at
    assert first == b"1\n"
    assert second == b"1\n"
    assert third != b"0\n"
