"""Check the budgets of switch readings: what cancels, what is taken out, what stands as a line.

By hand where a value is given. Does not cover: how often the intervals hold the truth
(tests/studies/coverage.py), the procedures that read the voltages.
"""

from __future__ import annotations

import math

import pytest

from labbench.errors import InputError
from labbench.metrology.accuracy import MULTIMETER_CLASSES, SUPPLY_CLASSES, multimeter_accuracy
from labbench.metrology.diode import led_on
from labbench.metrology.leakage import leakage_by_resistor, path_resistance, series_current
from labbench.metrology.on_resistance import on_resistance
from labbench.metrology.semiconductor import gate_sensitivity_per_v
from labbench.results import Estimate, OnOffPair

METER = MULTIMETER_CLASSES["6.5-digit"]
SUPPLY = SUPPLY_CLASSES["1mV-1mA"]


def lines(estimate: Estimate) -> dict[str, float]:
    return {line.label: line.u for line in estimate.influences}


def test_a_higher_range_has_less_zero_error_for_its_size() -> None:
    """By hand: 5e-5 of 0.1 V is 5 uV, 1e-5 of 10 V is 100 uV."""
    assert METER.zero_v(0.1) == pytest.approx(5e-6)
    assert METER.zero_v(10.0) == pytest.approx(100e-6)
    own = multimeter_accuracy("6.5-digit", {"offset_higher": "0.0005 %"})
    assert own.zero_v(10.0) == pytest.approx(50e-6)
    assert own.zero_v(0.1) == METER.zero_v(0.1)


def test_white_noise_falls_with_the_root_of_the_integration_time() -> None:
    digit = METER.resolution_of_range * 0.1 / math.sqrt(12.0)
    slow, fast = (math.sqrt(METER.noise_v(0.1, n) ** 2 - digit**2) for n in (10.0, 0.1))
    assert fast / slow == pytest.approx(10.0)


def test_the_zero_of_the_multimeter_cancels_in_one_range_only() -> None:
    how = {"series_ohm": 1e5, "multimeter": METER, "range_v": 1.0, "zero_volts": [1e-4]}
    same = leakage_by_resistor([0.5], **how)
    other = leakage_by_resistor([0.5], zero_range_v=0.1, **how)
    assert "zero of the multimeter" not in lines(same)
    # by hand: 10 uV and 5 uV, rectangular, over 100 kohm beside 10 Mohm
    expected = math.hypot(10e-6, 5e-6) / math.sqrt(3.0) * 1.01e-5
    assert lines(other)["zero of the multimeter"] == pytest.approx(expected, rel=1e-3)


def test_where_the_voltage_may_lie_beside_the_stated_one_is_a_line() -> None:
    """By hand: 0.5 V over 100 kohm is 5.05 uA; 1 % of that, rectangular, is 29.2 nA."""
    found = leakage_by_resistor(
        [0.5], series_ohm=1e5, multimeter=METER, range_v=1.0, voltage_relative=0.01
    )
    assert lines(found)["voltage at the part"] == pytest.approx(29.16e-9, rel=1e-3)


def test_a_path_through_a_hundred_ohms_is_known_as_well_as_its_resistor_and_supply() -> None:
    """By hand: 0.2 V, 0.1 V across 100 ohm: 100 ohm; the resistor's 1 % is 0.58 ohm."""
    found = path_resistance(0.2, 0.1, series_ohm=100.0, multimeter=METER, supply=SUPPLY)
    assert found.value == pytest.approx(100.0, rel=2e-5)
    assert lines(found)["series resistor"] == pytest.approx(0.577, rel=1e-2)
    assert lines(found)["zero of the voltage readback"] == pytest.approx(1.155, rel=1e-2)
    with pytest.raises(InputError, match="no current"):
        path_resistance(0.2, 0.0, series_ohm=100.0, multimeter=METER, supply=SUPPLY)


def test_a_current_behind_a_resistor_loses_what_the_multimeter_takes() -> None:
    """By hand: (5 - 0.7) / 4300 is 1 mA, less 0.07 uA; leads of 0 to 0.2 ohm take 0.1 off."""
    found = series_current(5.0, 0.7, series_ohm=4.3e3, multimeter=METER, supply=SUPPLY)
    assert found.value == pytest.approx(1e-3 - 0.07e-6, abs=1e-12)
    leads = series_current(
        1.14, 0.7, series_ohm=22.0, multimeter=METER, supply=SUPPLY, other_ohm=0.2
    )
    assert leads.value == pytest.approx(0.44 / 22.1, rel=1e-5)


def test_a_forward_voltage_is_led_on_straight_in_the_logarithm() -> None:
    """By hand: 60 mV a decade: from 0.7 V at 10 mA to 0.76 V at 100 mA."""
    weak, strong = Estimate(0.64, 1e-4, "V"), Estimate(0.70, 1e-4, "V")
    found = led_on(weak, strong, 1e-3, 10e-3, 0.1)
    assert found.value == pytest.approx(0.76)
    assert lines(found)["led on along the diode's law"] == pytest.approx(0.05 * 0.06 / 3**0.5)
    # 10 mohm in the diode's path: none to 0.9 mV over the 90 mA that are added
    in_path = led_on(weak, strong, 1e-3, 10e-3, 0.1, series_ohm=10e-3)
    assert in_path.value == pytest.approx(0.76 + 0.45e-3)
    with pytest.raises(InputError, match="does not lead on"):
        led_on(weak, strong, 10e-3, 1e-3, 0.1)


def test_a_gate_beside_its_voltage_is_taken_out_and_the_shared_contact_too() -> None:
    """By hand: 3 A through 10 mohm take 30 mV from a gate at 4.5 V: 0.45 % more, taken off."""
    assert gate_sensitivity_per_v(4.5) == pytest.approx(0.15)
    assert gate_sensitivity_per_v(10.0) == pytest.approx(0.024)
    pair = OnOffPair(0.0, 15e-3, 0.0, 3.0)
    how = {"multimeter": METER, "supply": SUPPLY, "off_current_a": 1e-9}
    plain = on_resistance([pair], **how)
    found = on_resistance([pair], gate_v=(4.5, 4.5), **how)
    assert found.value / plain.value - 1.0 == pytest.approx(-0.0045, rel=1e-3)
    assert "contact that gate and source share" in lines(found)
    right = on_resistance([pair], gate_v=(4.5, 4.53), **how)
    assert right.value == pytest.approx(plain.value, rel=1e-6)
