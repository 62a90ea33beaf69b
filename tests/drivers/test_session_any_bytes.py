"""Any bytes in any pieces: a session answers with what was sent, or with one of our errors.

Hypothesis draws replies and how they are cut; the number of examples is small because each goes
over a real loopback socket. Does NOT cover a digit that is garbled within a well-formed number:
nothing on a plain socket can see that.
"""

from __future__ import annotations

import itertools
import threading
from collections.abc import Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.dialect import Dialect
from drivers.reply_shapes import shape_of
from drivers.scpi import Number
from drivers.session import Session, State
from drivers.transport import make_transport
from labbench.errors import InstrumentError
from tests.drivers.peers import Connection, Peer, answering

Pieces = list[bytes]


class _Told:
    """What the peer sends for the next READ?, in pieces, with a short wait in between."""

    pieces: Pieces = []  # noqa: RUF012
    #: a surplus that comes after the next question cannot be told from its answer: see to it that
    #: all pieces are on their way before that
    sent = threading.Event()


def _on_line(connection: Connection, line: bytes) -> None:
    if line == b"READ?":
        for number, piece in enumerate(_Told.pieces):
            if number:
                connection.wait(0.001)
            connection.send(piece)
        _Told.sent.set()
    else:
        answering({"FREQ?": "1000"})(connection, line)


@pytest.fixture(scope="module")
def session(plain: Dialect) -> Iterator[Session]:
    with Peer(_on_line) as peer:
        opened = Session(make_transport(peer.address), plain, name="test peer")
        opened.open()
        yield opened
        opened.close()


def _cut(text: bytes, cuts: list[int]) -> Pieces:
    at = sorted({cut % (len(text) + 1) for cut in cuts})
    edges = [0, *at, len(text)]
    return [text[a:b] for a, b in itertools.pairwise(edges) if a < b]


def _in_step(session: Session) -> None:
    if session.state is not State.IN_STEP:
        session.recover()


number_texts = st.one_of(
    st.integers(-(10**9), 10**9).map(str),
    st.floats(-1e30, 1e30).map(lambda value: f"{value:+.6E}"),
    st.floats(-1e6, 1e6).map(lambda value: f"{value:.4f}"),
)


@settings(max_examples=60, deadline=None)
@given(text=number_texts, cuts=st.lists(st.integers(0, 40), max_size=3))
def test_a_reply_cut_in_any_way_gives_the_same_number(
    session: Session, text: str, cuts: list[int]
) -> None:
    _in_step(session)
    _Told.pieces = _cut(text.encode() + b"\n", cuts)
    reply = session.query("READ?", shape_of("number"), timeout_s=5.0)
    assert reply.raw == text
    assert reply.only(Number).value == float(text)
    assert session.state is State.IN_STEP


@settings(max_examples=60, deadline=None)
@given(
    start=st.binary(max_size=30), cuts=st.lists(st.integers(0, 40), max_size=2), ended=st.booleans()
)
def test_any_bytes_raise_only_our_errors_and_never_leave_a_stale_answer(
    session: Session, start: bytes, cuts: list[int], ended: bool
) -> None:
    _in_step(session)
    _Told.pieces = _cut(start + (b"\n" if ended else b""), cuts)
    _Told.sent.clear()
    try:
        reply = session.query("READ?", shape_of("number"), timeout_s=0.05, explain=False)
    except InstrumentError:
        assert session.state is State.OUT_OF_STEP
    else:
        # a number came: it is the first line, whole
        assert reply.raw == start.split(b"\n")[0].decode("ascii").strip()
    assert _Told.sent.wait(5)
    try:
        after = session.query("FREQ?", shape_of("number"), timeout_s=5.0)
    except InstrumentError:
        session.recover()
        after = session.query("FREQ?", shape_of("number"), timeout_s=5.0)
    assert after.raw == "1000"


@settings(max_examples=40, deadline=None)
@given(text=number_texts, keep=st.integers(0, 12))
def test_a_reply_of_which_the_end_never_comes_is_no_number(
    session: Session, text: str, keep: int
) -> None:
    _in_step(session)
    _Told.pieces = [text.encode()[:keep]] if keep else []
    with pytest.raises(InstrumentError):
        session.query("READ?", shape_of("number"), timeout_s=0.02, explain=False)
    assert session.state is State.OUT_OF_STEP
