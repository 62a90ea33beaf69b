"""Program messages of IEEE 488.2: data elements and what is wrong with them.

Does not cover what commands do with the data, nor the framing of messages in a stream.
"""

from __future__ import annotations

import pytest
from pyvisa.util import from_ieee_block, parse_ieee_block_header

from sim.scpi.errors import ScpiError
from sim.scpi.messages import Datum, MessageUnit, message_units
from sim.scpi.numbers import (
    INFINITY,
    NOT_A_NUMBER,
    boolean,
    nearest_integer,
    nr1,
    nr3,
    quoted,
    scaled,
)
from sim.scpi.parameters import Boolean, ChannelList, Choice, Limit, Named, Number


def only_unit(text: str) -> MessageUnit:
    units = list(message_units(text.encode("latin-1")))
    assert len(units) == 1
    return units[0]


def only_datum(text: str) -> Datum:
    data = only_unit("X " + text).data
    assert len(data) == 1
    return data[0]


def refusal(text: str) -> int:
    with pytest.raises(ScpiError) as caught:
        list(message_units(text.encode("latin-1")))
    return caught.value.code


def refusal_of(
    parameter: Number | Boolean | Choice | Limit | Named | ChannelList, text: str
) -> int:
    with pytest.raises(ScpiError) as caught:
        parameter.read(only_datum(text))
    return caught.value.code


# NRf takes NR1, NR2 and NR3 (IEEE 488.2, 7.7.2, from memory; formats as in its chapter 8).
@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("+12", 12.0),
        ("-3", -3.0),
        ("12.5", 12.5),
        (".5", 0.5),
        ("5.", 5.0),
        ("+1.234E-03", 1.234e-3),
        ("1.5 e 3", 1500.0),
        ("-5.5 V", -5.5),  # scpi-parser's readme
        ("300 MV", 0.3),
        ("2uV", 2e-6),
        ("1 KV", 1000.0),
        ("1MAV", 1e6),
        ("#HFF", 255.0),  # scpi-parser's readme: #HFF, #Q77, #B11
        ("#Q77", 63.0),
        ("#b11", 3.0),
    ],
)
def test_a_number_is_read_in_every_form(text: str, value: float) -> None:
    assert Number(unit="V").read(only_datum(text)) == pytest.approx(value, rel=1e-15)


# IEEE 488.2, 7.7.3 (from memory): MHZ and MOHM are mega, M is milli everywhere else.
@pytest.mark.parametrize(
    ("suffix", "unit", "value"),
    [
        ("MHZ", "HZ", 1e6),
        ("KHZ", "HZ", 1e3),
        ("HZ", "HZ", 1.0),
        ("MOHM", "OHM", 1e6),
        ("KOHM", "OHM", 1e3),
        ("MV", "V", 1e-3),
        ("MA", "A", 1e-3),
        ("MS", "S", 1e-3),
        ("NS", "S", 1e-9),
        ("GOHM", "OHM", 1e9),
    ],
)
def test_a_suffix_scales_by_the_multipliers_of_the_standard(
    suffix: str, unit: str, value: float
) -> None:
    assert scaled("1", suffix, unit) == value


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("5 A", -131),
        ("5 V3", -131),
        ("3V3", -131),
        ("5 VOLTSANDMOREV", -134),
        ("1.2.3", -121),
        ("+-5", -121),
        ("- 5", -121),
        ("#HXY", -121),
        ("1" * 256, -124),
        ("1E32001", -123),
        ("1E" + "9" * 5000, -123),
        ("1E400", -222),
        ("'5'", -158),
        ("#15abcde", -168),
        ("(@1)", -178),
        ("FIVE", -148),
        ("5\xb5V", -101),
    ],
)
def test_what_is_no_number_has_the_error_of_its_kind(text: str, code: int) -> None:
    with pytest.raises(ScpiError) as caught:
        Number(unit="V").read(only_datum(text))
    assert caught.value.code == code


def test_a_number_without_unit_refuses_a_suffix() -> None:
    assert refusal_of(Number(), "5 V") == -138


def test_a_decimal_comma_makes_two_numbers_and_never_one() -> None:
    assert [datum.text for datum in only_unit("VOLT 3,3").data] == ["3", "3"]


# SCPI-99 vol. 1, 7.2.1.4 and 7.2.1.5.
@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("INF", 9.9e37),
        ("INFinity", 9.9e37),
        ("NINF", -9.9e37),
        ("NAN", 9.91e37),
        ("MIN", 0.5),
        ("MAXimum", 20.0),
        ("def", 1.0),
    ],
)
def test_special_numbers_and_limits_go_by_name(text: str, value: float) -> None:
    parameter = Number(limits=lambda: (0.5, 20.0, 1.0))
    assert parameter.read(only_datum(text)) == value


def test_a_limit_by_name_is_refused_where_there_is_none() -> None:
    assert refusal_of(Number(), "MAX") == -148


# IEEE 488.2, 7.7.5: either quote, doubled for itself.
@pytest.mark.parametrize(
    ("text", "content"),
    [
        ('"VOLT"', "VOLT"),
        ("'VOLT'", "VOLT"),
        ('"a ""b"" c"', 'a "b" c'),
        ("'it''s'", "it's"),
        ("'a;b,c:d'", "a;b,c:d"),
        ('""', ""),
    ],
)
def test_a_string_keeps_its_content(text: str, content: str) -> None:
    assert only_datum(text) == Datum("string", content)


@pytest.mark.parametrize(("text", "code"), [('"VOLT', -151), ("'a''", -151), ("'\xe9'", -101)])
def test_a_broken_string_is_an_error(text: str, code: int) -> None:
    assert refusal("X " + text) == code


# IEEE 488.2, 7.7.6; pyvisa reads the same blocks: parse_ieee_block_header(b"#15HELLO") is (3, 5).
@pytest.mark.parametrize(
    ("text", "content"),
    [("#15HELLO", "HELLO"), ("#12A;", "A;"), ("#203a,b", "a,b"), ("#10", ""), ("#0a;b", "a;b")],
)
def test_a_block_is_read_as_the_library_of_a_client_reads_it(text: str, content: str) -> None:
    assert only_datum(text) == Datum("block", content)
    offset, length = parse_ieee_block_header(text.encode())[:2]
    assert text[offset:] == content
    assert length in (-1, len(content))


def test_a_float_block_from_the_library_of_a_client_passes_as_one_element() -> None:
    block = b"#18" + b"\x00\x00\x80?\x00\x00\x00@"
    assert from_ieee_block(block, "f") == [1.0, 2.0]
    (unit,) = message_units(b"X " + block)
    assert unit.data[0].kind == "block"


@pytest.mark.parametrize("text", ["#15HELL", "#2", "#2x1a", "#", "#;", "#A"])
def test_a_broken_block_is_minus_161(text: str) -> None:
    assert refusal("X " + text) == -161


# scpi-parser's readme shows (@1!2:3!4,5!6); these instruments have one dimension.
@pytest.mark.parametrize(
    ("text", "channels"),
    [
        ("(@101)", [101]),
        ("(@101,201:203)", [101, 201, 202, 203]),
        ("(@203:201)", [203, 202, 201]),
        ("( @ 1 , 2 )".replace("( @", "(@"), [1, 2]),
        ("(@)", []),
    ],
)
def test_a_channel_list_is_read_in_order(text: str, channels: list[int]) -> None:
    assert ChannelList().read(only_datum(text)) == channels


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("(101)", -171),
        ("(@1!2)", -171),
        ("(@1:2:3)", -171),
        ("(@a)", -171),
        ("(@1,)", -171),
        ("(@-1)", -171),
        ("(@1:999999999)", -223),
        ("(@9999999999)", -171),
        ("101", -128),
        ("'(@101)'", -158),
    ],
)
def test_a_wrong_channel_list_is_refused(text: str, code: int) -> None:
    assert refusal_of(ChannelList(), text) == code


@pytest.mark.parametrize("text", ["(@101", "(@'a')", "(@#1)", "(@1;2)", "(("])
def test_an_expression_that_does_not_close_is_minus_171(text: str) -> None:
    assert refusal("X " + text) == -171


@pytest.mark.parametrize(
    ("text", "value"),
    [("ON", True), ("off", False), ("1", True), ("0", False), ("0.4", False), ("-0.5", True)],
)
def test_a_boolean_is_a_word_or_a_rounded_number(text: str, value: bool) -> None:
    assert Boolean().read(only_datum(text)) is value


@pytest.mark.parametrize(("text", "code"), [("YES", -224), ("'ON'", -158), ("1 V", -138)])
def test_what_is_no_boolean_is_refused(text: str, code: int) -> None:
    assert refusal_of(Boolean(), text) == code


def test_a_choice_takes_both_forms_and_nothing_in_between() -> None:
    source = Choice(("IMMediate", "BUS"))
    assert source.read(only_datum("imm")) == "IMM"
    assert source.read(only_datum("IMMEDIATE")) == "IMM"
    assert source.read(only_datum("bus")) == "BUS"
    assert refusal_of(source, "IMMED") == -224
    assert refusal_of(source, "1") == -128


def test_a_name_in_a_string_is_read_like_a_header() -> None:
    function = Named({"VOLTage[:DC]": "voltage", "RESistance": "resistance"})
    for text in ('"VOLT"', "'volt:dc'", '"VOLTAGE:DC"', '" VOLT "'):
        assert function.read(only_datum(text)) == "voltage"
    for text in ('"VOL"', '""', '"VOLT?"', '"VOLT 1"', '"VOLT;RES"', '"VOLT:AC"', '"*IDN"'):
        assert refusal_of(function, text) == -224
    assert refusal_of(function, "VOLT") == -148


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("1VOLT", -102),
        ("::VOLT", -102),
        ("VOLT:", -111),
        ("VOLT?5", -111),
        ("VOLT\xff", -101),
        ("\xff", -101),
        ("VOLT 1 2", -103),
        ("VOLT 1:2", -103),
        ("VOLT 1,", -102),
        ("VOLT ,1", -102),
        ("VOLT @", -102),
        ("VOLTAGEANDMORE", -112),
        ("X ABCDEFGHIJKLM", -144),
        ("VOLT\n5", -101),
        ("*ESE:VOLT", -113),
    ],
)
def test_a_message_that_breaks_the_syntax_is_an_error(text: str, code: int) -> None:
    assert refusal(text) == code


def test_units_before_a_mistake_still_come_out() -> None:
    units = message_units(b"VOLT 1;CURR 2;$")
    assert [next(units).header, next(units).header] == [("VOLT",), ("CURR",)]
    with pytest.raises(ScpiError):
        next(units)


@pytest.mark.parametrize("text", ["", " ", "\r", "\x00\t", ";", " ; ;"])
def test_an_empty_message_has_no_units(text: str) -> None:
    assert list(message_units(text.encode())) == []


def test_control_characters_count_as_white_space() -> None:
    unit = only_unit("\x00VOLT\t\x01 5\r")
    assert unit.header == ("VOLT",)
    assert unit.data == (Datum("number", "5"),)


# Formats of replies: IEEE 488.2 chapter 8; special numbers: SCPI-99 vol. 1, 7.2.1.4-5.
def test_replies_have_the_formats_of_the_standard() -> None:
    assert nr1(-3) == "-3"
    assert nr3(1.234e-3, 3) == "+1.234E-03"
    assert nr3(-2.5, 5) == "-2.50000E+00"
    assert nr3(INFINITY, 5) == "+9.90000E+37"
    assert nr3(INFINITY) == "+9.90000000E+37"
    assert nr3(float("inf")) == "+9.90000000E+37"
    assert nr3(float("-inf")) == "-9.90000000E+37"
    assert nr3(float("nan"), 5) == "+9.91000E+37"
    assert float(nr3(NOT_A_NUMBER)) == NOT_A_NUMBER
    assert boolean(True) + boolean(False) == "10"
    assert quoted('a "b"\xe9') == '"a ""b""?"'


def test_halves_are_rounded_away_from_zero() -> None:
    assert [nearest_integer(value) for value in (0.5, 1.5, -0.5, 2.4)] == [1, 2, -1, 2]
