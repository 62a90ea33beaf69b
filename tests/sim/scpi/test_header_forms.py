"""Long and short forms, optional nodes and numeric suffixes.

Does not cover which headers an instrument has (test_profiles_*) nor compound messages.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.scpi.errors import ScpiError
from sim.scpi.headers import HeaderTree, keywords, short_form

# SCPI-99 vol. 1, 6.2.1 (rule from memory); VOLTage/VOLT and the refusal of VOL and VOLTAG also in
# public tutorials.
FORMS = (
    "VOLTage VOLT, CURRent CURR, FREQuency FREQ, MEASure MEAS, SOURce SOUR, OUTPut OUTP, "
    "SENSe SENS, CORRection CORR, RANGe RANG, STATus STAT, PROTection PROT, IMMediate IMM, "
    "AMPLitude AMPL, RESistance RES, FRESistance FRES, LEVel LEV, ERRor ERR, APERture APER, "
    "CAPacitance CAP, IMPedance IMP, VERSion VERS"
)
PAIRS = [tuple(pair.split()) for pair in FORMS.split(", ")]


@pytest.mark.parametrize(("long", "short"), PAIRS)
def test_the_short_form_is_that_of_the_standard(long: str, short: str) -> None:
    assert short_form(long) == short


@pytest.mark.parametrize(("long", "short"), PAIRS)
def test_only_the_exact_long_and_short_form_are_accepted(long: str, short: str) -> None:
    tree: HeaderTree[str] = HeaderTree()
    tree.add(long, "found")
    for case in (str.upper, str.lower, str.title):
        assert tree.find((case(long),)) == ("found", ())
        assert tree.find((case(short),)) == ("found", ())
    wrong = {long[:length] for length in range(1, len(long))} | {long + "X", short + "X"}
    for mnemonic in wrong - {short, short.lower(), long[: len(short)]}:
        with pytest.raises(ScpiError) as caught:
            tree.find((mnemonic,))
        assert caught.value.code == -113


def test_a_word_of_four_letters_has_one_form() -> None:
    assert short_form("OPEN") == "OPEN"
    assert short_form("AUTO") == "AUTO"
    assert short_form("DC") == "DC"


@pytest.mark.parametrize(
    "sent",
    [
        "VOLT",
        "SOUR:VOLT",
        "VOLT:LEV",
        "VOLT:IMM",
        "VOLT:AMPL",
        "VOLT:LEV:AMPL",
        "SOURCE:VOLTAGE:LEVEL:IMMEDIATE:AMPLITUDE",
        "sour:voltage:imm:amplitude",
        "VOLT1",
    ],
)
def test_optional_nodes_can_be_left_out_one_by_one(sent: str) -> None:
    tree: HeaderTree[str] = HeaderTree()
    tree.add("[SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]", "level")
    assert tree.find(tuple(sent.split(":"))) == ("level", ())


@pytest.mark.parametrize("sent", ["SOUR", "LEV", "VOLT:AMPL:LEV", "VOLT:VOLT", "SOUR:SOUR:VOLT"])
def test_what_is_not_optional_cannot_be_left_out_or_moved(sent: str) -> None:
    tree: HeaderTree[str] = HeaderTree()
    tree.add("[SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]", "level")
    with pytest.raises(ScpiError) as caught:
        tree.find(tuple(sent.split(":")))
    assert caught.value.code == -113


def test_a_numeric_suffix_is_passed_on_and_one_left_out_is_1() -> None:
    tree: HeaderTree[str] = HeaderTree()
    tree.add("[SOURce<1:3>]:VOLTage[:LEVel]", "level")
    tree.add("OUTPut<1:2>:RELay<1:8>", "relay")
    assert tree.find(("SOUR3", "VOLT")) == ("level", (3,))
    assert tree.find(("SOURce", "VOLTage", "LEVel")) == ("level", (1,))
    assert tree.find(("VOLT",)) == ("level", (1,))
    assert tree.find(("OUTP2", "REL")) == ("relay", (2, 1))
    assert tree.find(("OUTPut", "RELay8")) == ("relay", (1, 8))


@pytest.mark.parametrize("sent", ["SOUR4:VOLT", "SOUR0:VOLT", "VOLT2", "SOUR2:VOLT2"])
def test_a_suffix_out_of_range_is_minus_114(sent: str) -> None:
    tree: HeaderTree[str] = HeaderTree()
    tree.add("[SOURce<1:3>]:VOLTage", "level")
    with pytest.raises(ScpiError) as caught:
        tree.find(tuple(sent.split(":")))
    assert caught.value.code == -114


@pytest.mark.parametrize(
    "header",
    ["VOLtage", "VOLTAge", "voltage", "[SOURce", "SOURce]:VOLTage", "VOLT age", "", "[SOURce]"],
)
def test_a_header_that_breaks_the_notation_is_refused(header: str) -> None:
    with pytest.raises(ValueError, match=r"short form|cannot read|not optional"):
        keywords(header)


def test_two_headers_that_can_be_sent_in_the_same_words_are_refused() -> None:
    tree: HeaderTree[str] = HeaderTree()
    tree.add("[SOURce]:VOLTage", "one")
    with pytest.raises(ValueError, match="same words"):
        tree.add("VOLTage[:LEVel]", "two")
    with pytest.raises(ValueError, match="two words"):
        tree.add("VOLTmeter", "three")


@given(st.from_regex(r"[A-Za-z_][A-Za-z0-9_]{0,11}", fullmatch=True))
def test_every_mnemonic_is_found_or_is_an_error(mnemonic: str) -> None:
    tree: HeaderTree[str] = HeaderTree()
    tree.add("VOLTage<1:2>", "level")
    known = mnemonic.upper().rstrip("0123456789") in ("VOLT", "VOLTAGE")
    try:
        found = tree.find((mnemonic,))
    except ScpiError as error:
        outcome = error.code
    else:
        outcome = 0
        assert found[0] == "level"
    assert outcome in ((0, -114) if known else (-113,))
