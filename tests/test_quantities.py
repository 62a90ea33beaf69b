"""Check how values with units are read and written.

Does not cover: which unit a file's key wants (tests of the files), markings of inductors
(tests/parts/test_markings.py), the reading of instruments' replies (tests/drivers).
"""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from labbench.errors import QuantityError
from labbench.quantities import (
    UNITS,
    format_si,
    parse_channel_list,
    parse_quantity,
    parse_with_tolerance,
)

# IEC 60062 value code of resistances, as a public copy of the standard's example table gives it
# (references 3.1)
IEC_60062_RESISTANCES = {
    "R47": 0.47,
    "4R7": 4.7,
    "470R": 470.0,
    "4K7": 4.7e3,
    "47K": 47e3,
    "47K3": 47.3e3,
    "470K": 470e3,
    "4M7": 4.7e6,
    "R22": 0.22,
}
# capacitances by the same code; from memory (references 3.1)
IEC_60062_CAPACITANCES = {
    "p10": 0.1e-12,
    "4p7": 4.7e-12,
    "n47": 470e-12,
    "4n7": 4.7e-9,
    "u47": 0.47e-6,
    "µ47": 0.47e-6,
}


@pytest.mark.parametrize(("text", "ohm"), IEC_60062_RESISTANCES.items())
def test_a_resistance_in_letter_code_reads_as_the_standard_tabulates_it(
    text: str, ohm: float
) -> None:
    assert parse_quantity(text, "ohm") == pytest.approx(ohm, rel=1e-15)


@pytest.mark.parametrize(("text", "farad"), IEC_60062_CAPACITANCES.items())
def test_a_capacitance_in_letter_code_reads_as_the_standard_tabulates_it(
    text: str, farad: float
) -> None:
    assert parse_quantity(text, "F") == pytest.approx(farad, rel=1e-15)


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("150 nH", "H", 150e-9),
        ("150nH", "H", 150e-9),
        ("  150  nH ", "H", 150e-9),
        ("150\u00a0nH", "H", 150e-9),
        ("0.29 m\u2126", "ohm", 0.29e-3),
        ("0.29 m\u03a9", "ohm", 0.29e-3),
        ("0.29 mohm", "ohm", 0.29e-3),
        ("0.29 mOhm", "ohm", 0.29e-3),
        ("0.29 MOhm", "ohm", 0.29e6),
        ("2.2 \u00b5H", "H", 2.2e-6),
        ("2.2 \u03bcH", "H", 2.2e-6),
        ("2.2 uH", "H", 2.2e-6),
        ("2u2", "H", 2.2e-6),
        ("2\u00b52", "H", 2.2e-6),
        ("470n", "H", 470e-9),
        ("20 %", "%", 0.2),
        ("0.05%", "%", 0.0005),
        ("50 ppm", "%", 50e-6),
        ("25 °C", "°C", 25.0),
        ("-40 degC", "°C", -40.0),
        ("\u221240 °C", "°C", -40.0),
        ("1.5e-3 V", "V", 1.5e-3),
        ("100 kHz", "Hz", 100e3),
        ("20 µJ", "J", 20e-6),
    ],
)
def test_a_value_reads_as_the_float_nearest_to_it(text: str, unit: str, value: float) -> None:
    assert parse_quantity(text, unit) == value


@pytest.mark.parametrize(
    ("text", "unit", "reason", "meant"),
    [
        ("3,3 V", "V", "decimal comma", "'3.3 V'"),
        ("1,000 V", "V", "comma", "'1.000 V' or '1000 V'"),
        ("10 000 Ω", "ohm", "groups", "'10000 Ω'"),
        (".5 V", "V", "both sides", "'0.5 V'"),
        ("5. V", "V", "both sides", "'5 V'"),
        ("5 V", "A", "is in V; it needs A", None),
        ("5 H", "Hz", "is in H; it needs Hz", None),
        ("5", "V", "has no unit", None),
        ("0", "V", "has no unit", None),
        ("", "V", "empty", None),
        ("5 m", "V", "prefix but no unit", "'5 mV'"),
        ("5 KHz", "Hz", "not how it is written", "'5 kHz'"),
        ("5 uh", "H", "not how it is written", "'5 uH'"),
        ("5 KΩ", "ohm", "not how it is written", "'5 kΩ'"),
        ("5 MOHM", "ohm", "milli and mega", "'5 mΩ' (milliohm) or '5 MΩ' (megohm)"),
        ("5 mhz", "Hz", "case", "'5 MHz' or '5 mHz'"),
        ("4m7", "ohm", "milliohm and for megohm", "'4.7 mΩ' or '4.7 MΩ'"),
        ("4R7", "H", "point of a resistance", "'4.7 µH'"),
        ("3V3", "V", "letter for the point", "'3.3 V'"),
        ("5 C", "°C", "no degree Celsius", "'5 °C'"),
        ("1 furlong", "H", "no unit of H", None),
        ("nan V", "V", "no value", None),
        ("inf", "V", "no value", None),
        ("-inf V", "V", "no value", None),
        ("1e999 V", "V", "beyond any number", None),
        ("\uff11 V", "V", "no value", None),
        ("1_000 V", "V", "groups", "'1000 V'"),
        ("5 V 3", "V", "no value", None),
        ("R", "ohm", "no value", None),
    ],
)
def test_a_text_that_cannot_be_read_says_why_and_what_was_meant(
    text: str, unit: str, reason: str, meant: str | None
) -> None:
    with pytest.raises(QuantityError) as refused:
        parse_quantity(text, unit)
    assert reason in refused.value.message
    if meant is not None:
        assert refused.value.hint is not None
        assert meant in refused.value.hint


def assert_finite_or_refused(text: str, unit: str) -> None:
    refused: QuantityError | None = None
    value = math.nan
    try:
        value = parse_quantity(text, unit)
    except QuantityError as error:
        refused = error
    assert math.isfinite(value) if refused is None else refused.message


@given(st.text(max_size=30), st.sampled_from(sorted(UNITS)))
def test_any_text_reads_as_a_finite_number_or_is_refused_with_a_reason(
    text: str, unit: str
) -> None:
    assert_finite_or_refused(text, unit)


@given(
    st.text(alphabet="0123456789.,+-eE RKMkmunpµ%VHhzΩ°C", max_size=12),
    st.sampled_from(sorted(UNITS)),
)
def test_near_misses_never_escape_as_another_error(text: str, unit: str) -> None:
    assert_finite_or_refused(text, unit)


UNITS_WRITTEN = st.sampled_from(sorted(UNITS))


@given(st.floats(allow_nan=False, allow_infinity=False, width=64), UNITS_WRITTEN)
def test_what_is_written_with_all_its_digits_reads_back_as_the_same_number(
    value: float, unit: str
) -> None:
    # one decimal shift of a percentage leaves the doubles: 1e308 is no ratio
    assume(unit != "%" or abs(value) < 1e300)
    assert parse_quantity(format_si(value, unit, 17), unit) == value


@given(
    st.floats(min_value=1e-14, max_value=1e13),
    st.integers(min_value=1, max_value=9),
    UNITS_WRITTEN,
)
def test_a_rounded_text_reads_back_within_half_of_its_last_digit(
    value: float, digits: int, unit: str
) -> None:
    read = parse_quantity(format_si(value, unit, digits), unit)
    assert abs(read - value) <= 0.5 * 10.0 ** (1 - digits) * value * (1 + 1e-12)


@given(st.floats(min_value=1e-15, max_value=9e14), st.integers(min_value=1, max_value=6))
def test_a_prefix_leaves_one_to_three_figures_before_the_point(value: float, digits: int) -> None:
    number = format_si(value, "V", digits).split()[0]
    assume("e" not in number)
    assert 1 <= Decimal(number) < 1000


@pytest.mark.parametrize(
    ("value", "unit", "digits", "text"),
    [
        (470e-9, "H", 3, "470 nH"),
        (1.5234e-3, "ohm", 3, "1.52 mΩ"),
        (1e3, "Hz", 3, "1 kHz"),
        (999.96, "V", 4, "1 kV"),
        (999.94, "V", 4, "999.9 V"),
        (-41e-9, "H", 3, "-41 nH"),
        (0.2, "%", 3, "20 %"),
        (0.0005, "%", 3, "0.05 %"),
        (25.0, "°C", 3, "25 °C"),
        (1500.0, "s", 4, "1500 s"),
        (0.0, "A", 3, "0 A"),
        (1e-20, "A", 3, "1e-5 fA"),
    ],
)
def test_a_value_is_written_as_a_person_would(
    value: float, unit: str, digits: int, text: str
) -> None:
    assert format_si(value, unit, digits) == text


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_what_is_no_number_is_never_written_with_a_unit(value: float) -> None:
    with pytest.raises(ValueError, match="no place"):
        format_si(value, "V")


def test_an_unknown_unit_is_a_mistake_of_the_program() -> None:
    with pytest.raises(ValueError, match="no unit"):
        parse_quantity("5 lb", "lb")


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("100 Ω 1 %", (100.0, 0.01)),
        ("100 Ω ±1%", (100.0, 0.01)),
        ("100 Ω +/- 1 %", (100.0, 0.01)),
        ("10 kΩ 0.1 %", (10e3, 0.001)),
        ("100R 1 %", (100.0, 0.01)),
        ("1 MΩ 50 ppm", (1e6, 50e-6)),
        ("100 Ω", (100.0, None)),
    ],
)
def test_a_tolerance_follows_its_value(text: str, expected: tuple[float, float | None]) -> None:
    value, tolerance = parse_with_tolerance(text, "ohm")
    assert value == expected[0]
    assert tolerance == (None if expected[1] is None else pytest.approx(expected[1], rel=1e-15))


@pytest.mark.parametrize("text", ["100 Ω 0 %", "100 Ω 100 %", "100 Ω -1 %", "100 1 %", "Ω 1 %"])
def test_a_tolerance_that_cannot_be_is_refused(text: str) -> None:
    with pytest.raises(QuantityError):
        parse_with_tolerance(text, "ohm")


# channel lists: SCPI-99 vol. 1, 8.3.2
@pytest.mark.parametrize(
    ("text", "channels"),
    [
        ("(@101)", (101,)),
        ("(@201,202:204)", (201, 202, 203, 204)),
        ("(@204:202)", (204, 203, 202)),
        (" ( @ 101 , 103 ) ", (101, 103)),
    ],
)
def test_a_channel_list_keeps_its_order(text: str, channels: tuple[int, ...]) -> None:
    assert parse_channel_list(text) == channels


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("101", "no channel list"),
        ("@101", "no channel list"),
        ("(101)", "no channel list"),
        ("(@)", "neither a channel nor a range"),
        ("(@101,)", "neither a channel nor a range"),
        ("(@101;102)", "neither a channel nor a range"),
        ("(@1.5)", "neither a channel nor a range"),
        ("(@101,100:102)", "named twice"),
        ("(@1:999999999)", "more than"),
    ],
)
def test_what_is_no_channel_list_is_refused_with_the_reason(text: str, reason: str) -> None:
    with pytest.raises(QuantityError) as refused:
        parse_channel_list(text)
    assert reason in refused.value.message
