"""Declared reply shapes. Does NOT cover the number and text forms themselves (`test_scpi.py`)."""

from __future__ import annotations

import pytest

from drivers.reply_shapes import parse_joined, shape_of
from drivers.scpi import Number, Sentinels
from labbench.errors import ReplyMalformed

SCPI_99 = Sentinels()


def test_fields_are_read_in_their_order_and_the_raw_text_is_kept() -> None:
    reply = shape_of("number, number, integer").parse("+1.5E+00,9.9E37,2\r", SCPI_99)
    assert reply.field(0, Number) == Number(1.5, "ok", "+1.5E+00")
    assert reply.field(1, Number).status == "over-range"
    assert reply.field(2, int) == 2
    assert reply.raw == "+1.5E+00,9.9E37,2"


@pytest.mark.parametrize("text", ["1,2", "1,2,3,4", "1;2;3", "", "1,2,", "1,2,x"])
def test_another_count_or_kind_of_fields_is_refused(text: str) -> None:
    with pytest.raises(ReplyMalformed):
        shape_of("number, number, integer").parse(text, SCPI_99)


def test_booleans_take_as_many_as_come() -> None:
    assert shape_of("booleans").parse("1,0,1", SCPI_99).fields == (True, False, True)
    with pytest.raises(ReplyMalformed):
        shape_of("booleans").parse("1,2", SCPI_99)


def test_a_channel_list_is_one_field() -> None:
    assert shape_of("channels").parse("(@101,102)", SCPI_99).fields == ((101, 102),)


def test_an_unknown_kind_of_field_is_refused_with_what_is_known() -> None:
    with pytest.raises(ValueError, match=r"'float' is no kind of reply \(number, integer"):
        shape_of("number, float")
    with pytest.raises(ValueError, match="no kind"):
        shape_of("number, identity")


def test_a_field_of_another_kind_than_asked_for_is_our_error() -> None:
    with pytest.raises(ReplyMalformed, match="field 1"):
        shape_of("integer").parse("1", SCPI_99).only(str)


def test_joined_answers_keep_their_shapes_apart() -> None:
    shapes = (shape_of("number"), shape_of("word"))
    first, second = parse_joined(shapes, "1.5;IMM", SCPI_99)
    assert (first.raw, second.only(str)) == ("1.5", "IMM")
    for text in ("1.5", "1.5;IMM;", "IMM;1.5", "1.5,IMM"):
        with pytest.raises(ReplyMalformed):
            parse_joined(shapes, text, SCPI_99)
