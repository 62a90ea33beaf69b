"""The supply on the bench: limits, readback, declared figures, residual charge.

Does not cover the exact course in time (test_output_stage) nor the commands (tests/sim/scpi).
"""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from sim.bench import VirtualBench
from sim.instruments import SettingError, Supply
from sim.instruments.classes import SUPPLIES

SEEDS = range(60)
KELVIN = [101, 203, 204, 205, 206]

MakeBench = Callable[..., VirtualBench]


def supply_of(bench: VirtualBench) -> Supply:
    assert bench.supply is not None
    return bench.supply


def joined(bench: VirtualBench) -> Supply:
    assert bench.switch is not None
    bench.switch.close(KELVIN)
    return supply_of(bench)


def test_a_large_load_resistance_leaves_the_supply_in_constant_voltage(
    make_bench: MakeBench,
) -> None:
    supply = joined(make_bench(ohm=100.0))
    supply.set_voltage_v(1, 5.0)
    supply.set_current_a(1, 1.0)
    supply.set_output(1, True)
    assert supply.measure_current_a(1) == pytest.approx(0.05, abs=2.0 * 2.2e-3)
    assert supply.mode(1) == "cv"
    assert supply.measure_voltage_v(1) == pytest.approx(5.0, abs=2.0 * 4.5e-3 + 1e-3)


def test_a_coil_puts_the_supply_into_constant_current(make_bench: MakeBench) -> None:
    supply = joined(make_bench(ohm=1.5e-3))
    supply.set_voltage_v(1, 1.0)
    supply.set_current_a(1, 3.0)
    supply.set_output(1, True)
    assert supply.measure_current_a(1) == pytest.approx(3.0, abs=2.0 * 8e-3 + 1e-3)
    assert supply.mode(1) == "cc"
    # Two leads of 15 mohm, two relays of 30 mohm, lines and contacts.
    assert 0.2 < supply.measure_voltage_v(1) < 0.4


@pytest.mark.parametrize("class_name", sorted(SUPPLIES))
def test_settings_and_readback_lie_within_the_declared_figures(
    class_name: str, make_bench: MakeBench
) -> None:
    figures = SUPPLIES[class_name]
    worst = {"set": 0.0, "read": 0.0, "set a": 0.0, "read a": 0.0}
    for seed in SEEDS:
        bench = make_bench(ohm=1.0, seed=seed, supply={"class_name": class_name, "highest_a": 5.0})
        supply = joined(bench)
        supply.set_voltage_v(1, 20.0)
        supply.set_current_a(1, 2.0)
        supply.set_output(1, True)
        read_a = supply.measure_current_a(1)
        assert supply.mode(1) == "cc"
        true_a = bench.regulator_current_a(1)
        limit = 2.0 * figures.setting_gain_a + figures.setting_offset_a
        worst["set a"] = max(worst["set a"], abs(true_a - 2.0) / limit)
        limit = true_a * figures.readback_gain_a + figures.readback_offset_a
        worst["read a"] = max(
            worst["read a"], (abs(read_a - true_a) - 0.5 * figures.step_a) / limit
        )
        bench = make_bench(ohm=1e6, seed=seed, supply={"class_name": class_name})
        supply = joined(bench)
        supply.set_voltage_v(1, 20.0)
        supply.set_output(1, True)
        bench.clock.sleep_s(1.0)  # 1 mF to 20 V with 0.1 A takes 0.2 s
        read_v = supply.measure_voltage_v(1)
        assert supply.mode(1) == "cv"
        true_v = bench.terminal_voltage_v(1)
        limit = 20.0 * figures.setting_gain_v + figures.setting_offset_v
        worst["set"] = max(worst["set"], abs(true_v - 20.0) / limit)
        limit = true_v * figures.readback_gain_v + figures.readback_offset_v
        worst["read"] = max(worst["read"], (abs(read_v - true_v) - 0.5 * figures.step_v) / limit)
    # Inside always, and spread over most of what is declared: a class is not better than it says.
    for name, share in worst.items():
        assert 0.6 < share <= 1.0 + 1e-6, name


@pytest.mark.parametrize(("class_name", "step_v"), [("1mV-1mA", 1e-3), ("10mV-10mA", 10e-3)])
def test_settings_are_rounded_to_the_step_of_the_class(
    class_name: str, step_v: float, make_bench: MakeBench
) -> None:
    supply = supply_of(make_bench(supply={"class_name": class_name}))
    supply.set_voltage_v(1, 1.23456)
    assert supply.voltage_v(1) == pytest.approx(round(1.23456 / step_v) * step_v, abs=1e-12)
    supply.set_voltage_v(1, 0.3)
    assert supply.voltage_v(1) == 0.3


@pytest.mark.parametrize("value", [-0.001, 30.001, math.inf, math.nan])
def test_a_voltage_outside_the_limits_is_refused_and_changes_nothing(
    value: float, make_bench: MakeBench
) -> None:
    supply = supply_of(make_bench())
    supply.set_voltage_v(1, 2.0)
    with pytest.raises(SettingError) as refused:
        supply.set_voltage_v(1, value)
    assert refused.value.code == -222
    assert supply.voltage_v(1) == 2.0


def test_a_channel_that_does_not_exist_is_refused(make_bench: MakeBench) -> None:
    supply = supply_of(make_bench(supply={"channels": 2}))
    for channel in (0, 3):
        with pytest.raises(SettingError):
            supply.set_output(channel, True)


def test_the_second_channel_keeps_its_own_settings_and_charge(make_bench: MakeBench) -> None:
    bench = make_bench(supply={"channels": 2})
    supply = supply_of(bench)
    supply.set_voltage_v(1, 1.0)
    supply.set_voltage_v(2, 12.0)
    supply.set_output(2, True)
    bench.clock.sleep_s(0.1)
    assert supply.measure_voltage_v(2) == pytest.approx(12.0, abs=0.02)
    assert supply.measure_voltage_v(1) <= 0.003
    assert not supply.output(1)


def test_output_off_does_not_mean_discharged(make_bench: MakeBench) -> None:
    bench = make_bench(supply={"output_f": 1e-3})
    supply = supply_of(bench)
    supply.set_voltage_v(1, 10.0)
    supply.set_current_a(1, 1.0)
    supply.set_output(1, True)
    bench.clock.sleep_s(1.0)
    supply.set_output(1, False)
    charged_v = bench.terminal_voltage_v(1)
    assert supply.mode(1) == "off"
    bench.clock.sleep_s(2.0)
    bench.settle()
    # The bleeder of 1 kohm on 1 mF.
    assert bench.terminal_voltage_v(1) == pytest.approx(charged_v * math.exp(-2.0), rel=1e-9)


def test_the_residual_charge_leaves_through_what_is_joined(make_bench: MakeBench) -> None:
    bench = make_bench(ohm=10.0, supply={"output_f": 1e-3})
    supply = joined(bench)
    supply.set_voltage_v(1, 1.0)
    supply.set_current_a(1, 1.0)
    supply.set_output(1, True)
    bench.clock.sleep_s(1.0)
    bench.settle()
    supply.set_output(1, False)
    charged_v = bench.terminal_voltage_v(1)
    bench.clock.sleep_s(20e-3)
    bench.settle()
    loop_ohm = charged_v / (bench.dc_point().load.siemens * charged_v)
    expected = charged_v * math.exp(-20e-3 * (1.0 / loop_ohm + 1e-3) / 1e-3)
    assert 10.05 < loop_ohm < 10.2
    assert bench.terminal_voltage_v(1) == pytest.approx(expected, rel=1e-4)


def test_a_readback_below_zero_reads_zero(make_bench: MakeBench) -> None:
    readings = [supply_of(make_bench(seed=seed)).measure_voltage_v(1) for seed in SEEDS]
    assert min(readings) == 0.0
    # About half of the offsets are positive and show with an output at zero.
    assert 0.2 < sum(reading > 0.0 for reading in readings) / len(readings) < 0.8


def test_the_protection_trips_and_stands_until_it_is_cleared(make_bench: MakeBench) -> None:
    bench = make_bench()
    supply = supply_of(bench)
    supply.set_over_voltage_v(1, 3.0)
    supply.set_voltage_v(1, 5.0)
    supply.set_output(1, True)
    bench.clock.sleep_s(0.1)
    assert supply.tripped(1)
    assert not supply.output(1)
    with pytest.raises(SettingError) as refused:
        supply.set_output(1, True)
    assert refused.value.code == -221
    supply.set_voltage_v(1, 2.0)
    supply.clear_trip(1)
    supply.set_output(1, True)
    bench.clock.sleep_s(0.1)
    assert supply.output(1)


def test_reset_switches_off_but_does_not_discharge(make_bench: MakeBench) -> None:
    bench = make_bench()
    supply = supply_of(bench)
    supply.set_voltage_v(1, 5.0)
    supply.set_output(1, True)
    bench.clock.sleep_s(0.1)
    supply.reset()
    assert not supply.output(1)
    assert supply.voltage_v(1) == 0.0
    assert bench.terminal_voltage_v(1) > 4.9
