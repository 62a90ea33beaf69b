"""Check how inductor markings decode, what is assumed, and what else they may mean.

Does not cover: whether a given maker follows the practice; a decode is always said to be assumed.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labbench.errors import InputError
from labbench.parts.markings import coil_type_from_marking, decode_inductor_marking

# common trade practice, no standard: five public pages agree on 100, 101, 4R7, R47 and 332F, one
# has N for nH; R15, 1R0 and 220 follow by rule (references 3.4)
PRACTICE = {
    "100": 10e-6,
    "101": 100e-6,
    "102": 1e-3,
    "220": 22e-6,
    "470": 47e-6,
    "332": 3.3e-3,
    "R15": 0.15e-6,
    "R47": 0.47e-6,
    "1R0": 1e-6,
    "4R7": 4.7e-6,
    "10N": 10e-9,
    "4N7": 4.7e-9,
    "332F": 3.3e-3,
    "1001": 1000e-6,
}

# percent; F to N as a public table of inductor codes gives them, L and V in the same table as
# trade practice (references 3.2)
TOLERANCES = {"F": 1, "G": 2, "H": 3, "J": 5, "K": 10, "L": 15, "M": 20, "V": 25, "N": 30}

# IEC 60063 (references 3.3)
E24 = (10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82,
       91)  # fmt: skip


@pytest.mark.parametrize(("text", "henry"), PRACTICE.items())
def test_a_marking_decodes_as_the_trade_reads_it(text: str, henry: float) -> None:
    marking = decode_inductor_marking(text)
    assert marking.inductance_h == pytest.approx(henry, rel=1e-12)
    assert any("common trade practice" in said for said in marking.assumed)


@pytest.mark.parametrize(("letter", "percent"), TOLERANCES.items())
def test_a_trailing_letter_is_the_tolerance(letter: str, percent: int) -> None:
    for text in (f"332{letter}", f"4R7{letter}"):
        marking = decode_inductor_marking(text)
        assert marking.tolerance == pytest.approx(percent / 100)
        assert any(f"tolerance of {percent} %" in said for said in marking.assumed)


def test_without_a_letter_no_tolerance_is_made_up() -> None:
    assert decode_inductor_marking("4R7").tolerance is None


@pytest.mark.parametrize(
    ("text", "henry"),
    [
        ("r47", 0.47e-6),
        (" 4r7m ", 4.7e-6),
        ("1 R 0", 1e-6),
        ("2u2", 2.2e-6),
        ("2\u00b52", 2.2e-6),
        ("\u03bc47", 0.47e-6),
        ("10n", 10e-9),
        ("4.7 µH", 4.7e-6),
        ("470nH", 470e-9),
    ],
)
def test_case_and_spaces_do_not_matter(text: str, henry: float) -> None:
    assert decode_inductor_marking(text).inductance_h == pytest.approx(henry, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "others"),
    [
        ("100", {100e-6, 10e-9}),
        ("470", {470e-6, 47e-9}),
        # 101, 332 and 1001 are no preferred numbers: nobody would print them as plain values
        ("101", {100e-9}),
        ("332", {3.3e-6}),
        ("1001", set()),
        ("R47", set()),
        # N is also the letter of 30 %
        ("100N", {10e-6}),
        ("470N", {47e-6}),
    ],
)
def test_other_meanings_are_told(text: str, others: set[float]) -> None:
    alternatives = decode_inductor_marking(text).alternatives
    assert sorted(each.inductance_h for each in alternatives) == pytest.approx(sorted(others))
    assert all(each.rule for each in alternatives)


def test_n_is_the_tolerance_where_the_plain_number_is_no_preferred_one() -> None:
    marking = decode_inductor_marking("101N")
    assert marking.inductance_h == pytest.approx(100e-6)
    assert marking.tolerance == pytest.approx(0.3)
    assert marking.alternatives[0].inductance_h == pytest.approx(101e-9)


def test_a_number_that_is_not_preferred_is_doubtful() -> None:
    assert any("IEC 60063" in said for said in decode_inductor_marking("370").assumed)
    assert not any("IEC 60063" in said for said in decode_inductor_marking("330").assumed)


@pytest.mark.parametrize("text", ["4N7B", "4N7C", "4N7D"])
def test_a_small_coil_may_have_its_tolerance_in_nanohenry(text: str) -> None:
    marking = decode_inductor_marking(text)
    nanohenry = {"B": 0.1, "C": 0.25, "D": 0.5}[text[-1]]
    assert marking.tolerance == pytest.approx(nanohenry / 4.7)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("", "empty"),
        ("   ", "empty"),
        ("abc", "no figure"),
        ("R", "no figure"),
        ("47", "neither nH nor µH"),
        ("4K7", "resistor"),
        ("4M7", "resistor"),
        ("000", "begins with 0"),
        ("047", "begins with 0"),
        ("0R0", "0 H"),
        ("107", "no such coil"),
        ("999", "no such coil"),
        ("12345", "date or lot code"),
        ("R47 2519", "date or lot code"),
        ("4R7S", "no tolerance"),
        ("332A", "no tolerance"),
        ("4N7A7", "no inductor marking"),
        ("RR47", "no inductor marking"),
        ("R4.7", "letters and digits only"),
        ("\uff15\uff10\uff10", "letters and digits only"),
        ("R47" * 10, "letters and digits only"),
        ("4,7 µH", "decimal comma"),
        ("0 µH", "no inductance"),
    ],
)
def test_nonsense_is_refused_with_the_reason(text: str, reason: str) -> None:
    with pytest.raises(InputError) as refused:
        decode_inductor_marking(text)
    assert reason in refused.value.message


@pytest.mark.parametrize(("text", "meant"), [("1RO", "0"), ("O47", "047"), ("1OO", "100")])
def test_a_letter_o_for_a_nought_is_pointed_out(text: str, meant: str) -> None:
    with pytest.raises(InputError) as refused:
        decode_inductor_marking(text)
    assert refused.value.hint is not None
    assert meant in refused.value.hint


@given(st.text(max_size=15))
def test_any_text_decodes_to_a_coil_that_exists_or_is_refused(text: str) -> None:
    try:
        marking = decode_inductor_marking(text)
    except InputError:
        return
    assert 0 < marking.inductance_h <= 10
    assert marking.tolerance is None or 0 < marking.tolerance < 1


@given(st.sampled_from(E24), st.integers(0, 5))
def test_every_preferred_value_decodes_to_itself(figures: int, power: int) -> None:
    marking = decode_inductor_marking(f"{figures}{power}")
    assert marking.inductance_h == pytest.approx(figures * 10.0**power * 1e-6, rel=1e-12)
    assert len(marking.assumed) == 1


def test_a_marking_alone_makes_a_part_type_that_says_what_it_assumed() -> None:
    coil = coil_type_from_marking(decode_inductor_marking("r47"))
    assert coil.name == "R47"
    (limit,) = coil.inductance
    assert (limit.nominal_h, limit.lower_h, limit.upper_h) == (470e-9, 376e-9, 564e-9)
    assert limit.frequency_hz == 100e3
    assert coil.dc_resistance == ()
    assert coil.material is None
    assert coil.turns is None
    assert any(said.startswith("tolerance 20 %") for said in coil.assumed)
    assert any("100 kHz" in said for said in coil.assumed)


def test_a_marked_tolerance_is_used_and_not_assumed() -> None:
    coil = coil_type_from_marking(decode_inductor_marking("332F"))
    assert coil.inductance[0].lower_h == pytest.approx(0.99 * 3.3e-3)
    assert not any(said.startswith("tolerance 20 %") for said in coil.assumed)
