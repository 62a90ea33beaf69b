"""The HiSLIP server seen from bare sockets, message by message.

Frames are packed by the test itself. Numbers and transactions are those of IVI-6.1 from memory;
that a client which we did not write agrees is shown in test_links_through_visa. Does not cover
locks and errors (test_hislip_errors), nor overlapped mode,
service requests, encryption and credentials, which are not offered.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from sim.links.hislip_session import LARGEST_BYTES
from tests.sim.links.clients import (
    IDENTITY,
    REPLIES,
    Frame,
    HislipClient,
    Instrument,
    errors,
    until,
)

Opening = Callable[..., HislipClient]
FIRST = 0xFFFF_FF00
CURRENT, VOLTAGE = REPLIES["CURRent"], REPLIES["VOLTage"]


def test_a_client_is_given_a_session_in_synchronized_mode(hislip: Opening) -> None:
    client = hislip()
    assert client.greeting is not None
    kind, control, parameter, payload = client.greeting
    assert (kind, control, payload) == (1, 0, b"")  # control 0: overlapped mode is not preferred
    assert parameter >> 16 == 0x0100  # version 1.0
    assert client.greeting_back is not None
    assert client.greeting_back[:2] == (18, 0)
    assert client.greeting_back.payload == b""


def test_each_client_has_a_session_of_its_own(
    hislip: Opening, serving: Callable[..., object]
) -> None:
    server = serving("hislip")
    first, second = hislip(server=server), hislip(server=server)
    assert first.greeting is not None
    assert second.greeting is not None
    assert first.greeting.parameter != second.greeting.parameter
    assert first.query("CURR?", FIRST) == CURRENT + "\n"
    assert second.query("VOLT?", FIRST) == VOLTAGE + "\n"


def test_a_reply_carries_the_number_of_the_message_that_it_answers(hislip: Opening) -> None:
    client = hislip()
    for number in (FIRST, FIRST + 2, 0xFFFF_FFFE, 0, 12346):
        assert client.query("*IDN?", number) == IDENTITY + "\n"


def test_a_message_in_several_parts_is_one(hislip: Opening) -> None:
    client = hislip()
    client.send(6, 0, FIRST, b"CU")
    client.send(6, 0, FIRST + 2, b"RR?;VO")
    client.send(7, 0, FIRST + 4, b"LT?\n")
    assert client.synchronously() == Frame(7, 0, FIRST + 4, f"{CURRENT};{VOLTAGE}\n".encode())


@pytest.mark.parametrize("ending", ["", "\n", "\r\n"])
def test_the_end_of_the_message_ends_the_command_with_and_without_a_line_feed(
    hislip: Opening, ending: str
) -> None:
    client = hislip()
    assert client.query(f"CURR?{ending}", FIRST) == CURRENT + "\n"


def test_a_reply_that_is_larger_than_the_client_takes_comes_in_parts(hislip: Opening) -> None:
    client = hislip()
    answer = client.ask(15, 0, 0, (1016).to_bytes(8, "big"))
    assert answer == Frame(16, 0, 0, LARGEST_BYTES.to_bytes(8, "big"))
    client.send(7, 0, FIRST, b"LONG?")
    frames = [client.synchronously()]
    while frames[-1].kind != 7:
        frames.append(client.synchronously())
    assert [(frame.kind, len(frame.payload)) for frame in frames] == [(6, 1000)] * 5 + [(7, 1)]
    assert b"".join(frame.payload for frame in frames) == b"x" * 5000 + b"\n"


def test_a_trigger_message_triggers(hislip: Opening, instrument: Instrument) -> None:
    client = hislip()
    client.send(12, 0, FIRST)
    client.query("*OPC?", FIRST + 2)
    assert instrument.triggers == 1


def test_the_status_byte_says_whether_a_reply_is_unread(hislip: Opening) -> None:
    client = hislip()
    assert client.ask(21, 0, FIRST) == Frame(22, 0, 0, b"")
    client.send(7, 0, FIRST, b"NONSENSE?;")
    client.query("CURR?", FIRST + 2, delivered=False)
    assert client.ask(21, 0, FIRST + 2) == Frame(22, 4 + 16, 0, b"")  # error queue, message
    assert client.ask(21, 1, FIRST + 2) == Frame(22, 4, 0, b"")  # the client has read it
    assert client.query("VOLT?", FIRST + 4, delivered=False) == VOLTAGE + "\n"


def test_remote_and_local_control_is_answered(hislip: Opening) -> None:
    client = hislip()
    assert [client.ask(10, request, FIRST) for request in range(7)] == [Frame(11, 0, 0, b"")] * 7


# Interrupted -------------------------------------------------------------------------------------


def test_a_message_before_the_reply_was_read_drops_it_and_says_so(
    hislip: Opening, instrument: Instrument
) -> None:
    client = hislip()
    client.send(7, 0, FIRST, b"MEAS?")
    assert instrument.began.wait(10.0)
    client.send(7, 0, FIRST + 2, b"CURR?")
    # Nothing tells that the second message has arrived but the order of one channel.
    until(lambda: client.waiting() == 1)
    instrument.go_on.set()
    assert client.synchronously() == Frame(13, 0, FIRST + 2, b"")
    assert client.asynchronously() == Frame(14, 0, FIRST + 2, b"")
    assert client.synchronously() == Frame(7, 0, FIRST + 2, f"{CURRENT}\n".encode())
    assert errors(instrument) == ['-410,"Query INTERRUPTED"']


def test_a_reply_that_was_sent_but_not_reported_as_read_counts_as_unread(
    hislip: Opening, instrument: Instrument
) -> None:
    client = hislip()
    assert client.query("CURR?", FIRST) == CURRENT + "\n"
    client.send(7, 0, FIRST + 2, b"VOLT?")  # without the bit that says that it was read
    assert client.synchronously()[:3] == (13, 0, FIRST + 2)
    assert client.asynchronously()[:3] == (14, 0, FIRST + 2)
    assert client.synchronously().payload == f"{VOLTAGE}\n".encode()
    assert errors(instrument) == ['-410,"Query INTERRUPTED"']


def test_settings_one_after_the_other_interrupt_nothing(
    hislip: Opening, instrument: Instrument
) -> None:
    client = hislip()
    for value in range(200):
        client.send(7, 0, FIRST, f"VAL {value}".encode())
    assert client.query("VAL?", FIRST + 2, delivered=False) == "199\n"
    assert errors(instrument) == []


# Device clear ------------------------------------------------------------------------------------


def clear(client: HislipClient) -> None:
    assert client.ask(19) == Frame(23, 0, 0, b"")
    client.send(8)
    assert client.synchronously() == Frame(9, 0, 0, b"")


def test_a_device_clear_drops_the_reply_that_is_being_prepared(
    hislip: Opening, instrument: Instrument
) -> None:
    client = hislip()
    client.send(7, 0, FIRST, b"MEAS?")
    assert instrument.began.wait(10.0)
    clear(client)
    client.send(7, 0, FIRST, b"CURR?")  # numbers start anew, so the number alone tells nothing
    instrument.go_on.set()
    assert client.synchronously() == Frame(7, 0, FIRST, f"{CURRENT}\n".encode())
    assert errors(instrument) == []


def test_a_device_clear_drops_a_late_reply(hislip: Opening) -> None:
    client = hislip((1, "late", 3600.0))
    client.send(7, 0, FIRST, b"VOLT?")
    until(lambda: client.server.exchanges == 1)  # the channels have no order among each other
    clear(client)
    assert client.query("CURR?", FIRST, delivered=False) == CURRENT + "\n"


def test_a_device_clear_drops_the_rest_of_a_split_reply(hislip: Opening) -> None:
    client = hislip((1, "split", 3600.0))
    client.send(7, 0, FIRST, b"VOLT?")
    assert client.synchronously() == Frame(6, 0, FIRST, VOLTAGE[: len(VOLTAGE) // 2].encode())
    clear(client)
    assert client.query("CURR?", FIRST, delivered=False) == CURRENT + "\n"


def test_a_device_clear_drops_messages_that_wait_and_half_a_message(
    hislip: Opening, instrument: Instrument
) -> None:
    client = hislip()
    client.send(7, 0, FIRST, b"MEAS?")
    assert instrument.began.wait(10.0)
    client.send(7, 0, FIRST + 2, b"VAL 7")
    client.send(6, 0, FIRST + 4, b"VAL 8;")
    until(lambda: client.waiting() == 1)
    clear(client)
    instrument.go_on.set()
    assert client.query("VAL?", FIRST, delivered=False) == "0\n"


def test_what_comes_between_the_two_halves_of_a_device_clear_is_dropped(
    hislip: Opening, instrument: Instrument
) -> None:
    client = hislip()
    assert client.ask(19).kind == 23
    client.send(7, 0, FIRST, b"VAL 7")
    client.send(8)
    assert client.synchronously().kind == 9
    assert client.query("VAL?", FIRST, delivered=False) == "0\n"
    assert instrument.value == 0


def test_a_device_clear_keeps_settings_and_errors(hislip: Opening, instrument: Instrument) -> None:
    client = hislip()
    client.send(7, 0, FIRST, b"VAL 7")
    client.send(7, 0, FIRST + 2, b"NONSENSE")
    client.query("*OPC?", FIRST + 4)
    clear(client)
    assert client.query("VAL?", FIRST) == "7\n"
    assert client.query("SYST:ERR?", FIRST + 2).startswith("-113,")


def test_a_device_clear_that_was_never_begun_is_no_clear(hislip: Opening) -> None:
    client = hislip()
    client.send(8)
    assert client.synchronously()[:2] == (3, 0)
