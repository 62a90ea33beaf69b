"""The LCR meter on the bench: declared figures, ranges, time, what the wiring lets it see.

Does not cover the commands (tests/sim/scpi) nor open and short compensation, which is not done
in the meter.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from sim.bench import VirtualBench
from sim.instruments import ImpedanceMeter, SettingError
from sim.instruments.classes import IMPEDANCE_METERS
from sim.instruments.session_errors import SmoothProcess, even
from sim.streams import Streams

SEEDS = range(40)
IMPEDANCE = [101, 201, 202]
NO_FIXTURE = {
    "series_ohm": 1e-6,
    "series_h": 0.0,
    "shunt_f": 1e-18,
    "leakage_ohm": 1e15,
    "contact_sd_ohm": 0.0,
    "contact_sd_h": 0.0,
}

MakeBench = Callable[..., VirtualBench]


def meter_of(bench: VirtualBench, relays: list[int] = IMPEDANCE) -> ImpedanceMeter:
    assert bench.switch is not None
    assert bench.impedance_meter is not None
    bench.switch.open_all()
    bench.switch.close(relays)
    return bench.impedance_meter


def read(meter: ImpedanceMeter, frequency_hz: float) -> complex:
    meter.set_frequency_hz(frequency_hz)
    result = meter.measure()
    assert result.status == 0
    return complex(result.resistance_ohm, result.reactance_ohm)


@pytest.mark.parametrize("class_name", sorted(IMPEDANCE_METERS))
def test_readings_lie_within_the_declared_figures(class_name: str, make_bench: MakeBench) -> None:
    figures = IMPEDANCE_METERS[class_name]
    shares = []
    for seed in SEEDS:
        bench = make_bench(
            0.5, 3e-6, seed=seed, meter_class=class_name, fixture=NO_FIXTURE, has_switch=True
        )
        meter = meter_of(bench)
        meter.set_aperture_s(1.0)
        meter.set_averages(4)
        for frequency_hz in (1e3, 1e4, figures.top_hz):
            omega = 2.0 * math.pi * frequency_hz
            true = bench.impedance_ohm(frequency_hz)
            assert true == pytest.approx(0.5 + 1j * omega * 3e-6, rel=1e-3)
            error = read(meter, frequency_hz) - true
            limit = abs(true) * meter.gain_limit(true, frequency_hz, meter.range_ohm)
            noise = 5.0 * (250.0 * figures.voltage_noise_v + 0.02 * figures.basic * abs(true))
            for part, floor in (
                (error.real, figures.floor_ohm),
                (error.imag, omega * figures.floor_h),
            ):
                assert abs(part) <= limit + floor + noise
                shares.append(abs(part) / (limit + floor))
    # Spread over most of what is declared, not only a sliver of it.
    assert max(shares) > 0.7
    assert 0.15 < float(np.mean(shares)) < 0.5


def test_the_gain_error_is_frozen_for_the_session(make_bench: MakeBench) -> None:
    bench = make_bench(10.0, 1e-6)
    meter = meter_of(bench)
    meter.set_aperture_s(1.0)
    first = [read(meter, 1e4) for _ in range(20)]
    spread = np.std(np.real(first))
    error = abs(np.mean(first) - bench.impedance_ohm(1e4))
    assert spread < 0.2 * error


def test_the_noise_falls_with_the_root_of_the_averages(make_bench: MakeBench) -> None:
    bench = make_bench(1.0)
    meter = meter_of(bench)
    meter.set_aperture_s(10e-3)
    meter.set_frequency_hz(1e3)
    spreads = []
    for averages in (1, 64):
        meter.set_averages(averages)
        spreads.append(np.std([meter.measure().resistance_ohm for _ in range(200)]))
    assert spreads[0] / spreads[1] == pytest.approx(8.0, rel=0.25)


def test_the_errors_are_smooth_in_frequency_and_fill_their_limits_evenly() -> None:
    steps = []
    values = []
    for seed in range(300):
        process = SmoothProcess(Streams(seed), "gain")
        values.append(even(process.at(12345.0)))
        steps.append(abs(process.at(1e5) - process.at(1.05e5)))
    parts = np.array([[v.real, v.imag] for v in values]).ravel()
    assert np.max(np.abs(parts)) <= 1.0
    # An even spread over -1 to 1 has the standard deviation 1 / sqrt 3 (GUM 4.3.7).
    assert np.std(parts) == pytest.approx(1.0 / math.sqrt(3.0), rel=0.06)
    assert np.max(steps) < 0.15


@pytest.mark.parametrize("class_name", sorted(IMPEDANCE_METERS))
def test_a_frequency_above_the_top_of_the_class_is_refused(
    class_name: str, make_bench: MakeBench
) -> None:
    meter = meter_of(make_bench(meter_class=class_name))
    top_hz = IMPEDANCE_METERS[class_name].top_hz
    meter.set_frequency_hz(top_hz)
    with pytest.raises(SettingError) as refused:
        meter.set_frequency_hz(1.001 * top_hz)
    assert refused.value.code == -222
    assert meter.frequency_hz == top_hz


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("level_v", 2.1),
        ("level_v", 0.0),
        ("aperture_s", 0.0),
        ("averages", 257),
        ("averages", 1.5),
        ("range_ohm", 1e12),
        ("frequency_hz", math.nan),
    ],
)
def test_a_setting_outside_its_limits_is_refused_and_changes_nothing(
    name: str, value: float, make_bench: MakeBench
) -> None:
    meter = meter_of(make_bench())
    before = getattr(meter, name)
    with pytest.raises(SettingError) as refused:
        getattr(meter, f"set_{name}")(value)
    assert refused.value.code == -222
    assert getattr(meter, name) == before


def test_a_reading_takes_settling_and_its_averages(make_bench: MakeBench) -> None:
    bench = make_bench()
    meter = meter_of(bench)
    meter.set_frequency_hz(1e3)
    meter.set_aperture_s(0.1)
    meter.set_averages(8)
    began_s = bench.clock.now_s()
    meter.measure()
    assert bench.clock.now_s() - began_s == pytest.approx(8 * 0.1 + 10e-3)
    # At 20 Hz a short aperture cannot be shorter than a period.
    meter.set_frequency_hz(20.0)
    meter.set_aperture_s(5e-3)
    meter.set_averages(1)
    assert meter.reading_time_s() == pytest.approx(4.0 / 20.0 + 1.0 / 20.0)


def test_open_tips_are_over_range_where_the_class_does_not_reach(make_bench: MakeBench) -> None:
    meter = meter_of(make_bench(meter_class="hand-100kHz"), [198, 201, 202])
    meter.set_frequency_hz(1e3)  # 1.5 pF: 106 Mohm
    result = meter.measure()
    assert result.status == 1
    assert result.resistance_ohm == result.reactance_ohm == 9.9e37
    meter.set_frequency_hz(100e3)
    assert meter.measure().status == 0


def test_open_tips_show_the_shunt_capacitance_of_the_fixture(make_bench: MakeBench) -> None:
    meter = meter_of(make_bench(fixture={"shunt_f": 2e-12}), [198, 201, 202])
    reading = read(meter, 1e6)
    assert (1.0 / reading).imag / (2.0 * math.pi * 1e6) == pytest.approx(2e-12, rel=0.01)


def test_a_meter_with_one_lead_joined_sees_nothing(make_bench: MakeBench) -> None:
    meter = meter_of(make_bench(), [101, 201])
    assert meter.measure().status == 1


def test_the_fixture_is_in_series_and_the_strip_shows_it_alone(make_bench: MakeBench) -> None:
    quiet = {"contact_sd_ohm": 0.0, "contact_sd_h": 0.0, "strip_ohm": 0.0, "strip_h": 0.0}
    bench = make_bench(
        2.0, 5e-6, fixture={**quiet, "series_ohm": 20e-3, "series_h": 30e-9, "shunt_f": 1e-18}
    )
    meter_of(bench, [199, 201, 202])
    omega = 2.0 * math.pi * 1e5
    # The seat wanders by some 5 microhm.
    assert bench.impedance_ohm(1e5) == pytest.approx(20e-3 + 1j * omega * 30e-9, abs=30e-6)
    meter_of(bench)
    expected = 2.0 + 20e-3 + 1j * omega * (5e-6 + 30e-9)
    assert bench.impedance_ohm(1e5) == pytest.approx(expected, abs=50e-6)


def test_the_shunt_of_the_fixture_is_across_the_part_as_in_the_closed_form(
    make_bench: MakeBench,
) -> None:
    quiet = {"contact_sd_ohm": 0.0, "contact_sd_h": 0.0}
    ohm, henry, farad = 5e-3, 10e-9, 40e-12
    bench = make_bench(
        100.0, 1e-3, fixture={**quiet, "series_ohm": ohm, "series_h": henry, "shunt_f": farad}
    )
    meter_of(bench)
    omega = 2.0 * math.pi * 1e6
    part = 100.0 + 1j * omega * 1e-3
    shunt = 1j * omega * farad * (1.0 - 0.005j)
    # The contacts carry no weight here beside kilohms.
    expected = 1.0 / (1.0 / (part + ohm) + shunt) + 1j * omega * henry
    assert bench.impedance_ohm(1e6) == pytest.approx(expected, rel=1e-5)


def test_meter_and_multimeter_see_the_same_part(make_bench: MakeBench) -> None:
    bench = make_bench(scenario="harbour-buoys", seed=11)
    for name, spec in {s.name: s for s in bench.scenario.specimens}.items():
        meter = meter_of(bench, [spec.position, 201, 202])
        low = read(meter, 100.0)
        assert low.real == pytest.approx(bench.truth()[name].dc_resistance_ohm + 5e-3, abs=1.5e-3)


def test_the_range_can_be_fixed_and_then_ends(make_bench: MakeBench) -> None:
    bench = make_bench(50.0)
    meter = meter_of(bench)
    meter.set_range_ohm(30.0)
    assert not meter.range_auto
    assert meter.range_ohm == pytest.approx(100.0)
    assert meter.measure().status == 0
    meter.set_range_ohm(10.0)
    assert meter.measure().status == 1
    meter.set_range_auto(True)
    assert meter.measure().status == 0
    assert meter.range_ohm == pytest.approx(100.0)


def test_a_range_fixed_far_too_high_is_less_exact(make_bench: MakeBench) -> None:
    meter = meter_of(make_bench())
    assert meter.gain_limit(1.0, 1e4, 1e4) > 500.0 * meter.gain_limit(1.0, 1e4, 1.0)


def test_the_stale_correction_of_the_meter_spoils_a_reading(make_bench: MakeBench) -> None:
    bench = make_bench(1e-3, 470e-9)
    meter = meter_of(bench)
    plain = read(meter, 1e5)
    meter.set_correction_on(True)
    spoiled = read(meter, 1e5)
    assert 1e-3 < (plain - spoiled).real < 10e-3
    meter.reset()
    assert not meter.correction_on


def test_a_contact_that_moves_during_the_reading_is_reported_as_unsettled(
    make_bench: MakeBench,
) -> None:
    statuses = set()
    for seed in range(12):
        bench = make_bench(1e-3, 4.7e-6, scenario="hand-bench", seed=seed)
        meter = bench.impedance_meter
        assert meter is not None
        bench.join([201, 202])
        bench.place("B1")
        meter.set_frequency_hz(1e4)
        statuses.add(meter.measure().status)
        bench.clock.sleep_s(2.0)
        assert meter.measure().status == 0
    assert 3 in statuses
