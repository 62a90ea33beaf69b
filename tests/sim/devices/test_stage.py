"""Power stages: logic with hysteresis, currents, resistances, and every fault by its reading.

Does not cover real parts (every value is invented), switching, nor the reports of current and
temperature that such parts have on further pins.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from sim.circuit import GROUND, CurrentSource, Element, Series, Shunt
from sim.physics.devices.files import device_construction
from sim.physics.devices.stage import Stage
from sim.physics.devices.stage_construction import StageConstruction
from sim.physics.devices.stage_faults import (
    BootstrapLeak,
    BootstrapOpen,
    LiftedBond,
    StageFault,
    StageHighOnResistance,
    StageLeak,
    StageShort,
    StuckOutput,
    UndervoltageShift,
)
from sim.physics.devices.stage_logic import Logic, drives
from sim.physics.devices.stage_truth import (
    LogicUnsettledError,
    high_side_leakage_a,
    on_resistance_ohm,
    settle,
    supply_current_a,
)


def stage(fault: StageFault | None = None) -> Stage:
    built = device_construction("halfbridge-25v-50a")
    assert isinstance(built, StageConstruction)
    return Stage("u", built, fault=fault)


SOUND = stage().truth()


def seen(part: Stage, **volts: float) -> Stage:
    """Show terminals to the logic; those not named stand at zero."""
    part.advance({pin: volts.get(pin.lower(), 0.0) for pin in part.terminals})
    return part


def test_the_typical_stage_reads_what_such_stages_read() -> None:
    assert SOUND["disposition"] == "fit"
    assert 2.0e-3 < SOUND["low_side_ohm"] < 3.0e-3
    assert 6.0e-3 < SOUND["high_side_ohm"] < 8.0e-3
    assert 4e-9 < SOUND["high_side_leakage_a"] < 30e-9
    assert SOUND["pwm_open_v"] == pytest.approx(1.55, abs=0.02)
    assert 70e-6 < SOUND["standby_a"] < 110e-6
    assert 1.9e-3 < SOUND["active_a"] < 2.3e-3
    assert 0.5 < SOUND["low_side_diode_v"] < SOUND["high_side_diode_v"] < 0.62


def test_the_low_side_current_is_mostly_the_monitors() -> None:
    by_hand = 12.0 / SOUND["output_monitor_ohm"] + 12.0 / SOUND["input_monitor_ohm"]
    assert SOUND["low_side_current_a"] == pytest.approx(by_hand, rel=0.02)


def test_the_undervoltage_lockout_has_hysteresis() -> None:
    part = stage()
    answers = [
        seen(part, vdrv=volts).state.powered for volts in (3.7, 3.85, 3.9, 3.7, 3.55, 3.5, 3.7)
    ]
    assert answers == [False, False, True, True, True, False, False]


def test_enable_and_pwm_have_hysteresis_and_a_middle() -> None:
    part = seen(stage(), vdrv=5.0, boot=5.0)
    assert not part.state.enabled
    assert seen(part, vdrv=5.0, boot=5.0, en=1.2).state.enabled is False
    assert seen(part, vdrv=5.0, boot=5.0, en=1.5).state.enabled is True
    assert seen(part, vdrv=5.0, boot=5.0, en=1.2).state.enabled is True
    pwm: list[tuple[bool, bool]] = []
    for volts in (0.0, 0.9, 1.55, 2.5, 2.7, 2.4, 1.55, 0.8, 0.7):
        pwm.append(seen(part, vdrv=5.0, boot=5.0, en=1.5, pwm=volts).switches_on)
    low, off, high = (False, True), (False, False), (True, False)
    assert pwm == [low, low, off, off, high, high, off, off, low]


def test_the_high_side_waits_for_its_bootstrap() -> None:
    part = seen(stage(), vdrv=5.0, en=5.0, pwm=5.0, boot=2.7)
    assert part.switches_on == (False, False)
    assert seen(part, vdrv=5.0, en=5.0, pwm=5.0, boot=2.9).switches_on == (True, False)
    assert seen(part, vdrv=5.0, en=5.0, pwm=5.0, boot=2.6).switches_on == (True, False)
    assert seen(part, vdrv=5.0, en=5.0, pwm=5.0, boot=2.5).switches_on == (False, False)
    # Against SW, wherever that is.
    assert seen(part, vdrv=5.0, en=5.0, pwm=5.0, sw=12.0, boot=16.0).switches_on == (True, False)


def test_without_supply_nothing_is_remembered() -> None:
    part = seen(stage(), vdrv=5.0, en=5.0, pwm=5.0, boot=5.0)
    assert part.state.active
    assert seen(part).state == Logic()


@pytest.mark.parametrize(
    ("stuck", "expected"),
    [("high", (True, False)), ("low", (False, True)), ("off", (False, False))],
)
@pytest.mark.parametrize("pwm_high", [True, False])
def test_a_stuck_output_ignores_pwm_but_not_enable(
    stuck: Any, expected: tuple[bool, bool], pwm_high: bool
) -> None:
    active = Logic(True, True, pwm_high, not pwm_high, True)
    assert drives(active, stuck) == expected
    assert drives(replace(active, enabled=False), stuck) == (False, False)


def test_both_switches_are_never_on_together() -> None:
    for high in (False, True):
        for boot in (False, True):
            for stuck in (None, "high", "low", "off"):
                logic = Logic(True, True, high, not high, boot)
                assert drives(logic, stuck) != (True, True)


# The nineteen faults and the reading that tells each: values by hand where there is a formula.
def test_a_molten_switch_is_its_resistance_and_the_bonds() -> None:
    high = stage(StageShort("vin-sw", 0.05))
    assert 12e-3 / high_side_leakage_a(high, 12e-3) == pytest.approx(0.0507, rel=0.01)
    low = stage(StageShort("sw-pgnd", 0.05)).truth()
    assert 12.0 / low["low_side_current_a"] == pytest.approx(0.0507, rel=0.01)


@pytest.mark.parametrize("ohm", [1e4, 1e7])
def test_a_leaking_high_side_adds_its_ohms_law_current(ohm: float) -> None:
    leaking = stage(StageLeak("vin-sw", ohm)).truth()
    more = leaking["high_side_leakage_a"] - SOUND["high_side_leakage_a"]
    assert more == pytest.approx(12.0 / ohm, rel=1e-3)
    assert leaking["low_side_current_a"] == pytest.approx(SOUND["low_side_current_a"], rel=1e-6)


@pytest.mark.parametrize("path", ["sw-pgnd", "vin-pgnd"])
def test_a_leak_to_ground_shows_beside_the_monitors(path: str) -> None:
    leaking = stage(StageLeak(path, 1e6)).truth()
    more = leaking["low_side_current_a"] - SOUND["low_side_current_a"]
    assert more == pytest.approx(12e-6, rel=1e-3)
    assert leaking["high_side_leakage_a"] == pytest.approx(SOUND["high_side_leakage_a"], rel=1e-6)


def test_a_leaking_driver_supply_draws_more_in_standby() -> None:
    leaking = stage(StageLeak("vdrv-pgnd", 20e3)).truth()
    assert leaking["standby_a"] - SOUND["standby_a"] == pytest.approx(250e-6, rel=1e-3)


def test_stuck_outputs_show_in_the_on_resistances() -> None:
    high, low, off = (stage(StuckOutput(drive)).truth() for drive in ("high", "low", "off"))
    assert math.isinf(high["low_side_ohm"])
    assert high["high_side_ohm"] == pytest.approx(SOUND["high_side_ohm"], rel=1e-6)
    assert math.isinf(low["high_side_ohm"])
    assert low["low_side_ohm"] == pytest.approx(SOUND["low_side_ohm"], rel=1e-6)
    assert math.isinf(off["high_side_ohm"])
    assert math.isinf(off["low_side_ohm"])
    # It is the driver: with PWM open too.
    part = stage(StuckOutput("high"))
    node = {pin: pin.lower() for pin in part.terminals} | {"PGND": GROUND, "SW": GROUND}
    supply = Series("s", "vdrv", GROUND, 22.0, volts=5.0)
    settle(part, node | {"EN": "vdrv", "VIN": GROUND}, [supply])
    assert part.switches_on == (True, False)


def test_a_raised_bond_at_the_input_shows_on_the_high_side_only() -> None:
    raised = stage(LiftedBond("vin", 1e-3)).truth()
    assert raised["high_side_ohm"] - SOUND["high_side_ohm"] == pytest.approx(1e-3, rel=1e-3)
    assert raised["low_side_ohm"] == pytest.approx(SOUND["low_side_ohm"], rel=1e-6)


@pytest.mark.parametrize(
    ("pin", "open_sides"), [("vin", {"high"}), ("sw", {"high", "low"}), ("pgnd", {"low"})]
)
def test_an_open_bond_opens_the_switches_behind_it(pin: str, open_sides: set[str]) -> None:
    truth = stage(LiftedBond(pin, 1e9)).truth()
    found = {side for side in ("high", "low") if math.isinf(truth[f"{side}_side_ohm"])}
    assert found == open_sides
    for side in open_sides - {"low"}:
        assert truth[f"{side}_side_diode_v"] > 0.8
    if "low" in open_sides:  # the bootstrap diode and the driver's own are beside it
        assert truth["low_side_diode_v"] > SOUND["low_side_diode_v"] + 0.05


def test_an_open_bootstrap_leaves_the_high_side_off_and_the_standby_low() -> None:
    truth = stage(BootstrapOpen()).truth()
    assert math.isinf(truth["high_side_ohm"])
    assert truth["low_side_ohm"] == pytest.approx(SOUND["low_side_ohm"], rel=1e-4)
    assert truth["standby_a"] < SOUND["standby_a"] - 40e-6


def test_a_leaking_bootstrap_draws_through_its_diode() -> None:
    truth = stage(BootstrapLeak(10e3)).truth()
    assert truth["standby_a"] - SOUND["standby_a"] == pytest.approx(450e-6, abs=30e-6)


def test_a_leaking_logic_input_pulls_its_middle_state_down() -> None:
    truth = stage(StageLeak("pwm", 5e3)).truth()
    # 17 kohm behind 1.55 V; the low side then turns on, which draws nothing at rest.
    assert truth["pwm_open_v"] == pytest.approx(1.55 * 5 / (17.05 + 5), abs=0.01)
    part, node = stage(StageLeak("en", 5e3)), dict.fromkeys(stage().terminals, GROUND)
    solution = settle(part, node | {"EN": "en"}, [Series("s", "en", GROUND, 1e3, volts=0.2)])
    assert -0.2 / solution.current_a("s").real - 1e3 == pytest.approx(5e3 * 210 / 215, rel=1e-3)


def test_a_shifted_undervoltage_lockout_moves_both_thresholds() -> None:
    truth = stage(UndervoltageShift(0.6)).truth()
    for key in ("undervoltage_v", "undervoltage_falling_v"):
        assert truth[key] - SOUND[key] == pytest.approx(0.6, rel=1e-9)
    assert seen(stage(UndervoltageShift(0.6)), vdrv=4.2).state.powered is False


@pytest.mark.parametrize(("path", "side"), [("vin-sw", "high"), ("sw-pgnd", "low")])
def test_a_worn_switch_has_more_resistance(path: str, side: str) -> None:
    truth = stage(StageHighOnResistance(path, 1.5)).truth()
    other = "low" if side == "high" else "high"
    assert 1.3 < truth[f"{side}_side_ohm"] / SOUND[f"{side}_side_ohm"] < 1.5
    assert truth[f"{other}_side_ohm"] == pytest.approx(SOUND[f"{other}_side_ohm"], rel=1e-6)


# The gate's voltage over the leak; the internal pull-down hides it from every unpowered test.
@pytest.mark.parametrize(
    ("path", "pwm", "other"), [("hs-gate", "high", "low"), ("ls-gate", "low", "high")]
)
def test_a_leaking_gate_shows_only_while_it_is_driven(path: str, pwm: str, other: str) -> None:
    part, sound = stage(StageLeak(path, 20e3)), stage()
    more = supply_current_a(part, 5.0, True, pwm)[0] - supply_current_a(sound, 5.0, True, pwm)[0]
    assert more == pytest.approx(5.0 / 20e3, rel=0.1)
    still = (
        supply_current_a(part, 5.0, True, other)[0] - supply_current_a(sound, 5.0, True, other)[0]
    )
    assert abs(still) < 1e-9
    truth = part.truth()
    for key in ("high_side_leakage_a", "low_side_current_a", "standby_a"):
        assert truth[key] == pytest.approx(SOUND[key], rel=1e-6)


ALL_FAULTS: list[tuple[StageFault, str, str | None]] = [
    (StageShort("vin-sw", 0.01), "short", "vin-sw"),
    (StageShort("sw-pgnd", 0.01), "short", "sw-pgnd"),
    (StageLeak("vin-sw", 1e6), "leak", "vin-sw"),
    (StageLeak("sw-pgnd", 1e5), "leak", "sw-pgnd"),
    (StageLeak("vin-pgnd", 1e5), "leak", "vin-pgnd"),
    (StageLeak("vdrv-pgnd", 1e4), "leak", "vdrv-pgnd"),
    (StuckOutput("high"), "output-stuck-high", "vin-sw"),
    (StuckOutput("low"), "output-stuck-low", "sw-pgnd"),
    (StuckOutput("off"), "output-stuck-off", None),
    (LiftedBond("sw", 1e9), "lifted-bond", "sw"),
    (LiftedBond("vin", 1e-3), "lifted-bond", "vin"),
    (BootstrapOpen(), "bootstrap-open", "boot-sw"),
    (BootstrapLeak(1e4), "bootstrap-leak", "boot-sw"),
    (StageLeak("pwm", 5e3), "leak", "pwm"),
    (UndervoltageShift(0.6), "undervoltage-shift", "vdrv-pgnd"),
    (StageHighOnResistance("vin-sw", 1.4), "high-on-resistance", "vin-sw"),
    (StageHighOnResistance("sw-pgnd", 1.4), "high-on-resistance", "sw-pgnd"),
    (StageLeak("hs-gate", 2e4), "leak", "hs-gate"),
    (StageLeak("ls-gate", 2e4), "leak", "ls-gate"),
]


def test_there_are_nineteen_faults() -> None:
    assert len({(name, path, type(fault), str(fault)) for fault, name, path in ALL_FAULTS}) == 19


@pytest.mark.parametrize(("fault", "name", "path"), ALL_FAULTS)
def test_each_fault_is_told_by_name_and_path(
    fault: StageFault, name: str, path: str | None
) -> None:
    truth = stage(fault).truth()
    assert (truth["disposition"], truth["fault"], truth["path"]) == ("unfit", name, path)
    assert (path in truth["paths"]) if path else truth["paths"] == ()


@pytest.mark.parametrize(
    "make",
    [
        lambda: StageShort("vin-pgnd", 1.0),
        lambda: StageLeak("boot-sw", 1e4),
        lambda: StuckOutput("middle"),  # type: ignore[arg-type]
        lambda: LiftedBond("boot", 1.0),
        lambda: UndervoltageShift(0.0),
        lambda: StageHighOnResistance("vin-sw", 1.0),
        lambda: BootstrapLeak(0.0),
    ],
)
def test_a_fault_that_cannot_be_is_refused(make: type[StageFault]) -> None:
    with pytest.raises(ValueError, match=r"\w+"):
        make()


def test_a_lockout_that_hiccups_is_told() -> None:
    """Fed through a resistor that holds it up only while it draws little, it never rests."""
    part = stage()
    node = {pin: pin.lower() for pin in part.terminals}
    node |= {"PGND": GROUND, "EN": "vdrv", "VIN": GROUND, "SW": GROUND}
    with pytest.raises(LogicUnsettledError, match="still changes"):
        settle(part, node, [Series("s", "vdrv", GROUND, 2e3, volts=5.0)])


def test_asking_for_the_truth_leaves_the_part_as_it_was() -> None:
    part = seen(stage(), vdrv=5.0, en=5.0, pwm=5.0, boot=5.0)
    before = part.state
    part.truth()
    assert part.state == before


def test_a_warm_stage_has_more_resistance_and_more_leakage() -> None:
    part = stage()
    ratio = on_resistance_ohm(part, "low", 3.0, 5.0, 35.0) / SOUND["low_side_ohm"]
    assert ratio == pytest.approx(1.044, abs=0.006)
    assert high_side_leakage_a(part, 12.0, 35.3) / SOUND["high_side_leakage_a"] == pytest.approx(
        2.0, rel=0.01
    )


def test_a_driven_current_through_sw_reads_the_low_side_by_voltmeter() -> None:
    part = stage()
    node = {pin: pin.lower() for pin in part.terminals} | {"PGND": GROUND, "PWM": GROUND}
    bench: list[Element] = [
        Series("drive", "vdrv", GROUND, 22.0, volts=5.0),
        Series("en", "en", "vdrv", 1.0),
        CurrentSource("load", "sw", GROUND, 3.0),
        Series("compliance", "sw", GROUND, 1e3),
        Shunt("meter", "vin", GROUND, 1e-7),
    ]
    solution = settle(part, node, bench)
    expected = on_resistance_ohm(part, "low", 3.0, solution.voltage_v("vdrv").real)
    assert solution.voltage_v("sw").real / 3.0 == pytest.approx(expected, rel=1e-4)
    assert part.switches_on == (False, True)


def test_capacitances_join_known_terminals() -> None:
    part = stage()
    for first, second, farad in part.capacitances():
        assert {first, second} <= set(part.terminals)
        assert farad(5.0) > 0
