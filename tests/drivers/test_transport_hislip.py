"""What goes wrong over HiSLIP through pyvisa-py, and what cures it; and the generic VISA transport.

The peer is a small HiSLIP server of these tests. The generic transport (for VXI-11 and USBTMC) is
exercised over HiSLIP, which VISA shows through the same calls. Does NOT cover VXI-11 or USBTMC
themselves (the first needs the port mapper's port, the second hardware), encryption, or overlapped
mode.
"""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from drivers.dialect import Dialect
from drivers.reply_shapes import shape_of
from drivers.session import Session, State
from drivers.transport import Deadline, Transport, make_transport
from drivers.transport_socket import LONGEST_MESSAGE_BYTES
from drivers.transport_visa import VisaTransport
from labbench.errors import ConnectionFailed, InputError, LinkLost, OutOfStep, ReplyTimeout
from tests.drivers import link_peers
from tests.drivers.link_peers import HislipConnection, HislipPeer, message
from tests.drivers.peers import IDENTITY, NO_ERROR, Peer

ANSWERS = {b"*IDN?": IDENTITY, b"SYST:ERR?": NO_ERROR, b"FREQ?": "1000"}


def answering(connection: HislipConnection, line: bytes) -> None:
    if (answer := ANSWERS.get(line)) is not None:
        connection.send(connection.reply(answer.encode("ascii") + b"\n"))


@pytest.fixture
def opened() -> Iterator[Callable[[str], Transport]]:
    transports: list[Transport] = []

    def opener(address: str) -> Transport:
        transport = make_transport(address)
        transports.append(transport)
        transport.open(Deadline(1.0))
        return transport

    yield opener
    for transport in transports:
        transport.close()


def ask(transport: Transport, question: bytes, seconds: float = 0.5) -> bytes:
    transport.write(question, Deadline(seconds))
    return transport.read_line(b"\n", 4096, Deadline(seconds)).data


def test_a_question_is_answered(opened: Callable[[str], Transport]) -> None:
    with HislipPeer(answering) as peer:
        transport = opened(peer.address)
        assert ask(transport, b"*IDN?\n") == IDENTITY.encode()
        assert ask(transport, b"FREQ?\n") == b"1000"
        assert transport.unread() == b""


def test_a_peer_that_goes_away_is_a_bare_runtime_error_with_pyvisa_alone(
    bare: Callable[..., Any],
) -> None:
    with HislipPeer(lambda connection, _: connection.close()) as peer:
        resource = bare(peer.address, timeout=200)
        resource.write("*IDN?")
        with pytest.raises(RuntimeError, match="dropped"):
            resource.read()


def test_a_peer_that_goes_away_is_told_at_once(opened: Callable[[str], Transport]) -> None:
    with HislipPeer(lambda connection, _: connection.close()) as peer:
        transport = opened(peer.address)
        transport.write(b"*IDN?\n", Deadline(0.5))
        with pytest.raises(LinkLost, match="closed the connection"):
            transport.read_line(b"\n", 100, Deadline(30.0))


def late(connection: HislipConnection, line: bytes) -> None:
    if line == b"READ?":
        reply = connection.reply(b"1.5\n")
        connection.wait(0.1)
        connection.send(reply)
    else:
        answering(connection, line)


def test_an_answer_to_an_earlier_question_is_dropped_by_its_number(
    opened: Callable[[str], Transport],
) -> None:
    with HislipPeer(late) as peer:
        transport = opened(peer.address)
        transport.write(b"READ?\n", Deadline(0.5))
        with pytest.raises(ReplyTimeout):
            transport.read_line(b"\n", 100, Deadline(0.03))
        assert ask(transport, b"FREQ?\n") == b"1000"


def test_a_device_clear_of_pyvisa_py_stumbles_over_an_answer_that_lies_there(
    bare: Callable[..., Any],
) -> None:
    with HislipPeer(answering) as peer:
        resource = bare(peer.address, timeout=200, write_termination="\n")
        resource.write("FREQ?")
        with pytest.raises(RuntimeError, match="DeviceClearAcknowledge"):
            resource.clear()


def test_a_device_clear_reads_past_all_that_lies_there_and_keeps_the_connection(
    opened: Callable[[str], Transport],
) -> None:
    def on_line(connection: HislipConnection, line: bytes) -> None:
        if line == b"READ?":
            assert connection.second is not None
            connection.second.sendall(message(link_peers.ASYNC_INTERRUPTED))
            connection.send(connection.reply(b"1.5\n") + connection.reply(b"2.5\n"))
        else:
            answering(connection, line)

    with HislipPeer(on_line) as peer:
        transport = opened(peer.address)
        transport.write(b"READ?\n", Deadline(0.5))
        assert transport.read_line(b"\n", 100, Deadline(0.5)).followed
        assert transport.unread() == b"2.5\n"
        assert transport.resynchronise(Deadline(1.0)) is False
        assert peer.clears == 1
        assert transport.unread() == b""
        assert ask(transport, b"FREQ?\n") == b"1000"


def test_a_device_clear_in_the_middle_of_a_reply_finds_its_end(
    opened: Callable[[str], Transport],
) -> None:
    def on_line(connection: HislipConnection, line: bytes) -> None:
        if line == b"READ?":
            whole = connection.reply(b"1.23456\n")
            connection.send(whole[:20])
            connection.wait(0.1)
            connection.send(whole[20:])
        else:
            answering(connection, line)

    with HislipPeer(on_line) as peer:
        transport = opened(peer.address)
        transport.write(b"READ?\n", Deadline(0.5))
        with pytest.raises(ReplyTimeout, match=r"only '1\.23'"):
            transport.read_line(b"\n", 100, Deadline(0.05))
        assert transport.resynchronise(Deadline(3.0)) is False
        assert ask(transport, b"FREQ?\n") == b"1000"


def test_a_server_that_does_not_clear_is_connected_to_anew(
    opened: Callable[[str], Transport],
) -> None:
    def on_line(connection: HislipConnection, line: bytes) -> None:
        if line == b"READ?":
            connection.send(b"HS no message at all")
        else:
            answering(connection, line)

    with HislipPeer(on_line) as peer:
        transport = opened(peer.address)
        transport.write(b"READ?\n", Deadline(0.5))
        with pytest.raises(OutOfStep):
            transport.read_line(b"\n", 100, Deadline(0.2))
        assert transport.resynchronise(Deadline(1.0)) is True
        assert ask(transport, b"FREQ?\n") == b"1000"


def test_a_reply_in_several_messages_is_put_together(opened: Callable[[str], Transport]) -> None:
    def on_line(connection: HislipConnection, line: bytes) -> None:
        connection.send(
            connection.reply(b"1.2", ends=False)
            + connection.reply(b"", ends=False)
            + connection.reply(b"345\n", ends=False)
            + connection.reply(b"")
        )

    with HislipPeer(on_line) as peer:
        transport = opened(peer.address)
        assert ask(transport, b"READ?\n") == b"1.2345"
        assert transport.unread() == b""
        assert ask(transport, b"READ?\n") == b"1.2345"


def test_a_reply_that_has_no_end_is_none(opened: Callable[[str], Transport]) -> None:
    def on_line(connection: HislipConnection, line: bytes) -> None:
        connection.send(connection.reply(b"1.5\n", ends=False))

    with HislipPeer(on_line) as peer:
        transport = opened(peer.address)
        transport.write(b"READ?\n", Deadline(0.5))
        with pytest.raises(ReplyTimeout, match=r"only '1\.5"):
            transport.read_line(b"\n", 100, Deadline(0.05))


def test_the_end_of_a_message_stands_for_its_terminator(opened: Callable[[str], Transport]) -> None:
    def on_line(connection: HislipConnection, line: bytes) -> None:
        connection.send(connection.reply(b"1.5"))

    with HislipPeer(on_line) as peer:
        assert ask(opened(peer.address), b"READ?\n") == b"1.5"


def test_a_second_line_in_one_message_is_no_reply_of_any_shape(plain: Dialect) -> None:
    def on_line(connection: HislipConnection, line: bytes) -> None:
        if line == b"READ?":
            connection.send(connection.reply(b"1.5\n2.5\n"))
        else:
            answering(connection, line)

    with HislipPeer(on_line) as peer:
        session = Session(make_transport(peer.address), plain, name="test peer")
        try:
            session.open()
            with pytest.raises(Exception, match="is not a number"):
                session.query("READ?", shape_of("number"))
            assert session.state is State.OUT_OF_STEP
        finally:
            session.close()


@pytest.mark.parametrize("payload", [b"9" * 200, b"9" * 70_000])
def test_a_reply_longer_than_declared_is_refused_before_it_is_read(
    opened: Callable[[str], Transport], payload: bytes
) -> None:
    with HislipPeer(lambda connection, _: connection.send(connection.reply(payload))) as peer:
        transport = opened(peer.address)
        transport.write(b"READ?\n", Deadline(0.5))
        with pytest.raises(OutOfStep, match="more than 100 bytes"):
            transport.read_line(b"\n", 100, Deadline(0.5))


def test_a_long_reply_arrives_whole(opened: Callable[[str], Transport]) -> None:
    text = b",".join(b"%d" % number for number in range(20_000))

    def on_line(connection: HislipConnection, line: bytes) -> None:
        connection.send(connection.reply(text + b"\n") if line == b"DATA?" else b"")
        answering(connection, line)

    with HislipPeer(on_line) as peer:
        transport = opened(peer.address)
        transport.write(b"DATA?\n", Deadline(2.0))
        assert transport.read_line(b"\n", 1_000_000, Deadline(2.0)).data == text
        assert ask(transport, b"FREQ?\n") == b"1000"


def test_an_error_message_of_the_server_is_in_the_error(opened: Callable[[str], Transport]) -> None:
    fatal = message(2, b"it broke", control=3)
    with HislipPeer(lambda connection, _: connection.send(fatal)) as peer:
        transport = opened(peer.address)
        transport.write(b"READ?\n", Deadline(0.5))
        with pytest.raises(LinkLost, match="HiSLIP error 3 'it broke'"):
            transport.read_line(b"\n", 100, Deadline(0.5))


def test_a_message_that_is_too_long_is_not_sent(opened: Callable[[str], Transport]) -> None:
    with HislipPeer(answering) as peer:
        transport = opened(peer.address)
        with pytest.raises(InputError, match="longer"):
            transport.write(b"A" * (LONGEST_MESSAGE_BYTES + 1), Deadline(0.1))
        assert peer.lines == []


@pytest.mark.parametrize("reads", [True, False])
def test_a_port_where_nobody_speaks_hislip_is_given_up_at_the_deadline(reads: bool) -> None:
    with Peer(lambda connection, line: None, reads=reads) as peer:
        transport = make_transport(f"TCPIP::127.0.0.1::hislip0,{peer.port}::INSTR")
        with pytest.raises(ConnectionFailed, match="does not speak HiSLIP"):
            transport.open(Deadline(0.2))


def test_a_server_that_breaks_off_in_the_middle_of_opening_leaves_no_socket_open() -> None:
    """pyvisa-py leaves its first connection open then; warnings are errors here."""
    connections = 0

    def serve(listener: socket.socket) -> None:
        nonlocal connections
        for _ in range(2):
            link, _ = listener.accept()
            with link:
                connections += 1
                if connections == 1:  # the first hello is answered, the second one is not
                    link.recv(100)
                    link.sendall(message(link_peers.INITIALIZE_RESPONSE, parameter=0x0100_0001))
                link.recv(1)

    with socket.create_server(("127.0.0.1", 0)) as listener:
        thread = threading.Thread(target=serve, args=(listener,))
        thread.start()
        port = listener.getsockname()[1]
        with pytest.raises(ConnectionFailed):
            make_transport(f"TCPIP::127.0.0.1::hislip0,{port}::INSTR").open(Deadline(1.0))
        thread.join(5)
        assert connections == 2


def test_a_wait_can_be_ended_from_another_thread(opened: Callable[[str], Transport]) -> None:
    stop = threading.Event()

    def heed() -> None:
        if stop.is_set():
            raise KeyboardInterrupt

    with HislipPeer(lambda connection, line: None) as peer:
        transport = opened(peer.address)
        timer = threading.Timer(0.05, stop.set)
        timer.start()
        transport.write(b"READ?\n", Deadline(1.0))
        with pytest.raises(KeyboardInterrupt):
            transport.read_line(b"\n", 100, Deadline(30.0, heed))
        timer.join()


def test_every_spelling_of_an_address_has_the_same_lock() -> None:
    keys = {
        make_transport(text).lock_key
        for text in (
            "TCPIP::Meter.local::hislip0::INSTR",
            "TCPIP0::meter.local::hislip0,4880::instr",
            "TCPIP::meter.local::HiSLIP0",
        )
    }
    assert keys == {"hislip meter.local 4880 hislip0"}


# --- the generic transport -----------------------------------------------------------------------


@pytest.mark.parametrize(
    "resource", ["TCPIP::192.168.1.20::INSTR", "TCPIP::192.168.1.20::inst0::INSTR",
                 "USB0::0x1234::0x5678::SN1::INSTR"],
)  # fmt: skip
def test_vxi_11_and_usbtmc_take_the_generic_transport(resource: str) -> None:
    assert isinstance(make_transport(resource), VisaTransport)


@pytest.fixture
def generic() -> Iterator[Callable[[str], VisaTransport]]:
    transports: list[VisaTransport] = []

    def opener(address: str) -> VisaTransport:
        transport = VisaTransport(address)
        transports.append(transport)
        transport.open(Deadline(1.0))
        return transport

    yield opener
    for transport in transports:
        transport.close()


def test_the_generic_transport_carries_a_session(
    plain: Dialect, generic: Callable[[str], VisaTransport]
) -> None:
    def on_line(connection: HislipConnection, line: bytes) -> None:
        if line != b"READ?":
            answering(connection, line)

    with HislipPeer(on_line) as peer:
        session = Session(VisaTransport(peer.address), plain, name="test peer")
        try:
            session.open()
            assert session.query("FREQ?", shape_of("number")).raw == "1000"
            with pytest.raises(ReplyTimeout):
                session.query("READ?", shape_of("number"), explain=False)
            session.recover()
            assert peer.clears == 1
            assert session.query("FREQ?", shape_of("number")).raw == "1000"
            other = session.second_link()
            other.open(session.identity.raw)
            other.close()
        finally:
            session.close()


def test_the_generic_transport_bounds_replies_and_messages(
    generic: Callable[[str], VisaTransport],
) -> None:
    with HislipPeer(lambda connection, _: connection.send(connection.reply(b"9" * 9000))) as peer:
        transport = generic(peer.address)
        with pytest.raises(InputError, match="too long"):
            transport.write(b"A" * (LONGEST_MESSAGE_BYTES + 1), Deadline(0.1))
        transport.write(b"READ?\n", Deadline(0.5))
        with pytest.raises(OutOfStep, match="more than 5000 bytes"):
            transport.read_line(b"\n", 5000, Deadline(0.5))
        transport.resynchronise(Deadline(2.0))
        transport.write(b"READ?\n", Deadline(0.5))
        assert len(transport.read_line(b"\n", 20_000, Deadline(0.5)).data) == 9000


def test_the_generic_transport_maps_what_goes_wrong(
    generic: Callable[[str], VisaTransport],
) -> None:
    with HislipPeer(lambda connection, _: connection.close()) as peer:
        transport = generic(peer.address)
        transport.write(b"READ?\n", Deadline(0.5))
        with pytest.raises(LinkLost):
            transport.read_line(b"\n", 100, Deadline(0.5))
        assert transport.resynchronise(Deadline(2.0)) is True
        transport.close()
        for use in (lambda: transport.write(b"x\n", Deadline(0.1)), transport.unread):
            with pytest.raises(LinkLost, match="closed"):
                use()


def test_a_usb_instrument_without_its_library_is_told_at_opening() -> None:
    with pytest.raises(ConnectionFailed):
        make_transport("USB0::0x1234::0x5678::SN1::INSTR").open(Deadline(0.5))
