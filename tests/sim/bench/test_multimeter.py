"""The multimeter on the bench: loading, ranges, integration, ohms, declared figures.

Does not cover the commands (tests/sim/scpi).
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable

import pytest

from sim.bench import VirtualBench
from sim.circuit import Series, solve
from sim.clock import ManualClock
from sim.instruments import Multimeter, SettingError, Supply
from sim.instruments.classes import MULTIMETERS

KELVIN = [101, 203, 204, 205, 206]
SEEDS = range(60)

MakeBench = Callable[..., VirtualBench]


def kelvin(bench: VirtualBench) -> tuple[Supply, Multimeter]:
    assert bench.switch is not None
    assert bench.supply is not None
    assert bench.multimeter is not None
    bench.switch.close(KELVIN)
    return bench.supply, bench.multimeter


def read(meter: Multimeter) -> float:
    value = meter.measure()
    assert value is not None
    return value


def test_a_kelvin_measurement_of_a_milliohm_sees_the_part_and_not_the_leads(
    make_bench: MakeBench,
) -> None:
    bench = make_bench(ohm=1.5e-3)
    supply, meter = kelvin(bench)
    supply.set_voltage_v(1, 1.0)
    supply.set_current_a(1, 3.0)
    meter.set_range(0.1)
    meter.set_nplc(10)
    off = read(meter)
    supply.set_output(1, True)
    bench.clock.sleep_s(0.1)
    on = read(meter)
    ohm = (on - off) / bench.regulator_current_a(1)
    # Where the contacts touch the terminals: a few times 5 microhm. Then 0.015 % and 1 uV at 3 A.
    assert ohm == pytest.approx(1.5e-3, abs=20e-6)


class CreepingClock(ManualClock):
    """Time that goes on by itself between one look and the next, as on a busy machine."""

    def now_s(self) -> float:
        self.sleep_s(5e-3)
        return super().now_s()


def test_a_reading_holds_still_while_time_goes_on_under_the_computer(
    make_bench: MakeBench,
) -> None:
    bench = make_bench(ohm=1.5e-3, clock=CreepingClock())
    supply, meter = kelvin(bench)
    supply.set_voltage_v(1, 1.0)
    supply.set_current_a(1, 3.0)
    meter.set_range(0.1)
    meter.set_nplc(10)
    supply.set_output(1, True)
    bench.clock.sleep_s(0.1)
    # 5 ms lost from each 200 ms window would be 2.5 %; noise and drift are below 2 uV of 4.5 mV.
    readings_v = [read(meter) for _ in range(5)]
    assert max(readings_v) - min(readings_v) < 5e-6
    bench.settle()
    assert readings_v[-1] == pytest.approx(bench.meter_voltage_v(), abs=10e-6)


@pytest.mark.parametrize("source_ohm", [1e3, 1e6, 10e6])
def test_the_input_resistance_loads_a_high_source_resistance(
    source_ohm: float, make_bench: MakeBench
) -> None:
    meter = make_bench(seed=4).multimeter
    assert meter is not None
    assert abs(meter.input_ohm / 10e6 - 1.0) <= 0.01
    assert abs(meter.bias_a) <= 50e-12
    source = [Series("source", "p", "ML", 0.0, 0.0, 5.0), Series("r", "p", "MH", source_ohm)]
    found = solve([*source, *meter.elements()]).voltage_v("MH", "ML").real
    parallel_ohm = source_ohm * meter.input_ohm / (source_ohm + meter.input_ohm)
    divided_v = 5.0 * meter.input_ohm / (source_ohm + meter.input_ohm)
    assert found == pytest.approx(divided_v + meter.bias_a * parallel_ohm, rel=1e-9)


def test_open_terminals_show_the_bias_current_in_the_input_resistance(
    make_bench: MakeBench,
) -> None:
    meter = make_bench(seed=4).multimeter
    assert meter is not None
    meter.set_range(0.1)
    meter.set_nplc(100)
    expected = meter.bias_a * meter.input_ohm
    assert abs(expected) > 50e-6
    assert read(meter) == pytest.approx(expected, abs=6e-6)


def test_ohms_of_a_part_as_large_as_the_input_are_read_without_the_input_resistance(
    make_bench: MakeBench,
) -> None:
    bench = make_bench(ohm=10e6, fixture={"leakage_ohm": 1e15})
    _, meter = kelvin(bench)
    assert bench.switch is not None
    bench.switch.open([203, 204])
    meter.set_function("resistance")
    assert read(meter) == pytest.approx(10e6, rel=1e-3)


def test_a_leak_in_the_fixture_is_seen_on_ohms(make_bench: MakeBench) -> None:
    bench = make_bench(ohm=1e12, fixture={"leakage_ohm": 1e6})
    _, meter = kelvin(bench)
    assert bench.switch is not None
    bench.switch.open([203, 204])
    meter.set_function("resistance")
    assert read(meter) == pytest.approx(1e6, rel=1e-3)


@pytest.mark.parametrize("class_name", sorted(MULTIMETERS))
@pytest.mark.parametrize(("volts", "upper"), [(0.05, 0.1), (5.0, 10.0)])
def test_volts_lie_within_the_declared_figures(
    class_name: str, volts: float, upper: float, make_bench: MakeBench
) -> None:
    figures = MULTIMETERS[class_name]
    shares = []
    for seed in SEEDS:
        bench = make_bench(ohm=1e3, seed=seed, multimeter_class=class_name)
        supply, meter = kelvin(bench)
        supply.set_voltage_v(1, volts)
        supply.set_output(1, True)
        meter.set_range(upper)
        meter.set_nplc(100)
        bench.clock.sleep_s(0.5)
        error = read(meter) - bench.meter_voltage_v()
        limit = figures.gain * volts + meter.offset_limit_v(upper)
        allowance = figures.drift_v + 4.0 * figures.noise_v / 10.0 + 0.5 * upper / figures.counts
        assert abs(error) <= limit + allowance
        shares.append(abs(error) / limit)
    assert max(shares) > 0.5


def test_the_noise_of_a_reading_falls_with_the_root_of_the_integration_time(
    make_bench: MakeBench,
) -> None:
    bench = make_bench(ohm=1e-3)
    _, meter = kelvin(bench)
    meter.set_range(0.1)
    spread = {}
    for nplc in (1.0, 100.0):
        meter.set_nplc(nplc)
        spread[nplc] = statistics.stdev(read(meter) for _ in range(200))
    figures = MULTIMETERS["6.5-digit"]
    assert spread[1.0] == pytest.approx(figures.noise_v, rel=0.2)
    # The slow drift of the zero is what is left at the long end.
    assert spread[100.0] < 0.35 * spread[1.0]


def test_whole_mains_periods_reject_the_pickup_and_a_fifth_does_not(make_bench: MakeBench) -> None:
    bench = make_bench(ohm=1e-3)
    _, meter = kelvin(bench)
    meter.set_range(0.1)
    meter.set_nplc(0.2)
    short = statistics.stdev(read(meter) for _ in range(200))
    hum = MULTIMETERS["6.5-digit"].hum_v * math.sin(0.2 * math.pi) / (0.2 * math.pi)
    noise = MULTIMETERS["6.5-digit"].noise_v / math.sqrt(0.2)
    assert short == pytest.approx(math.hypot(hum / math.sqrt(2.0), noise), rel=0.15)


def test_a_reading_takes_two_integration_times(make_bench: MakeBench) -> None:
    bench = make_bench()
    _, meter = kelvin(bench)
    meter.set_range(1.0)
    meter.set_nplc(10)
    began = bench.clock.now_s()
    meter.measure()
    assert bench.clock.now_s() - began == pytest.approx(2.0 * 10 / 50.0)
    assert meter.reading_time_s() == pytest.approx(0.4)


def test_a_reading_is_the_mean_over_its_integration_time(make_bench: MakeBench) -> None:
    bench = make_bench(ohm=1e9, supply={"output_f": 1e-3})
    supply, meter = kelvin(bench)
    supply.set_voltage_v(1, 8.0)
    supply.set_output(1, True)
    bench.clock.sleep_s(1.0)
    meter.set_range(10.0)
    meter.set_nplc(50)
    supply.set_output(1, False)
    start_v = bench.terminal_voltage_v(1)
    # The bleeder of 1 kohm discharges 1 mF while the meter integrates for one second.
    assert read(meter) == pytest.approx(start_v * (1.0 - math.exp(-1.0)), rel=1e-3)


def test_a_fixed_range_that_is_too_small_gives_no_number(make_bench: MakeBench) -> None:
    bench = make_bench(ohm=1e3)
    supply, meter = kelvin(bench)
    supply.set_voltage_v(1, 5.0)
    supply.set_output(1, True)
    bench.clock.sleep_s(0.1)
    meter.set_range(1.0)
    assert meter.measure() is None
    meter.set_range(None)
    assert read(meter) == pytest.approx(5.0, rel=5e-3)
    assert meter.range == 10.0


def test_the_automatic_range_goes_down_to_the_lowest_that_holds_the_value(
    make_bench: MakeBench,
) -> None:
    bench = make_bench(ohm=1e3)
    supply, meter = kelvin(bench)
    supply.set_voltage_v(1, 0.05)
    supply.set_output(1, True)
    bench.clock.sleep_s(0.1)
    read(meter)
    assert meter.range == 0.1


@pytest.mark.parametrize("ohm", [47.0, 4.7e3, 470e3, 4.7e6])
def test_two_wire_ohms_read_the_part_and_the_leads(ohm: float, make_bench: MakeBench) -> None:
    bench = make_bench(ohm=ohm, fixture={"leakage_ohm": 1e15})
    _, meter = kelvin(bench)
    assert bench.switch is not None
    bench.switch.open([203, 204])
    meter.set_function("resistance")
    value = read(meter)
    # Two sense leads of 40 mohm and two relays of 30 mohm; test current within 0.015 %.
    assert value == pytest.approx(ohm + 0.15, rel=4e-4, abs=0.03)


def test_four_wire_ohms_leave_the_leads_out_once_the_sense_relays_are_closed(
    make_bench: MakeBench,
) -> None:
    bench = make_bench(ohm=47.0)
    _, meter = kelvin(bench)
    assert bench.switch is not None
    bench.switch.open([203, 204])
    meter.set_function("four-wire-resistance")
    two_wire = read(meter)
    bench.switch.close([207, 208])
    four_wire = read(meter)
    assert two_wire - 47.0 > 0.1
    assert four_wire == pytest.approx(47.0, abs=0.02)


def test_open_terminals_are_over_range_in_ohms_and_stay_below_the_compliance(
    make_bench: MakeBench,
) -> None:
    bench = make_bench()
    meter = bench.multimeter
    assert meter is not None
    meter.set_function("resistance")
    assert meter.measure() is None
    assert bench.meter_voltage_v() <= 10.2


def test_unknown_functions_and_settings_out_of_limits_are_refused(make_bench: MakeBench) -> None:
    meter = make_bench().multimeter
    assert meter is not None
    with pytest.raises(SettingError):
        meter.set_function("current")
    with pytest.raises(SettingError):
        meter.set_range(2000.0)
    with pytest.raises(SettingError):
        meter.set_nplc(0.001)
    assert meter.function == "voltage"
