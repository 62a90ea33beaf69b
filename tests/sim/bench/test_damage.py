"""What a careless technician or program does to the bench, and that careful work leaves no mark.

Does not cover what a real instrument does after such a mistake: it is only written down.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from sim.bench import VirtualBench

MakeBench = Callable[..., VirtualBench]


def energised(bench: VirtualBench, volts: float, amperes: float) -> None:
    assert bench.supply is not None
    bench.supply.set_voltage_v(1, volts)
    bench.supply.set_current_a(1, amperes)
    bench.supply.set_output(1, True)
    bench.clock.sleep_s(0.5)


def test_careful_work_leaves_no_mark(make_bench: MakeBench) -> None:
    bench = make_bench(1.5e-3, 470e-9)
    assert bench.switch is not None
    assert bench.supply is not None
    assert bench.impedance_meter is not None
    bench.switch.close([101, 201, 202])
    bench.impedance_meter.measure()
    bench.switch.open_all()
    bench.switch.close([101, 203, 204, 205, 206])
    energised(bench, 0.5, 3.0)
    bench.supply.set_voltage_v(1, 0.0)
    bench.supply.set_output(1, False)
    bench.clock.sleep_s(0.1)
    bench.switch.open_all()
    assert bench.damage == []


@pytest.mark.parametrize("supply_relay", [203, 204])
def test_the_supply_on_the_lcr_meter_is_written_down(
    supply_relay: int, make_bench: MakeBench
) -> None:
    bench = make_bench()
    assert bench.switch is not None
    bench.switch.close([101, 201, 202])
    bench.switch.close([supply_relay])
    assert len(bench.damage) == 1
    assert "destroys the meter's input" in bench.damage[0]
    assert f"relay {supply_relay} closed" in bench.damage[0]


def test_the_supply_on_the_lcr_meter_is_written_down_when_a_hand_does_it(
    make_bench: MakeBench,
) -> None:
    bench = make_bench(scenario="hand-bench")
    bench.join([201, 202, 203, 204])
    assert ["leads were moved" in sentence for sentence in bench.damage] == [True]


@pytest.mark.parametrize("relay", [101, 203, 204])
def test_a_relay_that_opens_under_current_is_written_down(
    relay: int, make_bench: MakeBench
) -> None:
    bench = make_bench(1.5e-3)
    assert bench.switch is not None
    bench.switch.close([101, 203, 204, 205, 206])
    energised(bench, 1.0, 3.0)
    bench.switch.open([205, 206])
    assert bench.damage == []
    bench.switch.open([relay])
    assert len(bench.damage) == 1
    assert f"contact {relay}" in bench.damage[0]


def test_a_relay_that_closes_onto_a_live_output_is_written_down(make_bench: MakeBench) -> None:
    bench = make_bench(10.0)
    assert bench.switch is not None
    bench.switch.close([203, 204])
    energised(bench, 0.15, 1.0)
    bench.switch.close([101])
    assert len(bench.damage) == 1
    assert "contact 101" in bench.damage[0]
    amperes = float(bench.damage[0].split(": ")[1].split(" A")[0])
    assert amperes == pytest.approx(0.15 / 10.1, rel=0.03)


def test_ten_milliamperes_may_be_switched(make_bench: MakeBench) -> None:
    bench = make_bench(1e3)
    assert bench.switch is not None
    bench.switch.close([203, 204])
    energised(bench, 5.0, 1.0)
    bench.switch.close([101])
    bench.switch.open([101])
    assert bench.damage == []


def test_the_charge_of_the_output_capacitor_dumped_into_a_part_is_written_down(
    make_bench: MakeBench,
) -> None:
    bench = make_bench(10.0, supply={"output_f": 1e-3})
    assert bench.switch is not None
    assert bench.supply is not None
    energised(bench, 5.0, 1.0)
    bench.supply.set_output(1, False)
    bench.switch.close([203, 204, 101])
    assert len(bench.damage) == 1
    # 1 mF at 5 V less 15 ms of bleeding: 12.5 mJ, 99 % of it in the part of 10 ohm.
    energy_uj = float(bench.damage[0].split(" put ")[1].split(" uJ")[0])
    assert energy_uj == pytest.approx(12.3e3, rel=0.03)


@pytest.mark.parametrize(("volts", "written"), [(0.15, False), (0.6, True)])
def test_twenty_microjoules_are_the_limit(
    volts: float, written: bool, make_bench: MakeBench
) -> None:
    bench = make_bench(10.0)
    assert bench.switch is not None
    assert bench.supply is not None
    energised(bench, volts, 1.0)
    bench.supply.set_output(1, False)
    # 220 uF: 2.5 uJ at 0.15 V, 40 uJ at 0.6 V.
    bench.switch.close([203, 204, 101])
    assert bool(bench.damage) == written


def test_a_part_that_is_cooked_is_written_down(make_bench: MakeBench) -> None:
    bench = make_bench(0.5)
    assert bench.switch is not None
    bench.switch.close([101, 203, 204])
    energised(bench, 10.0, 4.0)
    bench.clock.sleep_s(60.0)
    assert bench.damage == ["D1 was overheated by the current through it"]


def test_a_part_that_comes_hot_from_the_iron_is_not_blamed_on_the_bench(
    make_bench: MakeBench,
) -> None:
    bench = make_bench(0.016, scenario="hand-bench")
    bench.join([203, 204, 205, 206])
    bench.place("B3")
    bench.clock.sleep_s(2.0)
    energised(bench, 0.5, 1.0)
    assert bench.damage == []
