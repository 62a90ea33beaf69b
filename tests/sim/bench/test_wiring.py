"""Relays, contacts and placements: what is redrawn, what stays, what a hand does.

Does not cover the instruments' own errors nor damage (test_damage).
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable

import pytest

from sim.bench import VirtualBench
from sim.instruments import RelaySwitch, SettingError

MakeBench = Callable[..., VirtualBench]


def switch_of(bench: VirtualBench) -> RelaySwitch:
    assert bench.switch is not None
    return bench.switch


def test_closing_adds_and_opening_takes_away(make_bench: MakeBench) -> None:
    switch = switch_of(make_bench())
    switch.close([201, 101])
    switch.close([202])
    assert switch.closed() == [101, 201, 202]
    switch.open([201])
    assert switch.closed() == [101, 202]
    switch.reset()
    assert switch.closed() == []


def test_one_unknown_relay_in_a_list_changes_nothing(make_bench: MakeBench) -> None:
    switch = switch_of(make_bench())
    with pytest.raises(SettingError, match="150") as refused:
        switch.close([101, 150])
    assert refused.value.code == -222
    assert switch.closed() == []


def test_a_relay_takes_15_ms_to_move(make_bench: MakeBench) -> None:
    bench = make_bench()
    switch_of(bench).close([101, 201])
    assert bench.clock.now_s() == pytest.approx(15e-3)


def test_every_placement_has_contacts_of_its_own_with_the_declared_scatter(
    make_bench: MakeBench,
) -> None:
    bench = make_bench(1.0, 1e-6, fixture={"contact_sd_ohm": 0.2e-3, "contact_sd_h": 1e-9})
    switch = switch_of(bench)
    switch.close([201, 202])
    omega = 2.0 * math.pi * 1e5
    seen = []
    for _ in range(400):
        switch.close([101])
        assert bench.impedance_ohm(1e5) == bench.impedance_ohm(1e5)
        seen.append(bench.impedance_ohm(1e5))
        switch.open([101])
    assert statistics.stdev(z.real for z in seen) == pytest.approx(0.2e-3, rel=0.12)
    assert statistics.stdev(z.imag / omega for z in seen) == pytest.approx(1e-9, rel=0.12)
    # The mean is the part and the fixture.
    assert statistics.fmean(z.real for z in seen) == pytest.approx(1.0 + 5e-3, abs=0.1e-3)


def test_the_seat_scatters_the_dc_resistance_by_microhms(make_bench: MakeBench) -> None:
    bench = make_bench(1e-3)
    switch = switch_of(bench)
    assert bench.supply is not None
    seen = []
    for _ in range(100):
        switch.close([101, 203, 204, 205, 206])
        point = bench.dc_point()
        seen.append(point.meter_v.slope / point.load.siemens)
        switch.open_all()
    assert statistics.stdev(seen) == pytest.approx(5e-6, rel=0.25)
    assert statistics.fmean(seen) == pytest.approx(1e-3, abs=2e-6)


def test_two_closed_positions_are_in_parallel(make_bench: MakeBench) -> None:
    bench = make_bench(1e3, scenario="harbour-buoys")
    switch_of(bench).close([101, 102, 201, 202])
    assert bench.impedance_ohm(1e3).real == pytest.approx(500.0, rel=1e-4)


def test_thermal_voltages_are_microvolts_and_cancel_between_on_and_off(
    make_bench: MakeBench,
) -> None:
    seen = []
    for seed in range(40):
        bench = make_bench(1e-3, seed=seed)
        switch_of(bench).close([101, 203, 204, 205, 206])
        seen.append(bench.meter_voltage_v())
    assert 1e-6 < max(abs(v) for v in seen) < 15e-6
    assert statistics.stdev(seen) > 1e-6


def test_thermal_voltages_decay_as_the_contacts_come_to_one_temperature(
    make_bench: MakeBench,
) -> None:
    fresh, later = [], []
    for seed in range(40):
        bench = make_bench(1e-3, seed=seed)
        switch_of(bench).close([101, 203, 204, 205, 206])
        fresh.append(bench.meter_voltage_v())
        bench.clock.sleep_s(600.0)
        bench.settle()
        later.append(bench.meter_voltage_v())
    assert statistics.stdev(later) < 0.6 * statistics.stdev(fresh)


def test_a_hand_makes_a_poor_contact_first_and_a_good_one_soon(make_bench: MakeBench) -> None:
    away = poor = 0
    for seed in range(20):
        bench = make_bench(1e-3, 4.7e-6, scenario="hand-bench", seed=seed)
        bench.join([201, 202])
        bench.place("B1")
        for _ in range(400):
            size = abs(bench.impedance_ohm(1e4))
            away += size > 1e3
            poor += 0.33 < size < 1e3
            bench.clock.sleep_s(1e-3)
            bench.settle()
        bench.clock.sleep_s(1.0)
        bench.settle()
        # 2 pi 10 kHz 4.7 uH = 0.295 ohm, and the fixture.
        assert abs(bench.impedance_ohm(1e4)) == pytest.approx(0.2975, abs=0.01)
    assert away > 20
    assert poor > 200


def test_a_relay_switch_does_not_bounce(make_bench: MakeBench) -> None:
    bench = make_bench(1e-3, 4.7e-6)
    switch_of(bench).close([101, 201, 202])
    assert abs(bench.impedance_ohm(1e4)) == pytest.approx(0.2959, abs=0.002)


def test_a_hand_places_one_thing_at_a_time(make_bench: MakeBench) -> None:
    bench = make_bench(7.0, scenario="hand-bench")
    bench.join([201, 202])
    bench.place("B1")
    bench.place("short")
    bench.clock.sleep_s(2.0)
    bench.settle()
    assert abs(bench.impedance_ohm(1e3)) < 0.1
    bench.place(None)
    assert abs(bench.impedance_ohm(1e3)) > 1e6


def test_a_misspelt_position_is_refused_with_a_suggestion(make_bench: MakeBench) -> None:
    bench = make_bench(scenario="hand-bench")
    with pytest.raises(ValueError, match='did you mean "short"'):
        bench.place("shrt")
    with pytest.raises(ValueError, match="joint"):
        bench.join([299])


def test_hands_stay_off_a_bench_with_a_relay_switch(make_bench: MakeBench) -> None:
    bench = make_bench()
    with pytest.raises(ValueError, match="relay switch"):
        bench.place("D1")


def test_a_part_is_heated_by_its_current_and_cools_afterwards(
    make_bench: MakeBench, copper_per_k: float
) -> None:
    bench = make_bench(0.22, per_k=copper_per_k, ambient_c=25.0)
    switch_of(bench).close([101, 203, 204, 205, 206])
    supply = bench.supply
    assert supply is not None
    supply.set_voltage_v(1, 3.0)
    supply.set_current_a(1, 1.0)
    supply.set_output(1, True)
    bench.clock.sleep_s(300.0)
    # P = 0.22 W (1 + 0.00393 dT), 40 K/W: dT = 8.8 / (1 - 8.8 * 0.00393) for 1 A.
    amperes = bench.regulator_current_a(1)
    rise = 40.0 * 0.22 * amperes**2
    rise /= 1.0 - rise * copper_per_k
    assert bench.temperature_c("D1") == pytest.approx(25.0 + rise, rel=1e-3)
    ohm = bench.meter_voltage_v() / bench.regulator_current_a(1)
    assert ohm == pytest.approx(0.22 * (1.0 + copper_per_k * rise), rel=1e-3)
    supply.set_output(1, False)
    bench.clock.sleep_s(25.0)
    assert bench.temperature_c("D1") == pytest.approx(25.0 + rise / math.e, rel=2e-3)
    assert bench.damage == []


def test_a_part_that_was_just_lifted_is_hot_and_cools(make_bench: MakeBench) -> None:
    bench = make_bench(0.016, scenario="hand-bench")
    assert bench.temperature_c("B3") == pytest.approx(180.0)
    assert bench.temperature_c("B1") == pytest.approx(22.0)
    bench.clock.sleep_s(110.0)
    assert bench.temperature_c("B3") == pytest.approx(22.0 + 158.0 * math.exp(-110.0 / 25.0))
