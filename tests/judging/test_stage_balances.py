"""Check what two readings of one power stage say of each other, and what they rule out.

Currents are worked out by hand from resistors. Does not cover: rates over populations
(tests/studies), how well resistors of a real die track.
"""

from __future__ import annotations

import pytest
from attrs import evolve

from labbench.judging.stage import judge_stage
from labbench.judging.stage_quantities import GATE_BALANCE, GATE_CURRENT, stage_quantities
from labbench.parts.stage_type import StageType
from labbench.results import Judgement, Readings, StageReading

BARE = StageType(name="stage-25v-50a")
VOLTS, TEST_V = 5.0, 12.0


def stage(
    specimen: str = "P1", *, pull_ohm: float = 31e3, monitors: float = 1.0,
    high_gate_ohm: float = 1e12, low_leak_ohm: float = 1e12, vin_leak_ohm: float = 1e12,
    pwm_v: float = 1.55, tri_low_ohm: float | None = None, low_diode_v: float = 0.55,
    high_diode_v: float | None = 0.577, high_on: bool = True, low_on: bool = True,
) -> Readings:  # fmt: skip
    """Read a stage whose resistors all have `monitors` times their value, pull-downs as given."""
    upper, lower = 55e3 * monitors, 24.7e3 * monitors
    idle, active = VOLTS / (upper + lower), 2.0e-3
    low = active + VOLTS / upper + VOLTS / pull_ohm
    high = active + VOLTS / lower + 4.7 / pull_ohm + 4.7 / high_gate_ohm
    to_ground = TEST_V / (2.05e6 * monitors) + TEST_V / vin_leak_ohm

    def on(path: str, ohm: float, conducts: bool) -> StageReading:
        if conducts:
            return StageReading("on-resistance", path, ohm, "ohm", 1e-5)
        return StageReading("on-resistance", path, None, "ohm", status="over-range",
                            greater_than=50.0)  # fmt: skip

    def amps(step: str, path: str, value: float, state: dict[str, float | str]) -> StageReading:
        return StageReading(step, path, value, "A", 2e-3 * abs(value) + 1e-9, state)

    diode = (
        StageReading("body-diode", "vin-sw", high_diode_v, "V", 2e-4) if high_diode_v else
        StageReading("body-diode", "vin-sw", None, "V", status="over-range", greater_than=4.9)
    )  # fmt: skip
    tri = (
        StageReading("tri-state", "sw-pgnd", tri_low_ohm, "ohm", 1.0) if tri_low_ohm else
        StageReading("tri-state", "sw-pgnd", None, "ohm", status="over-range", greater_than=1e6)
    )  # fmt: skip
    return Readings(
        specimen, "stage-25v-50a", lot="board-3", temperature_c=25.0,
        stage=(
            diode, StageReading("body-diode", "sw-pgnd", low_diode_v, "V", 2e-4),
            amps("ls-leak", "sw-pgnd", TEST_V / (420e3 * monitors) + to_ground
                 + TEST_V / low_leak_ohm, {}),
            amps("vin-leak", "vin-pgnd", to_ground, {}),
            amps("driver-supply", "vdrv-pgnd", active + idle, {"drive": "open"}),
            amps("driver-supply", "vdrv-pgnd", low, {"drive": "low"}),
            amps("driver-supply", "vdrv-pgnd", high, {"drive": "high"}),
            StageReading("pwm-open", "pwm", pwm_v, "V", 1e-3),
            amps("pwm-current", "pwm", -VOLTS / upper, {"pwm": "low"}),
            amps("pwm-current", "pwm", VOLTS / lower, {"pwm": "high"}),
            on("sw-pgnd", 2.4e-3, low_on), on("vin-sw", 6.8e-3, high_on), tri,
            StageReading("tri-state", "vin-sw", None, "ohm", status="over-range",
                         greater_than=1e6),
        ),
    )  # fmt: skip


#: five sound ones: pull-downs and monitors spread by 6 and 8 %
OTHERS = [
    evolve(stage(f"S{k}", pull_ohm=31e3 * pull, monitors=monitor), role="sibling")
    for k, (pull, monitor) in enumerate(
        ((0.94, 1.08), (0.97, 0.93), (1.0, 1.0), (1.05, 1.04), (1.08, 0.91))
    )
]


def judged(**changes: float) -> Judgement:
    return judge_stage(stage(**changes), BARE, siblings=OTHERS)  # type: ignore[arg-type]


def found(judgement: Judgement) -> tuple[str, str | None]:
    finding = judgement.findings[0]
    return finding.fault, finding.path


def test_what_a_gate_takes_is_the_supply_current_less_that_of_the_pin() -> None:
    """By hand: 5 V and 4.7 V over 31 kohm are 161 and 152 uA; the pin's own divider drops out."""
    values = {(q.step, q.path): q.value for q in stage_quantities(stage())}
    assert values[GATE_CURRENT, "ls-gate"] == pytest.approx(VOLTS / 31e3, rel=1e-6)
    assert values[GATE_CURRENT, "hs-gate"] == pytest.approx(4.7 / 31e3, rel=1e-6)
    wide = {(q.step, q.path): q.value for q in stage_quantities(stage(monitors=1.2))}
    assert wide[GATE_CURRENT, "hs-gate"] == pytest.approx(4.7 / 31e3, rel=1e-6)
    assert values[GATE_BALANCE, "gates"] == pytest.approx(wide[GATE_BALANCE, "gates"])


def test_a_gate_leak_is_seen_against_the_other_gate_of_the_same_die() -> None:
    """80 kohm at one gate add a third there; the pull-downs themselves spread by 6 %."""
    judgement = judged(high_gate_ohm=80e3)
    assert judgement.disposition == "unfit"
    assert found(judgement) == ("leak", "hs-gate")


def test_pull_downs_that_are_both_large_are_no_leak() -> None:
    for pull in (27e3, 35e3):
        assert not judged(pull_ohm=pull).findings


def test_a_low_side_leak_is_seen_against_the_input_of_the_same_die() -> None:
    """0.9 Mohm add 13 of 34 uA at 12 V."""
    judgement = judged(low_leak_ohm=0.9e6)
    assert judgement.disposition == "unfit"
    assert found(judgement) == ("leak", "sw-pgnd")
    assert not judged(monitors=0.85).findings


def test_a_leak_of_the_input_is_not_taken_for_one_of_the_low_side() -> None:
    judgement = judged(vin_leak_ohm=0.5e6)
    assert judgement.disposition == "unfit"
    assert found(judgement) == ("leak", "vin-pgnd")


def test_an_open_output_is_told_though_the_boot_diode_conducts_beside_it() -> None:
    line = stage(high_diode_v=None, low_diode_v=0.81, high_on=False, low_on=False)
    assert found(judge_stage(line, BARE, siblings=OTHERS)) == ("lifted-bond", "sw")


def test_a_pin_that_leaks_is_not_taken_for_an_output_that_is_stuck() -> None:
    """With pwm open the low side conducts, because the pin lies low; both sides obey."""
    line = stage(pwm_v=0.4, tri_low_ohm=2.0)
    judgement = judge_stage(line, BARE, siblings=OTHERS)
    assert found(judgement) == ("leak", "pwm")
    assert "output-stuck-low" in judgement.findings[0].alternatives
    stuck = stage(tri_low_ohm=2.0)
    assert found(judge_stage(stuck, BARE, siblings=OTHERS))[0] == "output-stuck-low"
