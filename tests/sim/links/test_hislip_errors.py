"""Locks and errors of the HiSLIP server, message by message, from bare sockets.

Numbers are those of IVI-6.1 from memory. Does not cover what happens where nothing is wrong
(test_hislip_frames), nor arbitrary bytes (test_hislip_framing).
"""

from __future__ import annotations

import socket
from collections.abc import Callable

import pytest

from sim.links.hislip_session import LARGEST_BYTES
from tests.sim.links.clients import (
    REPLIES,
    Frame,
    HislipClient,
    Instrument,
    errors,
    pack,
    receive,
    until,
)

Opening = Callable[..., HislipClient]
FIRST = 0xFFFF_FF00
CURRENT = REPLIES["CURRent"]


# Locks -------------------------------------------------------------------------------------------


def test_an_exclusive_lock_holds_off_the_messages_of_others(
    hislip: Opening, serving: Callable[..., object], instrument: Instrument
) -> None:
    server = serving("hislip")
    holder, other = hislip(server=server), hislip(server=server)
    assert holder.ask(4, 1, 1000) == Frame(5, 1, 0, b"")
    assert other.ask(24) == Frame(25, 1, 1, b"")
    assert other.ask(4, 1, 50) == Frame(5, 0, 0, b"")  # timed out
    other.send(7, 0, FIRST, b"VAL 3;VAL?")
    for number in range(20):
        assert holder.query("VAL?", FIRST + 2 * number) == "0\n"
    assert holder.ask(4, 0, FIRST) == Frame(5, 1, 0, b"")
    assert other.synchronously().payload == b"3\n"
    assert holder.ask(24) == Frame(25, 0, 0, b"")


def test_a_lock_is_shared_by_those_who_know_its_name(
    hislip: Opening, serving: Callable[..., object]
) -> None:
    server = serving("hislip")
    first, second, third = (hislip(server=server) for _ in range(3))
    assert first.ask(4, 1, 0, b"bench").control == 1
    assert second.ask(4, 1, 0, b"bench").control == 1
    assert third.ask(4, 1, 0, b"other").control == 0
    assert third.ask(4, 1, 0).control == 0
    assert third.ask(24) == Frame(25, 0, 2, b"")
    assert second.ask(4, 1, 0, b"bench").control == 3  # it has it already
    assert first.ask(4, 0, FIRST).control == 2  # 2: a shared lock was given back
    assert first.ask(4, 0, FIRST).control == 3
    assert second.ask(4, 0, FIRST).control == 2
    assert third.ask(4, 1, 0).control == 1


def test_a_client_that_goes_away_gives_its_locks_back(
    hislip: Opening, serving: Callable[..., object]
) -> None:
    server = serving("hislip")
    holder, other = hislip(server=server), hislip(server=server)
    assert holder.ask(4, 1, 0).control == 1
    holder.close()
    assert other.ask(4, 1, 10_000).control == 1


# Errors ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sent", "code"),
    [
        (pack(20), 1),  # a service request is the server's to send
        (pack(99), 1),
        (pack(200), 3),  # defined by a vendor
        (pack(7, 6, FIRST, b"CURR?"), 2),
        (pack(7, 0, FIRST, b"x" * (LARGEST_BYTES + 1)), 4),
    ],
)
def test_a_message_that_is_not_understood_is_an_error_and_nothing_more(
    hislip: Opening, sent: bytes, code: int
) -> None:
    client = hislip()
    client.synchronous.sendall(sent)
    answer = client.synchronously()
    assert answer[:3] == (3, code, 0)
    assert answer.payload
    assert client.query("CURR?", FIRST, delivered=False) == CURRENT + "\n"


@pytest.mark.parametrize(
    ("sent", "code"),
    [
        (pack(99), 1),
        (pack(201), 3),
        (pack(10, 7), 2),
        (pack(21, 2), 2),
        (pack(4, 2), 2),
        (pack(15, 0, 0, b"1234"), 0),
        (pack(4, 1, 0, b"x" * (LARGEST_BYTES + 1)), 4),
    ],
)
def test_the_asynchronous_channel_says_what_is_wrong_too(
    hislip: Opening, sent: bytes, code: int
) -> None:
    client = hislip()
    client.asynchronous.sendall(sent)
    assert client.asynchronously()[:3] == (3, code, 0)
    assert client.ask(24) == Frame(25, 0, 0, b"")


def test_a_command_that_is_too_long_for_the_instrument_is_dropped(
    hislip: Opening, instrument: Instrument
) -> None:
    client = hislip()
    for number in range(3):
        client.send(6, 0, FIRST + 2 * number, b"VAL 1;" * 1000)
    client.send(7, 0, FIRST + 6, b"VAL 1")
    assert client.query("VAL?", FIRST + 8, delivered=False) == "0\n"
    assert [entry.split(",")[0] for entry in errors(instrument)] == ["-363"]


@pytest.mark.parametrize(
    ("first", "code"),
    [
        (b"GET / HTTP/1.1\r\n\r\n", 1),
        (pack(7, 0, FIRST, b"CURR?"), 3),
        (pack(17, 0, 4711), 3),  # no such session
        (pack(0, 0, 0x0100_5858, b"inst0"), 3),  # no such device
    ],
)
def test_a_wrong_beginning_is_fatal(hislip: Opening, first: bytes, code: int) -> None:
    with hislip().connect() as channel:
        channel.sendall(first)
        answer = receive(channel)
        assert answer is not None
        assert answer[:3] == (2, code, 0)
        assert answer.payload
        assert receive(channel) is None


@pytest.mark.parametrize("asynchronous", [False, True])
@pytest.mark.parametrize(
    ("sent", "code"), [(b"XX" + bytes(14), 1), (pack(0, 0, 0x0100_5858, b"hislip0"), 3)]
)
def test_a_fatal_error_ends_both_channels(
    hislip: Opening, sent: bytes, code: int, asynchronous: bool
) -> None:
    client = hislip()
    channels = [client.synchronous, client.asynchronous]
    if asynchronous:
        channels.reverse()
    channels[0].sendall(sent)
    answer = receive(channels[0])
    assert answer is not None
    assert answer[:2] == (2, code)
    assert [receive(channel) for channel in channels] == [None, None]


def test_data_before_the_second_channel_is_fatal(hislip: Opening) -> None:
    with hislip().connect() as channel:
        channel.sendall(pack(0, 0, 0x0100_5858, b"hislip0"))
        assert receive(channel) is not None
        channel.sendall(pack(7, 0, FIRST, b"CURR?"))
        answer = receive(channel)
        assert answer is not None
        assert answer[:2] == (2, 2)


def test_a_client_too_many_is_turned_away_and_gets_in_when_one_has_left(
    hislip: Opening, serving: Callable[..., object]
) -> None:
    server = serving("hislip")
    clients = [hislip(server=server) for _ in range(16)]
    with clients[0].connect() as channel:
        channel.sendall(pack(0, 0, 0x0100_5858, b"hislip0"))
        answer = receive(channel)
        assert answer is not None
        assert answer[:2] == (2, 4)
    clients.pop().close()

    def gets_in() -> bool:
        with clients[0].connect() as again:
            again.sendall(pack(0, 0, 0x0100_5858, b"hislip0"))
            greeting = receive(again)
            return greeting is not None and greeting.kind == 1

    until(gets_in)


def test_half_a_header_is_waited_for(hislip: Opening) -> None:
    client = hislip()
    message = pack(7, 0, FIRST, b"CURR?")
    for byte in message:
        client.synchronous.sendall(bytes([byte]))
    assert client.synchronously().payload == f"{CURRENT}\n".encode()


def test_a_client_that_sends_without_end_and_reads_nothing_is_held_back(
    nothing_left: None, hislip: Opening, instrument: Instrument
) -> None:
    client = hislip()
    client.send(7, 0, FIRST, b"MEAS?")
    client.synchronous.settimeout(0.3)
    much = pack(7, 0, FIRST, b"VAL 1" + b" " * 4000) * 10_000
    with pytest.raises(TimeoutError):
        client.synchronous.sendall(much)
    assert client.waiting() <= 64
    client.synchronous.shutdown(socket.SHUT_RDWR)
    instrument.go_on.set()
    while receive(client.asynchronous) is not None:
        pass
