"""Values of a power stage from what was read: divider and loading arithmetic by hand.

Not covered: real stages; how often a stated interval holds the truth (tests/studies).
"""

from __future__ import annotations

import math

import pytest

from labbench.errors import InputError
from labbench.metrology.accuracy import MultimeterAccuracy, SupplyAccuracy
from labbench.metrology.stage import (
    difference_resistance,
    driver_current,
    guarded_leakage,
    input_voltage,
    less,
    resistance_behind,
    scaled_to,
    threshold_between,
)
from labbench.results import Estimate

METER = MultimeterAccuracy(
    class_name="hand-made", gain_relative=1.5e-4, offset_of_range=4e-5,
    offset_of_higher_ranges=4e-6, noise_of_range=1.5e-5, resolution_of_range=1e-6,
    thermal_drift_v=1e-6,
)  # fmt: skip
SUPPLY = SupplyAccuracy(
    class_name="hand-made", voltage_gain_relative=5e-4, voltage_offset_v=2e-3,
    voltage_step_v=1e-3, current_gain_relative=2e-3, current_offset_a=2e-3, current_step_a=1e-3,
    lead_contact_ohm=1e-3, lead_relative=1e-2,
)  # fmt: skip


def test_a_path_behind_a_resistor_is_a_divider_with_the_multimeter_beside_it() -> None:
    # 0.2 V, 100 ohm beside 10 Mohm, 400 kohm: Vr = 0.2 / (1 + 400e3 (1/100 + 1e-7))
    across_v = 0.2 / (1 + 400e3 * (1 / 100 + 1e-7))
    found = resistance_behind(
        0.2, across_v + 4e-6, 4e-6, series_ohm=100.0, multimeter=METER, supply=SUPPLY,
        range_v=0.1, series_relative=0.01,
    )  # fmt: skip
    assert found.value == pytest.approx(400e3, rel=1e-6)
    # 1 % / sqrt 3 of the resistor, 2.1 µV of 50 µV noise, 2 mV / sqrt 3 of 0.2 V
    expected = math.hypot(0.01 / math.sqrt(3), 2.15e-6 / 50e-6, 2.1e-3 / math.sqrt(3) / 0.2)
    assert found.u / found.value == pytest.approx(expected, rel=0.1)


def test_more_readings_make_a_large_resistance_surer() -> None:
    def u(count: int) -> float:
        return resistance_behind(
            0.2, 10e-6, 0.0, series_ohm=100.0, multimeter=METER, supply=SUPPLY, range_v=0.1,
            series_relative=0.01, count=count,
        ).u  # fmt: skip

    # a zero of its own noise stays, however many readings are averaged
    assert u(1) / math.sqrt(2) < u(16) < u(4) < u(1)


def test_no_current_is_no_resistance() -> None:
    with pytest.raises(InputError, match="no current"):
        resistance_behind(
            0.2, 1e-6, 1e-6, series_ohm=100.0, multimeter=METER, supply=SUPPLY, range_v=0.1,
            series_relative=0.01,
        )  # fmt: skip


def test_what_lies_beside_the_return_takes_its_share() -> None:
    # 390 kohm beside 10 kohm: 2.6 % of the current go past the resistor, 0.1 % past the multimeter
    across_v = 1e-6 / (1 / 10e3 + 1 / 10e6 + 1 / 390e3)
    found = guarded_leakage(
        across_v, 0.0, series_ohm=10e3, multimeter=METER, range_v=0.1, series_relative=1e-3,
        beside_ohm=390e3, u_beside_ohm=10e3,
    )  # fmt: skip
    assert found.value == pytest.approx(1e-6, rel=1e-9)
    assert across_v / 10e3 == pytest.approx(1e-6 * 0.974, rel=1e-3)
    forgotten = guarded_leakage(
        across_v, 0.0, series_ohm=10e3, multimeter=METER, range_v=0.1, series_relative=1e-3,
        beside_ohm=None, u_beside_ohm=0.0,
    )  # fmt: skip
    assert forgotten.value == pytest.approx(0.975e-6, rel=1e-3)


def test_the_driver_takes_what_is_across_its_resistor() -> None:
    found = driver_current(
        2.0e-3, 0.1e-3, series_ohm=22.0, multimeter=METER, range_v=0.1, zero_range_v=0.1,
        series_relative=0.01,
    )  # fmt: skip
    assert found.value == pytest.approx(1.9e-3 / 22.0, rel=1e-9)
    assert 2 * found.u == pytest.approx(2 * 0.01 / math.sqrt(3) * found.value, rel=0.05)


def test_what_goes_another_way_is_taken_off_with_its_uncertainty() -> None:
    found = less(Estimate(6e-6, 3e-8, "A"), Estimate(1e-6, 4e-8, "A"))
    assert found.value == pytest.approx(5e-6)
    assert found.u == pytest.approx(5e-8)


def test_half_of_what_is_added_for_another_voltage_is_a_limit() -> None:
    found = scaled_to(Estimate(30e-6, 0.0, "A"), 10.0, 12.0)
    assert found.value == pytest.approx(36e-6)
    assert found.u == pytest.approx(3e-6 / math.sqrt(3))
    with pytest.raises(InputError):
        scaled_to(Estimate(30e-6, 0.0, "A"), 0.0, 12.0)


def test_a_threshold_lies_between_two_steps() -> None:
    found = threshold_between(3.88, 3.90, supply=SUPPLY)
    assert found.value == pytest.approx(3.89)
    # 10 mV, 1.9 mV gain, 2 mV zero and half a digit, each rectangular
    assert found.u == pytest.approx(math.sqrt((1e-4 + 3.8e-6 + 4e-6 + 0.25e-6) / 3), rel=0.02)
    assert threshold_between(3.88, 3.90, supply=SUPPLY, drop_v=0.05).u > found.u


def test_the_multimeter_pulls_an_open_input_down_and_that_is_taken_out() -> None:
    # some 27.5 kohm of 10 Mohm: 0.275 %
    found = input_voltage(1.55, multimeter=METER, range_v=10.0)
    assert found.value == pytest.approx(1.55 * 1.00275, rel=1e-6)


def test_what_the_driver_puts_in_cancels_between_two_voltages() -> None:
    def across(volts: float) -> float:
        # 400 kohm to ground, 50 µA from inside into the node
        beside = 1 / 100.0 + 1e-7
        node_v = (volts * beside + 50e-6) / (beside + 1 / 400e3)
        return volts - node_v

    found = difference_resistance(
        (0.2, across(0.2)), (0.1, across(0.1)), series_ohm=100.0, multimeter=METER, supply=SUPPLY,
        range_v=0.1, series_relative=0.01,
    )  # fmt: skip
    assert across(0.2) < 0.0
    assert found.value == pytest.approx(400e3, rel=1e-2)
