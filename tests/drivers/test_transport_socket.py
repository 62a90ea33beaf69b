"""What goes wrong between pyvisa-py and a socket, shown with pyvisa alone, and what cures it.

Covers the rows of the table of measured link behaviour that concern one transport: terminators,
a closed peer, a refused port, errors of lower layers, Nagle's algorithm, a peer that does not read,
carriage returns, missing terminators. Does NOT cover serial, USB, GPIB, VXI-11 or HiSLIP links, nor
Windows or macOS.
"""

from __future__ import annotations

import select
import socket
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest
import pyvisa
from pyvisa_py.sessions import UnknownAttribute
from serial import SerialException

from drivers.transport import Deadline, Transport, make_transport, translated
from drivers.transport_socket import LONGEST_MESSAGE_BYTES, SocketTransport
from labbench.errors import (
    ConnectionFailed,
    InputError,
    InstrumentError,
    LinkLost,
    OutOfStep,
    ReplyTimeout,
)
from tests.drivers.peers import Connection, Peer, answering


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


def ask(transport: Transport, message: bytes, seconds: float = 0.5) -> bytes:
    transport.write(message, Deadline(seconds))
    return transport.read_line(b"\n", 4096, Deadline(seconds)).data


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port: int = listener.getsockname()[1]
        return port


def test_default_terminators_lose_an_answer_that_came(bare: Callable[..., Any]) -> None:
    with Peer(answering({"FREQ?\r": "1000"})) as peer:
        resource = bare(peer.address, timeout=100)
        with pytest.raises(pyvisa.errors.VisaIOError):
            resource.query("FREQ?")
        assert peer.lines == [b"FREQ?\r"]  # asked with CR LF, answered, and still not read


def test_stated_terminators_read_the_answer(opened: Callable[[str], Transport]) -> None:
    with Peer(answering({"FREQ?": "1000"})) as peer:
        assert ask(opened(peer.address), b"FREQ?\n") == b"1000"


def test_a_terminator_of_two_characters_may_arrive_in_two_pieces(
    opened: Callable[[str], Transport],
) -> None:
    def on_line(connection: Connection, line: bytes) -> None:
        connection.send(b"1000\r")
        connection.wait(0.03)
        connection.send(b"\nrest")

    with Peer(on_line) as peer:
        transport = opened(peer.address)
        transport.write(b"FREQ?\n", Deadline(0.5))
        line = transport.read_line(b"\r\n", 100, Deadline(0.5))
        assert (line.data, line.followed) == (b"1000", True)
        assert transport.unread() == b"rest"


def test_a_refused_port_opens_with_pyvisa_alone(bare: Callable[..., Any]) -> None:
    resource = bare(f"TCPIP::127.0.0.1::{free_port()}::SOCKET", timeout=100)
    with pytest.raises(OSError):
        resource.write("*IDN?")


def test_a_refused_port_is_told_at_opening() -> None:
    address = f"TCPIP::127.0.0.1::{free_port()}::SOCKET"
    with pytest.raises(ConnectionFailed, match="refused") as told:
        make_transport(address).open(Deadline(1.0))
    assert address in str(told.value)
    assert told.value.hint is not None


def test_a_host_that_has_no_address_is_told_at_opening() -> None:
    transport = make_transport("TCPIP::no-such-host.invalid::5025::SOCKET")
    with pytest.raises(ConnectionFailed, match=r"no host 'no-such-host.invalid'"):
        transport.open(Deadline(0.2))


def test_an_address_that_takes_no_connection_is_given_up_at_the_deadline() -> None:
    # a listener whose queue of connections is full drops further ones without a word
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        listener.listen(0)
        port = listener.getsockname()[1]
        waiting = [socket.socket() for _ in range(3)]
        try:
            for link in waiting:
                link.setblocking(False)
                link.connect_ex(("127.0.0.1", port))
            with pytest.raises(ConnectionFailed):
                make_transport(f"TCPIP::127.0.0.1::{port}::SOCKET").open(Deadline(0.3))
        finally:
            for link in waiting:
                link.close()


@pytest.mark.parametrize(
    ("resource", "told"),
    [
        ("127.0.0.1:5025", "VISA resource"),
        ("TCPIP::127.0.0.1::SOCKET", "VISA resource"),
        ("", "VISA resource"),
        ("GPIB::12::INSTR", "cannot be used"),
        ("VXI::1::INSTR", "cannot be used"),
    ],
)
def test_an_address_that_cannot_be_used_says_how_one_is_written(resource: str, told: str) -> None:
    with pytest.raises(InputError, match=told) as error:
        make_transport(resource)
    assert "SOCKET" in str(error.value.hint)


@pytest.mark.parametrize("port", ["0", "65536", "scpi", "-1", "5025x"])
def test_a_port_must_be_a_port_number(port: str) -> None:
    with pytest.raises(ConnectionFailed, match="no port number"):
        make_transport(f"TCPIP::127.0.0.1::{port}::SOCKET")


def test_every_spelling_of_an_address_has_the_same_lock() -> None:
    keys = {
        make_transport(text).lock_key
        for text in (
            "TCPIP::Meter.local::5025::SOCKET",
            "TCPIP0::meter.local::5025::SOCKET",
            " TCPIP0::meter.local::5025::socket ",
        )
    }
    assert keys == {"tcp meter.local 5025"}


def test_a_peer_that_closed_looks_like_a_slow_one_to_pyvisa_alone(
    bare: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    turns = 0
    real_select = select.select

    def counting_select(*arguments: Any) -> Any:
        nonlocal turns
        turns += 1
        return real_select(*arguments)

    with Peer(lambda connection, _: connection.close()) as peer:
        resource = bare(peer.address, timeout=200, read_termination="\n", write_termination="\n")
        resource.write("*IDN?")
        monkeypatch.setattr(select, "select", counting_select)
        with pytest.raises(pyvisa.errors.VisaIOError):
            resource.read()
        assert turns > 100  # it spins until the timeout


def test_a_peer_that_closed_is_told_at_once(opened: Callable[[str], Transport]) -> None:
    with Peer(lambda connection, _: connection.close()) as peer:
        transport = opened(peer.address)
        transport.write(b"*IDN?\n", Deadline(30.0))
        with pytest.raises(LinkLost, match="closed the connection"):
            transport.read_line(b"\n", 100, Deadline(30.0))
        with pytest.raises(LinkLost):
            transport.unread()


def test_what_came_before_the_peer_closed_is_in_the_error(
    opened: Callable[[str], Transport],
) -> None:
    def on_line(connection: Connection, line: bytes) -> None:
        connection.send(b"1.23")
        connection.wait(0.03)
        connection.close()

    with Peer(on_line) as peer:
        transport = opened(peer.address)
        transport.write(b"READ?\n", Deadline(1.0))
        with pytest.raises(LinkLost, match=r"after '1\.23'") as told:
            transport.read_line(b"\n", 100, Deadline(1.0))
        assert told.value.answered == "1.23"


def test_a_reset_of_the_peer_is_a_lost_link(opened: Callable[[str], Transport]) -> None:
    with Peer(lambda connection, _: connection.reset()) as peer:
        transport = opened(peer.address)
        transport.write(b"OUTP 1\n", Deadline(0.5))
        with pytest.raises(LinkLost):
            transport.read_line(b"\n", 100, Deadline(0.5))


def test_a_closed_transport_says_so(opened: Callable[[str], Transport]) -> None:
    with Peer(answering({})) as peer:
        transport = opened(peer.address)
        transport.close()
        transport.close()
        for use in (
            lambda: transport.write(b"x\n", Deadline(0.1)),
            lambda: transport.read_line(b"\n", 10, Deadline(0.1)),
            transport.unread,
        ):
            with pytest.raises(LinkLost, match="closed"):
                use()


@pytest.mark.parametrize(
    ("lower", "kind"),
    [
        (ConnectionResetError(104, "reset"), LinkLost),
        (BrokenPipeError(32, "pipe"), LinkLost),
        (TimeoutError("slow"), ReplyTimeout),
        (SerialException("port vanished"), LinkLost),
        (RuntimeError("message header"), LinkLost),
        (TypeError("'NoneType' has no select"), LinkLost),
        (ValueError("file descriptor cannot be a negative integer (-1)"), LinkLost),
        (pyvisa.errors.VisaIOError(-1073807339), ReplyTimeout),  # VI_ERROR_TMO
        (pyvisa.errors.VisaIOError(-1073807298), LinkLost),  # VI_ERROR_IO
        (pyvisa.errors.InvalidSession(), LinkLost),
    ],
)
def test_every_error_of_a_lower_layer_becomes_one_of_ours(
    lower: Exception, kind: type[InstrumentError]
) -> None:
    error = translated(lower, address="TCPIP::meter::5025::SOCKET", doing="reading")
    assert type(error) is kind
    assert "TCPIP::meter::5025::SOCKET" in str(error)


def test_nagle_is_on_with_pyvisa_alone_and_off_here(
    bare: Callable[..., Any], opened: Callable[[str], Transport]
) -> None:
    def no_delay(link: socket.socket) -> int:
        return link.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)

    with Peer(answering({})) as peer:
        resource = bare(peer.address)
        assert no_delay(resource.visalib.sessions[resource.session].interface) == 0
        with pytest.raises(UnknownAttribute):
            resource.set_visa_attribute(pyvisa.constants.ResourceAttribute.tcpip_nodelay, True)
        transport = opened(peer.address)
        assert isinstance(transport, SocketTransport)
        assert transport._socket is not None
        assert no_delay(transport._socket) == 1


def test_a_peer_that_does_not_read_ends_a_write_at_the_deadline(
    opened: Callable[[str], Transport],
) -> None:
    with Peer(answering({}), reads=False) as peer:
        transport = opened(peer.address)
        block = b"A" * (LONGEST_MESSAGE_BYTES - 1) + b"\n"

        def write_until_all_buffers_are_full() -> None:
            for _ in range(10_000):
                transport.write(block, Deadline(0.1))

        with pytest.raises(ReplyTimeout, match="took no bytes"):
            write_until_all_buffers_are_full()


def test_a_message_longer_than_the_buffer_is_not_sent(opened: Callable[[str], Transport]) -> None:
    with Peer(answering({})) as peer:
        transport = opened(peer.address)
        with pytest.raises(InputError, match="longer"):
            transport.write(b"A" * (LONGEST_MESSAGE_BYTES + 1), Deadline(0.1))
        assert ask(transport, b"*IDN?\n").startswith(b"Harbour")
        assert peer.lines == [b"*IDN?"]


def test_a_reply_without_terminator_takes_the_whole_timeout_and_is_in_the_error(
    opened: Callable[[str], Transport],
) -> None:
    with Peer(lambda connection, _: connection.send(b"1.5")) as peer:
        transport = opened(peer.address)
        transport.write(b"READ?\n", Deadline(0.2))
        with pytest.raises(ReplyTimeout, match=r"only '1\.5'") as told:
            transport.read_line(b"\n", 100, Deadline(0.2))
        assert told.value.answered == "1.5"


@pytest.mark.parametrize("tail", [b"", b"\n"])
def test_a_reply_longer_than_declared_is_refused(
    opened: Callable[[str], Transport], tail: bytes
) -> None:
    with Peer(lambda connection, _: connection.send(b"9" * 200 + tail)) as peer:
        transport = opened(peer.address)
        transport.write(b"READ?\n", Deadline(0.5))
        with pytest.raises(OutOfStep, match="more than 100 bytes"):
            transport.read_line(b"\n", 100, Deadline(0.5))


def test_a_reply_much_longer_than_one_piece_of_pyvisa_arrives_whole(
    opened: Callable[[str], Transport],
) -> None:
    text = b",".join(b"%d" % number for number in range(20_000))
    with Peer(lambda connection, _: connection.send(text + b"\nmore\n")) as peer:
        transport = opened(peer.address)
        transport.write(b"DATA?\n", Deadline(2.0))
        line = transport.read_line(b"\n", 1_000_000, Deadline(2.0))
        assert line.data == text
        assert transport.read_line(b"\n", 100, Deadline(1.0)).data == b"more"


def test_a_wait_can_be_ended_from_another_thread(opened: Callable[[str], Transport]) -> None:
    stop = threading.Event()

    def heed() -> None:
        if stop.is_set():
            raise KeyboardInterrupt

    with Peer(answering({})) as peer:
        transport = opened(peer.address)
        timer = threading.Timer(0.05, stop.set)
        timer.start()
        transport.write(b"READ?\n", Deadline(1.0))
        with pytest.raises(KeyboardInterrupt):
            transport.read_line(b"\n", 100, Deadline(30.0, heed))
        timer.join()


def test_a_pause_can_be_ended_too_and_never_outlasts_its_deadline() -> None:
    def stop() -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        Deadline(30.0, stop).sleep_s(30.0)
    Deadline(0.0).sleep_s(30.0)


def test_resynchronising_leaves_a_late_reply_behind(opened: Callable[[str], Transport]) -> None:
    def on_line(connection: Connection, line: bytes) -> None:
        if line == b"READ?":
            connection.wait(0.1)
        connection.send(line + b"!\n")

    with Peer(on_line) as peer:
        transport = opened(peer.address)
        transport.write(b"READ?\n", Deadline(0.5))
        with pytest.raises(ReplyTimeout):
            transport.read_line(b"\n", 100, Deadline(0.02))
        transport.resynchronise(Deadline(1.0))
        assert ask(transport, b"FREQ?\n") == b"FREQ?!"
        time.sleep(0.15)
        assert transport.unread() == b""
        assert peer.connections == 2


def test_another_transport_reaches_the_same_address(opened: Callable[[str], Transport]) -> None:
    with Peer(answering({})) as peer:
        first = opened(peer.address)
        second = first.another()
        second.open(Deadline(1.0))
        try:
            assert ask(second, b"*IDN?\n") == ask(first, b"*IDN?\n")
            assert peer.connections == 2
        finally:
            second.close()
