"""Any bytes on either channel of a HiSLIP server: no crash, no hang, and others are served on.

Does not cover what well-formed messages mean (test_hislip_frames).
"""

from __future__ import annotations

import itertools
import socket
import threading
from collections.abc import Iterator

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from sim.links.hislip_messages import HislipFramer, Message, MessageType, PoorHeaderError
from sim.links.serve import serve
from tests.sim.links.clients import REPLIES, HislipClient, Instrument, pack

BOUND = 50
FRAMES = st.builds(
    pack,
    st.one_of(st.integers(0, 40), st.integers(0, 255)),
    st.one_of(st.integers(0, 2), st.integers(0, 255)),
    st.integers(0, 2**32 - 1),
    st.binary(max_size=2 * BOUND),
)
LYING = st.builds(  # a length that is not that of the payload
    lambda frame, length: frame[:8] + length.to_bytes(8, "big") + frame[16:],
    FRAMES,
    st.integers(0, 2**64 - 1),
)
STREAMS = st.lists(st.one_of(FRAMES, FRAMES, st.binary(max_size=40), LYING), max_size=8).map(
    b"".join
)


def messages(data: bytes, cuts: list[int]) -> list[Message | None]:
    """Return what a framer makes of bytes cut here and there; None at the end: a poor header."""
    framer = HislipFramer(BOUND)
    edges = [0, *sorted(cut % (len(data) + 1) for cut in cuts), len(data)]
    found: list[Message | None] = []
    for begin, end in itertools.pairwise(edges):
        framer.feed(data[begin:end])
        try:
            while (message := framer.next_message()) is not None:
                found.append(message)
        except PoorHeaderError:
            return [*found, None]
    return found


@given(STREAMS, st.lists(st.integers(0, 10_000), max_size=6))
@settings(deadline=None)
def test_messages_do_not_depend_on_how_the_bytes_arrive(data: bytes, cuts: list[int]) -> None:
    assert messages(data, cuts) == messages(data, [])
    assert messages(data, list(range(len(data)))) == messages(data, [])


@given(st.lists(FRAMES, max_size=6))
def test_whole_messages_come_out_as_they_went_in(frames: list[bytes]) -> None:
    found = messages(b"".join(frames), [])
    assert len(found) == len(frames)
    for message, frame in zip(found, frames, strict=True):
        assert message is not None
        if message.too_large:
            assert len(frame) > 16 + BOUND
            assert message.payload == b""
            assert (message.kind, message.control) == (frame[2], frame[3])
        else:
            assert message.pack() == frame


def test_a_large_payload_is_dropped_as_it_comes_and_not_kept() -> None:
    framer = HislipFramer(BOUND)
    framer.feed(pack(7, 0, 1, b"")[:8] + (10**15).to_bytes(8, "big"))
    assert framer.next_message() == Message(MessageType.DATA_END, parameter=1, too_large=True)
    for _ in range(100):
        framer.feed(b"HS" * 500_000)
        assert framer.next_message() is None
    assert len(framer._buffer) == 0


@pytest.fixture(scope="module")
def client() -> Iterator[HislipClient]:
    with serve("hislip", Instrument().interpreter) as server:
        client = HislipClient(server)
        yield client
        client.close()


@given(STREAMS, STREAMS, st.booleans())
@example(b"HS\x07", b"", True)
@example(pack(0, 0, 0x0100_5858, b"hislip0") * 2, b"", False)
@example(pack(19), pack(19) * 3, True)
@example(pack(2), pack(3), True)
@settings(deadline=None, max_examples=200)
def test_no_bytes_break_the_server(
    client: HislipClient, synchronous: bytes, asynchronous: bytes, opened: bool
) -> None:
    if opened:
        other = HislipClient(client.server)
        channels = [(other.synchronous, synchronous), (other.asynchronous, asynchronous)]
    else:
        channels = [(client.connect(), synchronous), (client.connect(), asynchronous)]
    for channel, data in channels:
        try:
            channel.sendall(data)
            channel.shutdown(socket.SHUT_WR)
        except OSError:
            pass  # the server has hung up already
    for channel, _ in channels:
        drain(channel)
    assert client.query("CURR?", 2) == REPLIES["CURRent"] + "\n"
    assert client.ask(24) == (25, 0, 0, b"")


def drain(channel: socket.socket) -> None:
    """Read to the end, which must come: the server hangs up when its client has."""
    try:
        while channel.recv(4096):
            pass
    except ConnectionResetError:
        pass
    channel.close()


def test_sessions_that_end_leave_no_thread(nothing_left: None) -> None:
    before = set(threading.enumerate())
    with serve("hislip", Instrument().interpreter) as server:
        for _ in range(20):
            other = HislipClient(server)
            other.close()
    assert set(threading.enumerate()) <= before
