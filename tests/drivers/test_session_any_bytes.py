"""Any bytes in any pieces: a session answers with what was sent, or with one of our errors.

Hypothesis draws replies and how they are cut and delayed, on every kind of link; the number of
examples is small because each goes over a real loopback link. Does NOT cover a digit that is
garbled within a well-formed number (nothing on these links can see that), nor links through the
generic VISA transport.
"""

from __future__ import annotations

import itertools
import threading
from collections.abc import Iterator
from typing import Any

import pytest
from attrs import evolve
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from drivers.dialect import Dialect
from drivers.reply_shapes import shape_of
from drivers.scpi import Number
from drivers.session import Session, State
from drivers.transport import make_transport
from labbench.errors import InstrumentError
from tests.drivers.link_peers import (
    HislipConnection,
    HislipPeer,
    PtyPeer,
    SerialSocketPeer,
    message,
)
from tests.drivers.peers import IDENTITY, NO_ERROR, Peer

ANSWERS = {b"*IDN?": IDENTITY, b"SYST:ERR?": NO_ERROR, b"FREQ?": "1000"}
PEERS: dict[str, Any] = {
    "socket": Peer,
    "serial-socket": SerialSocketPeer,
    "serial-pty": PtyPeer,
    "hislip": HislipPeer,
}


class _Told:
    """What the peer sends for the next READ?, where it is cut, and the waits in between."""

    reply = b""
    ends = True
    raw: bytes | None = None  # in place of a message of the link, where it has messages
    cuts: list[int] = []  # noqa: RUF012
    pause_s = 0.001
    #: a surplus that comes after the next question cannot be told from its answer: see to it that
    #: all pieces are on their way before that
    sent = threading.Event()


def _on_line(connection: Any, line: bytes) -> None:
    if line != b"READ?":
        answer = ANSWERS.get(line)
        if answer is not None:
            connection.send(_framed(connection, answer.encode() + b"\n", ends=True))
        return
    data = _framed(connection, _Told.reply, ends=_Told.ends) if _Told.raw is None else _Told.raw
    for number, piece in enumerate(_cut(data, _Told.cuts)):
        if number:
            connection.wait(_Told.pause_s)
        connection.send(piece)
    _Told.sent.set()


def _framed(connection: Any, payload: bytes, *, ends: bool) -> bytes:
    if isinstance(connection, HislipConnection):
        return connection.reply(payload, ends=ends)
    return payload


def _cut(text: bytes, cuts: list[int]) -> list[bytes]:
    at = sorted({cut % (len(text) + 1) for cut in cuts})
    edges = [0, *at, len(text)]
    return [text[a:b] for a, b in itertools.pairwise(edges) if a < b]


@pytest.fixture(scope="module", params=list(PEERS))
def session(request: pytest.FixtureRequest, plain: Dialect) -> Iterator[Session]:
    assert plain.serial is not None
    # all pieces are on their way before a recovery begins, so a short silence is enough
    dialect = evolve(plain, serial=evolve(plain.serial, quiet=0.02))
    with PEERS[request.param](_on_line) as peer:
        opened = Session(make_transport(peer.address, dialect.serial), dialect, name="test peer")
        opened.open()
        yield opened
        opened.close()


def _in_step(session: Session) -> None:
    if session.state is not State.IN_STEP:
        session.recover()
    _Told.raw, _Told.ends, _Told.pause_s = None, True, 0.001
    _Told.sent.clear()


def _still_right(session: Session) -> None:
    """The next answer is the right one, if need be after a recovery."""
    assert _Told.sent.wait(5)
    try:
        after = session.query("FREQ?", shape_of("number"), timeout_s=5.0)
    except InstrumentError:
        session.recover(within_s=5.0)
        after = session.query("FREQ?", shape_of("number"), timeout_s=5.0)
    assert after.raw == "1000"


number_texts = st.one_of(
    st.integers(-(10**9), 10**9).map(str),
    st.floats(-1e30, 1e30).map(lambda value: f"{value:+.6E}"),
    st.floats(-1e6, 1e6).map(lambda value: f"{value:.4f}"),
)
cuts = st.lists(st.integers(0, 60), max_size=3)
few = settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


@few
@given(text=number_texts, cuts=cuts)
def test_a_reply_cut_in_any_way_gives_the_same_number(
    session: Session, text: str, cuts: list[int]
) -> None:
    _in_step(session)
    _Told.reply, _Told.cuts = text.encode() + b"\n", cuts
    reply = session.query("READ?", shape_of("number"), timeout_s=5.0)
    assert reply.raw == text
    assert reply.only(Number).value == float(text)
    assert session.state is State.IN_STEP


@few
@given(text=number_texts, cuts=cuts, pause_ms=st.integers(1, 30), wait_ms=st.integers(5, 60))
def test_a_reply_of_any_delay_is_whole_or_puts_the_session_out_of_step(
    session: Session, text: str, cuts: list[int], pause_ms: int, wait_ms: int
) -> None:
    _in_step(session)
    _Told.reply, _Told.cuts, _Told.pause_s = text.encode() + b"\n", cuts, pause_ms / 1000
    try:
        reply = session.query("READ?", shape_of("number"), timeout_s=wait_ms / 1000, explain=False)
    except InstrumentError:
        assert session.state is State.OUT_OF_STEP
    else:
        assert reply.raw == text
    _still_right(session)


@few
@given(start=st.binary(max_size=30), cuts=cuts, ended=st.booleans())
def test_any_bytes_raise_only_our_errors_and_never_leave_a_stale_answer(
    session: Session, start: bytes, cuts: list[int], ended: bool
) -> None:
    _in_step(session)
    _Told.reply, _Told.cuts, _Told.ends = start + (b"\n" if ended else b""), cuts, ended
    try:
        reply = session.query("READ?", shape_of("number"), timeout_s=0.05, explain=False)
    except InstrumentError:
        assert session.state is State.OUT_OF_STEP
    else:
        # a number came: it is the first line, whole
        assert reply.raw == start.split(b"\n")[0].decode("ascii").strip()
    _still_right(session)


headers = st.builds(
    message,
    st.integers(0, 255),
    st.binary(max_size=8),
    parameter=st.integers(0, 2**32 - 1),
    control=st.integers(0, 255),
)
odd_lengths = st.builds(
    lambda data, length: data[:8] + length.to_bytes(8, "big") + data[16:],
    headers,
    st.one_of(st.integers(0, 40), st.integers(0, 2**64 - 1)),
)


@few
@given(raw=st.one_of(headers, odd_lengths, st.binary(min_size=1, max_size=40)), cuts=cuts)
def test_any_bytes_in_place_of_a_message_of_the_link_do_no_more(
    session: Session, raw: bytes, cuts: list[int]
) -> None:
    _in_step(session)
    _Told.raw, _Told.cuts = raw, cuts
    try:
        reply = session.query("READ?", shape_of("number"), timeout_s=0.05, explain=False)
    except InstrumentError:
        assert session.state is State.OUT_OF_STEP
    else:
        assert reply.raw.encode("ascii") in raw
    _still_right(session)


@few
@given(text=number_texts, keep=st.integers(0, 12))
def test_a_reply_of_which_the_end_never_comes_is_no_number(
    session: Session, text: str, keep: int
) -> None:
    _in_step(session)
    _Told.reply, _Told.cuts, _Told.ends = text.encode()[:keep], [], False
    with pytest.raises(InstrumentError):
        session.query("READ?", shape_of("number"), timeout_s=0.02, explain=False)
    assert session.state is State.OUT_OF_STEP
