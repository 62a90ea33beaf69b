"""The forms of SCPI text, with published vectors where there are any.

Sources, beside each check: [488.2] IEEE 488.2, response data formats, from memory; [SCPI-99]
vol. 1, 7.2.1.4 and 7.2.1.5, section numbers from a public table of contents; [drivers] forms met in
public driver libraries; [scpi-parser] a BSD library that follows SCPI-99, its README and `error.h`.
Does NOT cover block data (no command of ours has any).
"""

from __future__ import annotations

import contextlib
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers import scpi
from labbench.errors import InputError, ReplyMalformed

# --- numbers -------------------------------------------------------------------------------------

FORMS = [
    ("+12", 12.0),  # NR1 [488.2]
    ("-3", -3.0),  # NR1 [488.2]
    ("12.5", 12.5),  # NR2 [488.2]
    ("+1.234E-03", 1.234e-3),  # NR3 [488.2]
    ("-5.5", -5.5),  # [scpi-parser]
    ("0", 0.0),
    ("-0.0E+00", 0.0),
    ("1.", 1.0),  # NRf [488.2]
    (".5", 0.5),  # NRf [488.2]
    ("1e3", 1000.0),  # NRf, lower case [488.2]
    (" 1.5\r", 1.5),  # CR LF under a line feed terminator (measured)
]


@pytest.mark.parametrize(("text", "value"), FORMS)
def test_every_number_form_is_read(text: str, value: float) -> None:
    number = scpi.parse_number(text)
    assert number == scpi.Number(value, "ok", text.strip())


@pytest.mark.parametrize(
    "text",
    [
        "", " ", "+", ".", "E3", "1E", "1E+", "1.2.3", "--1", "1 2", "1 E3", "1,5", "1.5 V",
        "1_000", "0x1F", "#HFF", "#B11", "nan", "NAN", "inf", "INF", "-INF", "Infinity", "1.5e",
        "1.5\x00", "١", "1.5;2", '"1.5"', "TRUE", "1E123456",
    ],
)  # fmt: skip
def test_what_is_no_number_is_refused(text: str) -> None:
    with pytest.raises(ReplyMalformed, match="is not a number"):
        scpi.parse_number(text)


@pytest.mark.parametrize(
    ("text", "status"),
    [
        ("9.9E37", "over-range"),  # INF [SCPI-99 7.2.1.4]
        ("-9.9E37", "over-range"),  # NINF [SCPI-99 7.2.1.4]
        ("+9.90000000E+37", "over-range"),  # [drivers]
        ("+9.90000E+37", "over-range"),  # [drivers]
        ("-9.9000E+37", "over-range"),  # a test for plus only was met [drivers]
        ("9.91E37", "not-measured"),  # NAN [SCPI-99 7.2.1.5]
        ("9.91000E+37", "not-measured"),  # [drivers]
        ("-9.91E37", "not-measured"),  # one public library takes it for minus infinity [drivers]
        ("1E38", "over-range"),
        ("-1E38", "over-range"),
        ("1E400", "over-range"),  # beyond any float
    ],
)
def test_special_numbers_become_a_status_and_never_a_value(text: str, status: str) -> None:
    assert scpi.parse_number(text) == scpi.Number(None, status, text)  # type: ignore[arg-type]


@pytest.mark.parametrize("text", ["9.8E37", "-9.8E37", "9.89999E+37"])
def test_a_number_just_below_the_special_ones_is_a_value(text: str) -> None:
    assert scpi.parse_number(text).value == float(text)


def test_a_dialect_may_have_other_special_numbers() -> None:
    own = scpi.Sentinels(over_range=1e20, not_a_number=9.0e20)
    assert scpi.parse_number("-1E+20", own).status == "over-range"
    assert scpi.parse_number("9.0E+20", own).status == "not-measured"
    assert scpi.parse_number("9.9E19", own).value == 9.9e19


@given(st.floats(allow_nan=False, allow_infinity=False, min_value=-1e37, max_value=1e37))
def test_a_number_that_is_written_reads_back_within_twelve_digits(value: float) -> None:
    read = scpi.parse_number(scpi.format_number(value)).value
    assert read is not None
    assert math.isclose(read, value, rel_tol=1e-11, abs_tol=1e-300)


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_a_number_that_is_not_finite_is_never_sent(value: float) -> None:
    with pytest.raises(InputError):
        scpi.format_number(value)


@pytest.mark.parametrize(("text", "value"), [("0", 0), ("+12", 12), ("-3", -3), (" 7\r", 7)])
def test_integers_are_read(text: str, value: int) -> None:
    assert scpi.parse_integer(text) == value


@pytest.mark.parametrize("text", ["", "1.0", "1E0", "0x1", "+", "1 2", "9" * 5000])
def test_what_is_no_integer_is_refused(text: str) -> None:
    with pytest.raises(ReplyMalformed, match="integer"):
        scpi.parse_integer(text)


# --- Booleans, words, strings --------------------------------------------------------------------


def test_booleans_are_zero_and_one() -> None:
    # SCPI-99 vol. 1, 7.3: a query answers 0 or 1, never ON or OFF
    assert scpi.parse_boolean("1\r") is True
    assert scpi.parse_boolean("0") is False
    for text in ("ON", "OFF", "2", "-1", "+1", "", "1,0", "1.0"):
        with pytest.raises(ReplyMalformed, match="0 or 1"):
            scpi.parse_boolean(text)
    assert (scpi.format_boolean(True), scpi.format_boolean(False)) == ("1", "0")


def test_words_are_read_in_capitals() -> None:
    assert scpi.parse_word(" imm\r") == "IMM"
    for text in ("", "1MM", "IMM;", '"IMM"', "I M", "ÉMM"):
        with pytest.raises(ReplyMalformed, match="word"):
            scpi.parse_word(text)


def test_strings_lose_their_quotes_and_keep_doubled_ones_once() -> None:
    # [488.2] 8.7.8: a quote within is doubled
    assert scpi.parse_string('"VOLT:DC"') == "VOLT:DC"
    assert scpi.parse_string("'VOLT'") == "VOLT"
    assert scpi.parse_string('"5"" disk"') == '5" disk'
    for text in ("VOLT", '"VOLT', 'VOLT"', '"a"b"', "\"a'", ""):
        with pytest.raises(ReplyMalformed, match="quotes"):
            scpi.parse_string(text)


# --- error queue ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "code", "told"),
    [
        ('0,"No error"', 0, "No error"),  # [scpi-parser]
        ('+0,"No error"', 0, "No error"),  # [drivers]
        ('-113,"Undefined header"', -113, "Undefined header"),  # [scpi-parser]
        # <text>;<device information> (SCPI-99 vol. 1, 21.8.1, from memory)
        ('-222,"Data out of range;VOLT 99"', -222, "Data out of range;VOLT 99"),
        ('-350,"Queue overflow"', -350, "Queue overflow"),  # [scpi-parser]
        ('-131, "Invalid suffix"', -131, "Invalid suffix"),
        ('101,"Relay ""12"" stuck"', 101, 'Relay "12" stuck'),
    ],
)
def test_error_entries_are_read(text: str, code: int, told: str) -> None:
    entry = scpi.parse_error_entry(text + "\r")
    assert (entry.code, entry.text, entry.raw) == (code, told, text)


@pytest.mark.parametrize(
    "text",
    ["", "0", "No error", "0,No error", "0,'No error'", '"No error",0', '0,"No" error"', "1.5"],
)
def test_what_is_no_error_entry_is_refused(text: str) -> None:
    with pytest.raises(ReplyMalformed, match="No error"):
        scpi.parse_error_entry(text)


# --- identity ------------------------------------------------------------------------------------


def test_an_identity_has_four_fields() -> None:
    identity = scpi.parse_identity("Workshop, bench meter ,SN 7,0.9-b\r")
    assert identity.maker == "Workshop"
    assert identity.model == "bench meter"
    assert identity.serial == "SN 7"
    assert identity.firmware == "0.9-b"
    assert identity.raw == "Workshop, bench meter ,SN 7,0.9-b"


@pytest.mark.parametrize("text", ["", "a,b,c", "a,b,c,d,e", ",,0,0", "1.5", "a,b,\x07,d"])
def test_what_is_no_identity_is_refused(text: str) -> None:
    with pytest.raises(ReplyMalformed, match="four fields"):
        scpi.parse_identity(text)


# --- channel lists -------------------------------------------------------------------------------


def test_channel_lists_are_read() -> None:
    assert scpi.parse_channel_list("(@101,201:204)\r") == (101, 201, 202, 203, 204)
    assert scpi.parse_channel_list("(@)") == ()
    assert scpi.parse_channel_list("( @ )") == ()
    assert scpi.format_channel_list([103, 205]) == "(@103,205)"


@pytest.mark.parametrize("text", ["", "101", "(101)", "@101", "(@101", "(@1,,2)", "(@a)", "(@1,1)"])
def test_what_is_no_channel_list_is_refused(text: str) -> None:
    with pytest.raises(ReplyMalformed, match="channel list"):
        scpi.parse_channel_list(text)


@given(st.lists(st.integers(0, 999_999), unique=True, max_size=20))
def test_a_channel_list_that_is_written_reads_back(channels: list[int]) -> None:
    assert scpi.parse_channel_list(scpi.format_channel_list(channels)) == tuple(channels)


# --- splitting -----------------------------------------------------------------------------------


def test_a_reply_is_split_outside_quotes_and_brackets() -> None:
    assert scpi.split_outside_quotes("1,2,3", ",") == ("1", "2", "3")
    assert scpi.split_outside_quotes('"a,b",2', ",") == ('"a,b"', "2")
    assert scpi.split_outside_quotes("(@1,2),'x,y'", ",") == ("(@1,2)", "'x,y'")
    assert scpi.split_outside_quotes('1;"a;b";', ";") == ("1", '"a;b"', "")
    assert scpi.split_outside_quotes("", ",") == ("",)
    for text in ('"a,b', "(@1", "1)", "'"):
        with pytest.raises(ReplyMalformed, match="not closed"):
            scpi.split_outside_quotes(text, ",")


@given(st.text(max_size=40))
def test_any_text_gives_a_value_or_our_error_and_nothing_else(text: str) -> None:
    for parse in (
        scpi.parse_number,
        scpi.parse_integer,
        scpi.parse_boolean,
        scpi.parse_word,
        scpi.parse_string,
        scpi.parse_error_entry,
        scpi.parse_identity,
        scpi.parse_channel_list,
        lambda text: scpi.split_outside_quotes(text, ","),
    ):
        with contextlib.suppress(ReplyMalformed):
            parse(text)
