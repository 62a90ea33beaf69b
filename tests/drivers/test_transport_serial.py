"""What goes wrong on a serial line through pyvisa-py, and what cures it.

Over pseudo-terminals and `ASRLsocket://` (Linux). Does NOT cover a real port: speed, parity and
flow control are stated to the kernel, which has no line to apply them to; nor Windows and macOS.
"""

from __future__ import annotations

import termios
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import pyvisa
import serial
from attrs import evolve

from drivers.dialect import Dialect
from drivers.reply_shapes import shape_of
from drivers.serial_settings import SerialSettings
from drivers.session import Session
from drivers.transport import Deadline, Transport, make_transport
from labbench.errors import (
    ConnectionFailed,
    InputError,
    LinkLost,
    OutOfStep,
    ReplyTimeout,
)
from tests.drivers.link_peers import PtyPeer, SerialSocketPeer
from tests.drivers.peers import IDENTITY, NO_ERROR

SETTINGS = SerialSettings(
    baud=19200, data_bits=8, parity="none", stop_bits=2, flow_control="xon-xoff", quiet=0.05
)
#: a pseudo-terminal has no parity (its driver always gives 8 bits without one)
SEVEN_BITS = evolve(SETTINGS, data_bits=7, parity="even", flow_control="rts-cts")
ANSWERS = {b"*IDN?": IDENTITY, b"SYST:ERR?": NO_ERROR, b"FREQ?": "1000"}
KINDS: list[Any] = [PtyPeer, SerialSocketPeer]
each_kind = pytest.mark.parametrize("kind", KINDS)


def answering(connection: Any, line: bytes) -> None:
    if (answer := ANSWERS.get(line)) is not None:
        connection.send(answer.encode("ascii") + b"\n")


@pytest.fixture
def opened() -> Iterator[Callable[[str], Transport]]:
    transports: list[Transport] = []

    def opener(address: str) -> Transport:
        transport = make_transport(address, SETTINGS)
        transports.append(transport)
        transport.open(Deadline(1.0))
        return transport

    yield opener
    for transport in transports:
        transport.close()


def ask(transport: Transport, question: bytes, seconds: float = 0.5) -> bytes:
    transport.write(question, Deadline(seconds))
    return transport.read_line(b"\n", 4096, Deadline(seconds)).data


@each_kind
def test_a_question_is_answered(kind: Any, opened: Callable[[str], Transport]) -> None:
    with kind(answering) as peer:
        transport = opened(peer.address)
        assert ask(transport, b"*IDN?\n") == IDENTITY.encode()
        assert ask(transport, b"FREQ?\n") == b"1000"
        assert transport.unread() == b""
        assert peer.lines == [b"*IDN?", b"FREQ?"]


def test_every_setting_of_the_dialect_reaches_the_port(opened: Callable[[str], Transport]) -> None:
    with PtyPeer(answering) as peer:
        port = opened(peer.address)._port  # type: ignore[attr-defined]
        speed, flags = termios.tcgetattr(port.fd)[5], termios.tcgetattr(port.fd)
        assert speed == termios.B19200
        assert flags[2] & termios.CSTOPB
        assert flags[2] & termios.CSIZE == termios.CS8
        assert flags[0] & termios.IXON
        assert (port.parity, port.rtscts) == (serial.PARITY_NONE, False)
    with SerialSocketPeer(answering) as peer:
        transport = make_transport(peer.address, SEVEN_BITS)
        transport.open(Deadline(1.0))
        port = transport._port  # type: ignore[attr-defined]
        assert (port.baudrate, port.bytesize, port.parity) == (19200, 7, serial.PARITY_EVEN)
        assert (port.stopbits, port.xonxoff, port.rtscts) == (serial.STOPBITS_TWO, False, True)
        transport.close()


def test_settings_that_the_port_does_not_take_are_told_with_their_values() -> None:
    with PtyPeer(answering) as peer:
        transport = make_transport(peer.address, SEVEN_BITS)
        with pytest.raises(ConnectionFailed, match=r"does not take 19200 baud, 7E2, .* rts-cts"):
            transport.open(Deadline(1.0))


def test_how_long_bytes_take_follows_from_the_settings() -> None:
    # start, 7 data, parity and two stop bits: 11 bits a byte
    assert SEVEN_BITS.seconds_for(1920) == pytest.approx(1.1)


def test_a_second_open_of_one_port_is_allowed_by_pyvisa_alone(bare: Callable[..., Any]) -> None:
    with PtyPeer(answering) as peer:
        first, second = bare(peer.address), bare(peer.address)
        assert first.session != second.session


def test_clear_is_not_supported_on_a_serial_line(bare: Callable[..., Any]) -> None:
    with PtyPeer(answering) as peer, pytest.raises(pyvisa.errors.VisaIOError):
        bare(peer.address).clear()


@each_kind
def test_resynchronising_throws_away_what_comes_late_and_keeps_the_line_open(kind: Any) -> None:
    def on_line(connection: Any, line: bytes) -> None:
        if line == b"READ?":
            connection.send(b"1.2")
            connection.wait(0.08)
            connection.send(b"345")
            connection.wait(0.02)
            connection.send(b"6\n")
        else:
            answering(connection, line)

    # much longer than the pauses above, also on a busy computer
    patient = evolve(SETTINGS, quiet=0.5)
    with kind(on_line) as peer:
        transport = make_transport(peer.address, patient)
        try:
            transport.open(Deadline(1.0))
            transport.write(b"READ?\n", Deadline(0.5))
            with pytest.raises(ReplyTimeout, match=r"only '1\.2'"):
                transport.read_line(b"\n", 100, Deadline(0.05))
            assert transport.resynchronise(Deadline(5.0)) is False  # nothing was opened anew
            assert ask(transport, b"FREQ?\n", 2.0) == b"1000"
        finally:
            transport.close()


@each_kind
def test_a_line_that_never_falls_silent_is_told_at_the_deadline(
    kind: Any, opened: Callable[[str], Transport]
) -> None:
    def chatter(connection: Any, line: bytes) -> None:
        for _ in range(60):
            connection.send(b"+1.23E-06\n")
            connection.wait(0.01)

    with kind(chatter) as peer:
        transport = opened(peer.address)
        transport.write(b"START\n", Deadline(0.5))
        with pytest.raises(ReplyTimeout, match="never fell silent"):
            transport.resynchronise(Deadline(0.2))


@each_kind
def test_bytes_that_nobody_asked_for_are_told(
    kind: Any, opened: Callable[[str], Transport]
) -> None:
    def on_line(connection: Any, line: bytes) -> None:
        connection.send(b"1000\n2000\n")

    with kind(on_line) as peer:
        transport = opened(peer.address)
        transport.write(b"FREQ?\n", Deadline(0.5))
        line = transport.read_line(b"\n", 100, Deadline(0.5))
        assert (line.data, line.followed) == (b"1000", True)
        assert transport.unread() == b"2000\n"


@each_kind
def test_a_reply_longer_than_declared_is_refused(
    kind: Any, opened: Callable[[str], Transport]
) -> None:
    with kind(lambda connection, line: connection.send(b"9" * 60)) as peer:
        transport = opened(peer.address)
        transport.write(b"READ?\n", Deadline(0.5))
        with pytest.raises(OutOfStep, match="more than 20 bytes"):
            transport.read_line(b"\n", 20, Deadline(0.5))


@each_kind
def test_a_terminator_of_two_characters_is_read_to_its_end(
    kind: Any, opened: Callable[[str], Transport]
) -> None:
    def on_line(connection: Any, line: bytes) -> None:
        connection.send(b"1.5\r")
        connection.wait(0.02)
        connection.send(b"\n")

    with kind(on_line) as peer:
        transport = opened(peer.address)
        transport.write(b"READ?\n", Deadline(0.5))
        line = transport.read_line(b"\r\n", 20, Deadline(0.5))
        assert (line.data, line.followed) == (b"1.5", False)


def test_an_adapter_that_is_pulled_out_is_a_lost_link(opened: Callable[[str], Transport]) -> None:
    with PtyPeer(answering) as peer:
        transport = opened(peer.address)
        assert ask(transport, b"FREQ?\n") == b"1000"
        peer.hang_up()
        with pytest.raises(LinkLost):
            ask(transport, b"FREQ?\n")
        # it may come back under the same name, or not at all
        with pytest.raises((ConnectionFailed, LinkLost)):
            transport.resynchronise(Deadline(0.3))


def test_a_terminal_server_that_closes_is_told_at_once_and_connected_to_anew(
    opened: Callable[[str], Transport],
) -> None:
    def on_line(connection: Any, line: bytes) -> None:
        if line == b"READ?":
            connection.close()
        else:
            answering(connection, line)

    with SerialSocketPeer(on_line) as peer:
        transport = opened(peer.address)
        transport.write(b"READ?\n", Deadline(0.5))
        with pytest.raises(LinkLost):
            transport.read_line(b"\n", 100, Deadline(30.0))
        assert transport.resynchronise(Deadline(2.0)) is True
        assert ask(transport, b"FREQ?\n") == b"1000"
        assert peer.connections == 2


def test_a_wait_on_a_serial_line_can_be_ended_from_another_thread(
    opened: Callable[[str], Transport],
) -> None:
    stop = threading.Event()

    def heed() -> None:
        if stop.is_set():
            raise KeyboardInterrupt

    with PtyPeer(lambda connection, line: None) as peer:
        transport = opened(peer.address)
        timer = threading.Timer(0.05, stop.set)
        timer.start()
        transport.write(b"READ?\n", Deadline(1.0))
        with pytest.raises(KeyboardInterrupt):
            transport.read_line(b"\n", 100, Deadline(30.0, heed))
        timer.join()


@each_kind
def test_a_closed_serial_line_says_so(kind: Any, opened: Callable[[str], Transport]) -> None:
    with kind(answering) as peer:
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


def test_a_line_without_settings_is_no_address() -> None:
    with pytest.raises(InputError, match="does not say how the serial line is set"):
        make_transport("ASRL/dev/ttyUSB0::INSTR")


def test_a_serial_line_over_tcp_shares_its_lock_with_the_socket() -> None:
    serial_line = make_transport("ASRLsocket://Gateway:4001::INSTR", SETTINGS)
    assert serial_line.lock_key == make_transport("TCPIP::gateway::4001::SOCKET").lock_key


def test_two_names_of_one_port_share_their_lock(tmp_path: Path) -> None:
    (tmp_path / "by-id").symlink_to(tmp_path / "ttyUSB0")
    keys = {
        make_transport(f"ASRL{tmp_path / name}::INSTR", SETTINGS).lock_key
        for name in ("by-id", "ttyUSB0")
    }
    assert len(keys) == 1


@each_kind
def test_an_identity_that_comes_late_is_not_taken_for_the_next_one(
    kind: Any, plain: Dialect
) -> None:
    late = threading.Event()

    def on_line(connection: Any, line: bytes) -> None:
        if line == b"*IDN?" and not late.is_set():
            late.set()
            connection.wait(0.25)
        answering(connection, line)

    with kind(on_line) as peer:
        session = Session(make_transport(peer.address, SETTINGS), plain, name="test peer")
        late.set()
        try:
            session.open()
            late.clear()
            with pytest.raises(ReplyTimeout):
                session.read_identity()
            session.recover(within_s=3.0)
            assert session.query("FREQ?", shape_of("number")).raw == "1000"
            assert session.query("FREQ?", shape_of("number")).raw == "1000"
        finally:
            session.close()
