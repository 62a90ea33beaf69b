"""The verdict line and the words around it: columns, dispositions, one number.

Does not cover whether a verdict is right (tests/judging).
"""

from __future__ import annotations

import pytest
from attrs import evolve
from hypothesis import example, given
from hypothesis import strategies as st
from rich.cells import cell_len

from labbench.parts.stage_steps import SEATING, STEPS
from labbench.reports.characteristic_names import characteristic_words, spoken_name
from labbench.reports.words import (
    fault_words,
    limits_text,
    next_action,
    reason,
    short_text,
    value_text,
    verdict_line,
    why_lines,
)
from labbench.results import Characteristic, Finding, Judgement, WouldDecide
from tests.records.samples import judgement_samples

INDUCTANCE = Characteristic(
    "inductance", {"frequency_hz": 1e5}, 470e-9, "H", 3e-9, 0.95, 376e-9, 564e-9, "conforms", 1.0
)
RESISTANCE = Characteristic(
    "dc-resistance", {"temperature_c": 25.0}, 1.5e-3, "ohm", 2e-5, 0.95, 1.35e-3, 1.65e-3,
    "conforms", 1.0,
)  # fmt: skip
FIT = Judgement("D7", "coil-470n", "fit", (), (INDUCTANCE, RESISTANCE), ())
SHORTED = Finding(
    "shorted-turn", None, "sure", 1.0, ("fused-winding",),
    "inductance falls from 470 nH at 1 kHz to 41 nH at 100 kHz",
)  # fmt: skip


def unfit(finding: Finding, **changes: object) -> Judgement:
    low = evolve(INDUCTANCE, **{"value": 41e-9, "verdict": "fails", **changes})  # type: ignore[arg-type]
    return evolve(FIT, disposition="unfit", findings=(finding,), characteristics=(low, RESISTANCE))


@given(judgement=judgement_samples())
@example(judgement=evolve(FIT, specimen="D" * 300))
@example(judgement=evolve(FIT, specimen="部品" * 40))
@example(judgement=evolve(FIT, specimen="D3\nFIT  everything is fine\x1b[2J"))
@example(judgement=evolve(FIT, disposition="undecided",
                          would_decide=(WouldDecide("x" * 200, "y" * 200),)))  # fmt: skip
@example(judgement=unfit(evolve(SHORTED, because="very " * 60), verdict="conforms"))
@example(judgement=evolve(FIT, disposition="plausible", remarks=("long " * 60,)))
def test_any_verdict_is_one_line_of_at_most_80_columns(judgement: Judgement) -> None:
    line = verdict_line(judgement)
    assert cell_len(line) <= 80
    assert line.isprintable()
    assert judgement.disposition.upper() in line


@given(judgement=judgement_samples(), width=st.integers(70, 200))
def test_any_width_is_kept_and_the_action_stands_at_its_end(
    judgement: Judgement, width: int
) -> None:
    line = verdict_line(judgement, width=width)
    assert cell_len(line) <= width
    action = next_action(judgement)
    if len(action) <= 20 and action.isascii():
        assert line.endswith(action)


@given(judgement=judgement_samples())
def test_every_judgement_has_a_reason_and_statistics_in_printable_lines(
    judgement: Judgement,
) -> None:
    assert reason(judgement)
    for line in why_lines(judgement):
        assert line
        assert "\n" not in line


def test_a_fit_part_is_told_with_its_numbers_and_what_to_do() -> None:
    assert verdict_line(FIT) == (
        "D7   FIT        470 nH, 1.5 mΩ, no sign of a fault".ljust(66) + "  solder it in"
    )


def test_a_shorted_turn_is_told_with_one_number_against_its_limits() -> None:
    line = verdict_line(unfit(SHORTED))
    assert "shorted turn: 41 nH at 100 kHz, should be 376-564" in line
    assert line.endswith("  bin it")


def test_a_finding_whose_numbers_conform_is_told_by_its_own_reason() -> None:
    line = verdict_line(unfit(SHORTED, value=470e-9, verdict="conforms"))
    assert "shorted turn: " in line
    assert "470 nH at 1 kHz but 41 nH at 100 kHz" in line


def test_a_joint_is_told_by_its_resistance() -> None:
    joint = Finding("high-resistance-joint", None, "sure", 1.0, (), "dc resistance 2.2 mohm")
    high = evolve(RESISTANCE, value=2.2e-3, verdict="fails")
    judgement = evolve(FIT, disposition="unfit", findings=(joint,),
                       characteristics=(INDUCTANCE, high))  # fmt: skip
    assert "high resistance joint: 2.2 mΩ, should be 1.35-1.65" in verdict_line(judgement)


def test_an_open_winding_keeps_its_number_in_the_line() -> None:
    opened = Finding(
        "open-winding", None, "suspect", 0.9, (), "the winding resists more than 289 MΩ"
    )
    nothing = evolve(INDUCTANCE, value=None, verdict="not-measured", status="over-range")
    judgement = evolve(
        FIT, specimen="D12-left", disposition="undecided", findings=(opened,),
        characteristics=(nothing,), would_decide=(WouldDecide("press-again", "press it again"),),
    )  # fmt: skip
    line = verdict_line(judgement)
    assert "289 MΩ" in line
    assert "…" not in line


def test_a_characteristic_that_fails_without_a_finding_is_the_reason() -> None:
    judgement = evolve(unfit(SHORTED), findings=())
    assert "inductance 41 nH at 100 kHz, should be 376-564" in verdict_line(judgement)


@pytest.mark.parametrize(
    ("action", "words"),
    [("use-multimeter", "use multimeter"), ("wait", "wait, press again"),
     ("more-siblings", "measure siblings"), ("something-new", "something new")],
)  # fmt: skip
def test_an_undecided_part_is_told_with_what_would_decide_it(action: str, words: str) -> None:
    judgement = evolve(
        FIT, disposition="undecided",
        characteristics=(INDUCTANCE, evolve(RESISTANCE, value=1.64e-3, verdict="undecided")),
        would_decide=(WouldDecide(action, "more work"),),
    )  # fmt: skip
    line = verdict_line(judgement)
    assert line.endswith(f"  {words}")
    assert "dc resistance 1.64 mΩ, too close to the limit" in line


def test_a_step_not_done_is_the_reason_for_undecided() -> None:
    missing = evolve(RESISTANCE, value=None, verdict="not-measured", status="not-measured")
    judgement = evolve(FIT, disposition="undecided", characteristics=(INDUCTANCE, missing))
    assert "dc resistance not measured" in verdict_line(judgement)
    assert next_action(judgement) == "measure again"


def test_readings_that_cannot_be_right_are_the_reason_and_not_what_was_left_out_for_them() -> None:
    missing = evolve(INDUCTANCE, value=None, verdict="not-measured", status="not-measured")
    judgement = evolve(
        FIT, disposition="undecided", characteristics=(missing, RESISTANCE),
        would_decide=(WouldDecide("repeat", "check the columns of the sweep, then judge again"),),
        remarks=("resistance and reactance seem to be swapped",),
    )  # fmt: skip
    line = verdict_line(judgement)
    assert "resistance and reactance seem to be swapped" in line
    assert "not measured" not in line
    assert line.endswith("measure again")


def test_a_part_of_the_other_polarity_is_told_as_that_and_not_as_a_step_not_done() -> None:
    missing = evolve(INDUCTANCE, name="drain-leakage", value=None, verdict="not-measured")
    judgement = evolve(
        FIT, disposition="undecided", characteristics=(missing,),
        remarks=("the diode lies the other way round: it is an n-channel part, or drain and source "
                 "are swapped",),
        would_decide=(WouldDecide("seat-again", "look at it"),),
    )  # fmt: skip
    line = verdict_line(judgement)
    assert "the diode lies the other way round  " in line
    assert line.endswith("seat again")


def test_a_remark_does_not_hide_a_step_that_was_not_done() -> None:
    missing = evolve(INDUCTANCE, value=None, verdict="not-measured", status="not-measured")
    judgement = evolve(
        FIT, disposition="undecided", characteristics=(missing, RESISTANCE),
        would_decide=(WouldDecide("measure-impedance", "take the impedance sweep"),),
        remarks=("saturation was not checked",),
    )  # fmt: skip
    assert "inductance not measured" in verdict_line(judgement)


def test_what_no_sweep_can_tell_apart_is_said_together_where_there_is_room() -> None:
    finding = evolve(
        SHORTED, alternatives=("lossy-core",), because="loss tangent 0.21 at 1 MHz, typical 0.045"
    )
    judgement = evolve(FIT, disposition="unfit", findings=(finding,))
    assert reason(judgement) == (
        "shorted turn or lossy core: loss tangent 0.21 at 1 MHz, typical 0.045"
    )
    assert "shorted turn or lossy core: loss tangent 0.21" in verdict_line(judgement)
    assert verdict_line(judgement, width=60).count("lossy core") == 0
    assert "shorted turn: " in reason(evolve(judgement, findings=(SHORTED,)))


def test_a_plausible_part_says_what_was_not_checked() -> None:
    judgement = evolve(FIT, disposition="plausible", remarks=("joint not checked below 2 mΩ",))
    line = verdict_line(judgement)
    assert "joint not checked below 2 mΩ" in line
    assert line.endswith("label it so")


def test_limits_are_told_in_one_unit() -> None:
    assert limits_text(INDUCTANCE) == "376-564 nH"
    assert limits_text(evolve(INDUCTANCE, lower=None)) == "below 564 nH"
    assert limits_text(evolve(INDUCTANCE, upper=None)) == "above 376 nH"
    assert limits_text(evolve(INDUCTANCE, lower=None, upper=None)) == ""
    assert limits_text(evolve(INDUCTANCE, lower=float("-inf"), upper=float("inf"))) == ""
    assert limits_text(evolve(INDUCTANCE, lower=0.9e-6, upper=1.1e-6)) == "0.9-1.1 µH"


def test_a_value_that_is_none_says_why() -> None:
    assert value_text(evolve(INDUCTANCE, value=None, status="over-range")) == "over range"
    assert value_text(evolve(INDUCTANCE, value=None, status="not-measured")) == "not measured"
    assert value_text(evolve(INDUCTANCE, value=None)) == "not measured"
    assert value_text(evolve(INDUCTANCE, value=float("inf"))) == "over range"


def test_what_is_known_of_a_short_is_a_number_with_its_interval_or_a_band() -> None:
    def with_(value: object) -> Finding:
        return evolve(SHORTED, details={"short_resistance_ohm": value})

    assert short_text(SHORTED) == ""
    assert "about 5 mΩ (4 mΩ to 7 mΩ)" in short_text(
        with_({"value": 5e-3, "lower": 4e-3, "upper": 7e-3})
    )
    band = short_text(with_({"value": None, "lower": 4e-3, "upper": 7e-3}))
    assert "between 4 mΩ and 7 mΩ" in band


def test_why_tells_numbers_alternatives_and_actions() -> None:
    judgement = evolve(
        unfit(SHORTED), remarks=("saturation was not checked",),
        would_decide=(WouldDecide("repeat", "measure it again"),),
    )  # fmt: skip
    text = "\n".join(why_lines(judgement))
    for part in ("limits 376-564 nH", "P(conforms) = 1.0000", "± 3 nH (95 %)",
                 "sure: shorted turn (or fused winding)", "would decide: measure it again",
                 "note: saturation was not checked"):  # fmt: skip
        assert part in text
    assert fault_words("high-resistance-joint") == "high resistance joint"


def test_a_saturation_current_is_told_with_what_it_means() -> None:
    saturation = Characteristic(
        "saturation", {"drop": 0.3}, 5.62, "A", 0.05, 0.95, 7.2, None, "fails", 0.0
    )
    assert value_text(saturation) == "falls 30 % at 5.62 A"
    finding = Finding("not-as-marked", None, "sure", 1.0, (), "saturates at 5.6 A", {})
    judgement = Judgement("K4", "coil-4u7", "unfit", (finding,), (saturation,), ())
    assert verdict_line(judgement) == (
        "K4   UNFIT      not as marked: falls 30 % at 5.62 A, should be above 7.2  bin it"
    )


def test_a_line_that_is_too_long_leaves_the_lesser_values_out() -> None:
    values = [
        Characteristic(
            name, conditions, value, unit, 0.01 * value, 0.95, low, None, "conforms", 1.0
        )
        for name, conditions, value, unit, low in (
            ("inductance", {"frequency_hz": 1e5}, 4.58e-6, "H", 4e-6),
            ("dc-resistance", {}, 15.8e-3, "ohm", 14e-3),
            ("saturation", {"drop": 0.3}, 9.52, "A", 7.2),
            ("insulation", {}, 250e6, "ohm", 1e7),
        )
    ]
    judgement = Judgement("K1", "coil-4u7", "fit", (), tuple(values), ())
    full = "4.58 µH, 15.8 mΩ, saturates at 9.52 A, insulation 250 MΩ, no sign of a fault"
    assert reason(judgement) == full
    assert verdict_line(judgement) == (
        "K1   FIT        4.58 µH, 15.8 mΩ, saturates at 9.52 A               solder it in"
    )
    plain = evolve(judgement, characteristics=tuple(values[:2]))
    assert "4.58 µH, 15.8 mΩ, no sign of a fault" in verdict_line(plain)


SWITCH = [
    Characteristic("drain-leakage", {"drain_source_v": 24.0}, 14.9e-9, "A", 4e-9, 0.95, None, 1e-6,
                   "conforms", 1.0),
    Characteristic("gate-leakage", {"gate_source_v": 10.0}, 68e-12, "A", 57e-12, 0.95, None, 1e-7,
                   "conforms", 1.0),
    Characteristic("gate-leakage", {"gate_source_v": -10.0}, 69e-12, "A", 57e-12, 0.95, None, 1e-7,
                   "conforms", 1.0),
    Characteristic("threshold", {"current_a": 250e-6}, 1.6, "V", 0.02, 0.95, 1.2, 2.2,
                   "conforms", 1.0),
    Characteristic("on-resistance", {"gate_source_v": 4.5}, 4.97e-3, "ohm", 9e-5, 0.95, None, 7e-3,
                   "conforms", 1.0),
    Characteristic("on-resistance", {"gate_source_v": 10.0}, 3.77e-3, "ohm", 7e-5, 0.95, None,
                   5e-3, "conforms", 1.0),
]  # fmt: skip


def test_a_sound_switch_is_told_with_what_it_is_known_by() -> None:
    judgement = Judgement("Q1", "nfet-30v-5m", "fit", (), tuple(SWITCH), ())
    assert verdict_line(judgement) == (
        "Q1   FIT        3.77 mΩ on, threshold 1.6 V, leaks 14.9 nA          solder it in"
    )


def test_characteristics_of_one_name_are_told_apart_by_their_conditions() -> None:
    judgement = Judgement("Q1", "nfet-30v-5m", "fit", (), tuple(SWITCH), ())
    names = [line.partition(":")[0] for line in why_lines(judgement)]
    assert names == [
        "drain leakage at 24 V", "gate leakage at 10 V on the gate",
        "gate leakage at -10 V on the gate", "threshold at 250 µA",
        "on resistance at 4.5 V on the gate", "on resistance at 10 V on the gate",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("fault", "because", "told"),
    [
        ("leak", "10 MΩ across it: the leakage grows 7.96 times from 2.97 V to 23.8 V, not 3.8",
         "leak: 10 MΩ across it"),
        ("weak-gate", "280 nA at 7.24 V on the gate, growing as the voltage to the power 4.0",
         "weak gate: 280 nA at 7.24 V on the gate"),
        ("high-on-resistance", "on-resistance 6.09 mΩ, should be below 5 mΩ",
         "high on resistance: 6.09 mΩ, should be below 5 mΩ"),
        ("turned-in-jig", "it may lie turned by half a turn: that fits its resistances at 0.2 V "
         "better, or as well", "turned in jig: it may lie turned by half a turn"),
        ("leak", "hs leak vin-sw 6.88 µA at 12 V and this is too long for the line",
         "leak: hs leak vin-sw 6.88 µA at 12 V and this is too lo…"),
    ],
)  # fmt: skip
def test_a_long_reason_keeps_its_first_clause_whole(fault: str, because: str, told: str) -> None:
    finding = Finding(fault, "drain-source", "sure", 1.0, (), because)
    line = verdict_line(Judgement("Q3", "nfet-30v-5m", "unfit", (finding,), tuple(SWITCH), ()))
    assert f"UNFIT      {told}  " in line


@pytest.mark.parametrize(
    ("name", "conditions", "told"),
    [
        ("short-vin-sw", {}, "resistance vin-sw"),
        ("hs-leak-vin-sw", {"voltage_v": 12.0}, "leakage of the high side at 12 V"),
        ("driver-supply-vdrv-pgnd-open", {"voltage_v": 5.0},
         "current of the driver, pwm open at 5 V"),
        ("undervoltage-vdrv-pgnd-rising", {}, "undervoltage threshold, rising"),
        ("pwm-open-pwm", {"driver_v": 5.0}, "voltage of the open pwm"),
        ("on-resistance-sw-pgnd", {"current_a": 3.0}, "on resistance sw-pgnd at 3 A"),
        ("on-resistance", {"gate_source_v": 10.0}, "on resistance at 10 V on the gate"),
        ("dc-resistance", {"temperature_c": 25.0}, "dc resistance"),
    ],
)  # fmt: skip
def test_what_is_read_on_a_stage_is_told_in_words_and_with_its_pins(
    name: str, conditions: dict[str, float], told: str
) -> None:
    assert characteristic_words(evolve(INDUCTANCE, name=name, conditions=conditions)) == told


def test_every_step_of_a_stage_that_has_limits_has_words() -> None:
    for step in STEPS.values():
        name = f"{step.name}-{step.paths[0]}"
        words = spoken_name(name)
        assert (words == name.replace("-", " ")) is (step is SEATING)


def test_why_says_where_a_fault_sits() -> None:
    finding = Finding("leak", "drain-source", "sure", 1.0, (), "10 MΩ across it")
    judgement = Judgement("Q3", "nfet-30v-5m", "unfit", (finding,), (), ())
    assert list(why_lines(judgement)) == ["sure: leak, drain-source: 10 MΩ across it; P = 1.0000"]
