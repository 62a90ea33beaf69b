"""The bench as a whole: truth, seeds, threads, absent instruments.

Does not cover the servers in front of it (tests/sim/scpi).
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from sim.bench import VirtualBench
from sim.clock import ManualClock, RateClock
from sim.scenario import Scenario, load_scenario

MakeBench = Callable[..., VirtualBench]


def a_session(scenario: Scenario, seed: int | None = None) -> list[float | None]:
    """Measure every specimen both ways and give all that was read."""
    bench = VirtualBench(scenario, seed=seed, clock=ManualClock())
    meter, switch = bench.impedance_meter, bench.switch
    supply, multimeter = bench.supply, bench.multimeter
    assert meter is not None
    assert switch is not None
    assert supply is not None
    assert multimeter is not None
    seen: list[float | None] = []
    for spec in scenario.specimens[:3]:
        switch.close([spec.position, 201, 202])
        for frequency_hz in (1e3, 1e6):
            meter.set_frequency_hz(frequency_hz)
            result = meter.measure()
            seen += [result.resistance_ohm, result.reactance_ohm]
        switch.open_all()
        switch.close([spec.position, 203, 204, 205, 206])
        supply.set_voltage_v(1, 0.5)
        supply.set_current_a(1, 3.0)
        supply.set_output(1, True)
        seen += [multimeter.measure(), supply.measure_current_a(1), supply.measure_voltage_v(1)]
        supply.set_output(1, False)
        seen.append(multimeter.measure())
        switch.open_all()
    return seen


def test_the_same_seed_and_commands_give_the_same_numbers() -> None:
    scenario = load_scenario("harbour-buoys")
    assert a_session(scenario) == a_session(scenario)
    assert a_session(scenario, seed=scenario.seed) == a_session(scenario)


def test_another_seed_gives_other_numbers() -> None:
    scenario = load_scenario("harbour-buoys")
    assert a_session(scenario, seed=100) != a_session(scenario, seed=101)


def test_one_more_reading_does_not_change_the_contacts_of_the_next_placement() -> None:
    scenario = load_scenario("one-coil")
    seen = []
    for readings in (1, 5):
        bench = VirtualBench(scenario, clock=ManualClock())
        assert bench.switch is not None
        assert bench.impedance_meter is not None
        bench.switch.close([101, 201, 202])
        for _ in range(readings):
            bench.impedance_meter.measure()
        bench.switch.open([101])
        bench.switch.close([101])
        seen.append(bench.wiring.placements[101].contact_ohm)
    assert seen[0] == seen[1]


def test_the_truth_names_the_faults_and_agrees_with_the_circuit() -> None:
    scenario = load_scenario("harbour-buoys")
    bench = VirtualBench(scenario, clock=ManualClock())
    truth = bench.truth()
    assert list(truth) == [spec.name for spec in scenario.specimens]
    for spec in scenario.specimens:
        known = truth[spec.name]
        assert known.fault == (spec.fault.name if spec.fault else None)
        assert known.disposition == ("fit" if spec.fault is None else "unfit")
    assert bench.switch is not None
    quiet = replace(
        scenario,
        ambient_c=25.0,
        specimens=tuple(replace(s, temperature_c=25.0) for s in scenario.specimens),
        fixture=replace(
            scenario.fixture, series_ohm=1e-6, series_h=0.0, shunt_f=1e-18,
            leakage_ohm=1e15, contact_sd_ohm=0.0, contact_sd_h=0.0,
        ),
    )  # fmt: skip
    bench = VirtualBench(quiet, clock=ManualClock())
    assert bench.switch is not None
    for spec in quiet.specimens:
        bench.switch.close([spec.position, 201, 202])
        known = bench.truth()[spec.name]
        expected = complex(known.impedance(np.array([1e5]))[0])
        assert bench.impedance_ohm(1e5) == pytest.approx(expected, rel=1e-3, abs=30e-6)
        bench.switch.open_all()
        bench.switch.close([spec.position, 203, 204, 205, 206])
        assert bench.multimeter is not None
        point = bench.dc_point()
        if known.dc_resistance_ohm < 1.0:
            seen = point.meter_v.slope / point.load.siemens
            assert seen == pytest.approx(known.dc_resistance_ohm, abs=30e-6)
        bench.switch.open_all()


def test_a_part_that_is_not_what_it_is_sold_as_is_unfit() -> None:
    scenario = load_scenario("one-coil")
    specimen = replace(scenario.specimens[0], not_as_marked=True)
    bench = VirtualBench(replace(scenario, specimens=(specimen,)), clock=ManualClock())
    assert bench.truth()["D1"].disposition == "unfit"
    assert bench.truth()["D1"].fault == "not-as-marked"


def test_healthy_parts_of_many_seeds_lie_within_their_tolerance() -> None:
    scenario = load_scenario("one-coil")
    for seed in range(40):
        truth = VirtualBench(scenario, seed=seed, clock=ManualClock()).truth()["D1"]
        inductance = truth.impedance(np.array([1e5]))[0].imag / (2e5 * np.pi)
        assert inductance == pytest.approx(470e-9, rel=0.20)
        assert truth.dc_resistance_ohm == pytest.approx(1.5e-3, rel=0.10)


def test_an_instrument_that_the_scenario_does_not_have_is_none() -> None:
    scenario = replace(load_scenario("hand-bench"), supply=None, multimeter_class=None)
    bench = VirtualBench(scenario, clock=ManualClock())
    assert bench.switch is None
    assert bench.supply is None
    assert bench.multimeter is None
    assert bench.impedance_meter is not None
    bench.join([201, 202])
    bench.place("B1")
    bench.clock.sleep_s(2.0)
    assert bench.impedance_meter.measure().status == 0


def test_instruments_of_one_bench_can_be_used_from_several_threads() -> None:
    scenario = load_scenario("one-coil")
    bench = VirtualBench(scenario, clock=RateClock(1000.0))
    meter, supply, multimeter = bench.impedance_meter, bench.supply, bench.multimeter
    assert bench.switch is not None
    assert meter is not None
    assert supply is not None
    assert multimeter is not None
    bench.switch.close([101, 201, 202, 205, 206])
    failures: list[BaseException] = []

    def repeat(work: Callable[[], object]) -> None:
        try:
            for _ in range(30):
                work()
        except BaseException as error:
            failures.append(error)

    works = [meter.measure, multimeter.measure, lambda: supply.measure_voltage_v(1)]
    threads = [threading.Thread(target=repeat, args=(work,)) for work in works]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=30)
    assert failures == []
    assert not any(thread.is_alive() for thread in threads)
    assert bench.damage == []


def test_the_multimeter_sees_the_supply_discharge(make_bench: MakeBench) -> None:
    bench = make_bench(1e6)
    supply, multimeter = bench.supply, bench.multimeter
    assert bench.switch is not None
    assert supply is not None
    assert multimeter is not None
    bench.switch.close([101, 203, 204, 205, 206])
    supply.set_voltage_v(1, 1.0)
    supply.set_output(1, True)
    bench.clock.sleep_s(0.1)
    supply.set_output(1, False)
    multimeter.set_range(1.0)
    first, second = multimeter.measure(), multimeter.measure()
    assert first is not None
    assert second is not None
    # Two readings of 40 ms on 220 uF and 1 kohm.
    assert second / first == pytest.approx(np.exp(-40e-3 / 0.22), rel=5e-3)
    bench.clock.sleep_s(5.0)
    assert supply.measure_voltage_v(1) < 0.02
