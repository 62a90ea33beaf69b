"""Any text against any declared shape: a value of that shape, or ReplyMalformed. Nothing else.

Hypothesis draws texts from what instruments send (numbers, quotes, brackets, separators, control
characters), cut, doubled and garbled. Does NOT cover the link: `test_session_any_bytes.py` does.
"""

from __future__ import annotations

import math

from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.reply_shapes import Reply, parse_joined, shape_of
from drivers.scpi import ErrorEntry, Number, Sentinels
from labbench.errors import ReplyMalformed
from labbench.ports import Identity

FIELDS = ("number", "integer", "boolean", "word", "string")
WHOLE = ("identity", "error", "channels", "booleans")
KINDS = {
    "number": Number, "integer": int, "boolean": bool, "word": str, "string": str,
    "identity": Identity, "error": ErrorEntry, "channels": tuple,
}  # fmt: skip

shapes = st.one_of(
    st.sampled_from(WHOLE), st.lists(st.sampled_from(FIELDS), min_size=1, max_size=4).map(", ".join)
)
scraps = st.sampled_from(
    ["+1.23E-06", "-9.9E37", "9.91E37", "+9.90000E+37", "1", "0", "-113", "IMM", '"No error"',
     "'a'", '"', "'", "(@101,203)", "(@", ")", "(@1:99999)", ",", ";", " ", "\t", "\r", "\n",
     "\x00", "\x7f",
     "nan", "inf", "1e999", "1E400", "0x1F", "#H1F", "1_000", "1,5", "+", ".", "E", "-", "9" * 400,
     "Harbour Workshop,meter,7,1.0", '0,"No error"', '-222,"Data out of range;x ""y"""', "\u0661"]
)  # fmt: skip
texts = st.one_of(
    st.lists(scraps, max_size=8).map("".join),
    st.text(max_size=40),
    st.text(alphabet="0123456789+-.eE,;\"'()@: \r\n", max_size=60),
)
thorough = settings(max_examples=1500, deadline=None)


def check(reply: Reply, shape: str, text: str) -> None:
    assert reply.raw == text.strip()
    kinds = [kind.strip() for kind in shape.split(",")]
    if kinds == ["booleans"]:
        kinds = ["boolean"] * len(reply.fields)
    assert len(reply.fields) == len(kinds)
    for value, kind in zip(reply.fields, kinds, strict=True):
        assert type(value) is KINDS[kind]
        if isinstance(value, Number):
            # a status or a finite value, never both and never neither
            assert (value.value is None) == (value.status != "ok")
            assert value.value is None or math.isfinite(value.value)
            assert value.value is None or abs(value.value) < 9.9e37


@thorough
@given(shape=shapes, text=texts)
def test_any_text_is_of_the_declared_shape_or_malformed(shape: str, text: str) -> None:
    try:
        reply = shape_of(shape).parse(text, Sentinels())
    except ReplyMalformed:
        return
    check(reply, shape, text)
    # what was accepted once is accepted again, with the same result
    assert shape_of(shape).parse(reply.raw, Sentinels()) == reply


@thorough
@given(
    shapes=st.lists(shapes, min_size=2, max_size=4),
    text=st.one_of(texts, st.lists(texts, min_size=2, max_size=4).map(";".join)),
)
def test_any_text_for_joined_questions_gives_one_reply_for_each_or_is_malformed(
    shapes: list[str], text: str
) -> None:
    try:
        replies = parse_joined(tuple(map(shape_of, shapes)), text, Sentinels())
    except ReplyMalformed:
        return
    assert len(replies) == len(shapes)
    for reply, shape in zip(replies, shapes, strict=True):
        check(reply, shape, reply.raw)


@given(
    value=st.floats(-1e30, 1e30),
    digits=st.integers(1, 9),
    before=st.sampled_from(["", " ", "\t"]),
    after=st.sampled_from(["", " ", "\r", " \r"]),
)
def test_a_number_in_any_form_of_an_instrument_keeps_its_value(
    value: float, digits: int, before: str, after: str
) -> None:
    text = f"{value:+.{digits}E}"
    number = shape_of("number").parse(before + text + after, Sentinels()).only(Number)
    assert number == Number(float(text), "ok", text)


@given(text=st.sampled_from(["+1.23456E-06", "-4.5E+02"]), cut=st.integers(2, 11))
def test_the_tail_of_a_number_can_parse_as_another_one(text: str, cut: int) -> None:
    """Not a fault of the parser: why a session that lost a reply is out of step."""
    tail = text[cut:]
    try:
        number = shape_of("number").parse(tail, Sentinels()).only(Number)
    except ReplyMalformed:
        return
    assert number.raw == tail
    assert number.value != float(text)
