"""Check the measuring equations of switches: leakage, threshold, on-resistance, diode.

Sources beside each check. Does not cover: the procedures that read the voltages, coverage of the
stated uncertainties over many sessions.
"""

from __future__ import annotations

import math

import pytest

from labbench.errors import InputError
from labbench.metrology.accuracy import MULTIMETER_CLASSES, SUPPLY_CLASSES
from labbench.metrology.diode import forward_voltage, temperature_from_diode
from labbench.metrology.estimates import expanded_uncertainty
from labbench.metrology.leakage import (
    leakage_by_meter,
    leakage_by_readback,
    leakage_by_resistor,
    next_series_ohm,
    readings_agree,
    settling_time_s,
    short_resistance,
    voltage_at_part,
)
from labbench.metrology.on_resistance import on_resistance
from labbench.metrology.semiconductor import (
    diode_v_per_k,
    forward_current_a,
    forward_voltage_v,
    leakage_factor,
    thermal_voltage_v,
)
from labbench.metrology.threshold import next_supply_v, slope_v, threshold_voltage
from labbench.results import Estimate, OnOffPair

METER = MULTIMETER_CLASSES["6.5-digit"]
SUPPLY = SUPPLY_CLASSES["1mV-1mA"]


def test_the_diodes_law_gives_the_computed_values() -> None:
    """Exact SI constants; values computed outside, tolerance 1e-8 (Shockley's law, n = 1)."""
    assert thermal_voltage_v(300.0) == pytest.approx(0.025851999786, rel=1e-8)
    assert thermal_voltage_v(298.15) == pytest.approx(0.025692579121, rel=1e-8)
    assert thermal_voltage_v(300.0) * math.log(10.0) == pytest.approx(59.52643e-3, rel=1e-7)
    assert forward_current_a(0.6, 1e-14, 300.0) == pytest.approx(1.2010370e-4, rel=1e-7)
    assert forward_voltage_v(1e-3, 1e-14, 300.0) == pytest.approx(0.65479072, rel=1e-8)
    assert forward_current_a(-5.0, 1e-14, 300.0) == pytest.approx(-1e-14, rel=1e-8)


def test_leakage_doubles_every_ten_kelvin() -> None:
    """Common practice: 64 from 25 to 85 °C, 1024 from 25 to 125 °C."""
    assert leakage_factor(25.0, 85.0) == pytest.approx(64.0)
    assert leakage_factor(25.0, 125.0) == pytest.approx(1024.0)
    assert leakage_factor(45.0, 25.0) == pytest.approx(0.25)


def test_the_meters_load_is_counted() -> None:
    """By hand: 1 V over 1 Mohm beside 10 Mohm is 1.1 uA; who forgets the meter is 9.1 % low."""
    found = leakage_by_resistor([1.0], series_ohm=1e6, multimeter=METER, range_v=1.0)
    assert found.value == pytest.approx(1.1e-6)
    assert 1e-6 / found.value - 1.0 == pytest.approx(-0.0909, abs=1e-4)
    low = leakage_by_resistor([1.0], series_ohm=1e5, multimeter=METER, range_v=1.0)
    assert 1e-5 / low.value - 1.0 == pytest.approx(-0.0099, abs=1e-4)


def test_the_open_fixture_is_taken_off() -> None:
    """By hand: (2 mV - 0.1 mV) x (10 uS + 0.1 uS) is 19.19 nA."""
    found = leakage_by_resistor(
        [2e-3], series_ohm=1e5, multimeter=METER, range_v=0.1, zero_volts=[1e-4]
    )
    assert found.value == pytest.approx(19.19e-9)


def test_the_stated_uncertainty_is_what_the_bench_claims() -> None:
    """Claim: 0.2 % and 100 pA with 100 kohm, 1 % and 50 pA by the meter (class figures assumed)."""
    for amps in (1e-9, 1e-8, 1e-7, 1e-6):
        volts = amps / (1e-5 + 1e-7)
        found = leakage_by_resistor(
            [volts], series_ohm=1e5, multimeter=METER, range_v=0.1, zero_volts=[0.0]
        )
        assert 5e-11 < expanded_uncertainty(found) < 0.002 * amps + 1.3e-10
        shunt = leakage_by_meter([amps * 1e7], multimeter=METER, range_v=10.0, zero_volts=[0.0])
        assert expanded_uncertainty(shunt) < 0.012 * amps + 6e-11


def test_the_allowance_is_a_line_of_its_own_and_larger_without_a_zero() -> None:
    with_zero = leakage_by_resistor(
        [1e-3], series_ohm=1e5, multimeter=METER, range_v=0.1, zero_volts=[0.0]
    )
    without = leakage_by_resistor([1e-3], series_ohm=1e5, multimeter=METER, range_v=0.1)
    lines = {line.label: line.u for line in with_zero.influences}
    allowance = "fixture, air and dirt (declared allowance)"
    assert lines[allowance] == pytest.approx(100e-12 / math.sqrt(3.0))
    assert {line.label: line.u for line in without.influences}[allowance] > 2.0 * lines[allowance]
    assert without.u > with_zero.u


def test_a_supplys_readback_sees_no_leak() -> None:
    """By hand: half a digit of 1 mA, twice rectangular, and the zero: no better than 0.5 mA."""
    found = leakage_by_readback([0.0], supply=SUPPLY)
    assert expanded_uncertainty(found) > 3e-3
    zeroed = leakage_by_readback([2e-3], supply=SUPPLY, zero_amps=[1e-3])
    assert 0.5e-3 < expanded_uncertainty(zeroed) < 1.5e-3


def test_a_short_is_graded_through_a_hundred_ohms() -> None:
    """By hand: 0.2 V, half of it across 100 ohm: 100 ohm, less 0.001 % for the meter beside."""
    assert short_resistance(0.2, 0.1, series_ohm=100.0) == pytest.approx(100.0, rel=2e-5)
    assert short_resistance(0.2, 0.2, series_ohm=100.0) == 0.0
    assert short_resistance(0.2, 0.0, series_ohm=100.0) == math.inf
    assert voltage_at_part(24.0, 1.5) == 22.5


@pytest.mark.parametrize(
    ("across_v", "set_v", "series_ohm", "then"),
    [
        (0.5, 24.0, 100e3, None),
        (3.0, 24.0, 100e3, 10e3),
        (3.0, 24.0, 10e3, None),
        (1.0, 5.0, 10e3, 1e3),
        (5e-4, 24.0, 100e3, 1e6),
        (5e-4, 24.0, 1e6, 10e6),
        (5e-4, 24.0, 10e6, None),
    ],
)
def test_the_range_is_changed_by_one_step(
    across_v: float, set_v: float, series_ohm: float, then: float | None
) -> None:
    assert next_series_ohm(across_v, set_v, series_ohm) == then


def test_settling_waits_twelve_time_constants() -> None:
    """By hand: 10 Mohm x 5 nF is 50 ms, twelve of them 0.6 s; 100 kohm x 8 nF is below 0.3 s."""
    assert settling_time_s(10e6, 5e-9) == pytest.approx(0.6)
    assert settling_time_s(100e3, 8e-9) == 0.3
    assert readings_agree(1e-8, 1.009e-8)
    assert readings_agree(1e-10, 1.25e-10)
    assert not readings_agree(1e-8, 1.02e-8)


def test_a_threshold_is_brought_to_its_current() -> None:
    """By hand: 36 mV x ln(1.1) is 3.43 mV."""
    current = Estimate(2.75e-4, 1e-7, "A")
    found = threshold_voltage(1.7, current, 2.5e-4, multimeter=METER)
    assert found.value == pytest.approx(1.7 - 36e-3 * math.log(1.1))
    assert slope_v(1e-3) == pytest.approx(43e-3)
    assert next_supply_v(4.0, 2.4e-4, 2.5e-4, 10e3) == pytest.approx(4.1)
    with pytest.raises(InputError, match="too far"):
        threshold_voltage(1.7, Estimate(1e-3, 1e-6, "A"), 2.5e-4, multimeter=METER)


def test_a_threshold_is_known_to_half_a_millivolt_and_five_for_a_kelvin() -> None:
    current = Estimate(2.5e-4, 2.5e-7, "A")
    cold = threshold_voltage(1.7, current, 2.5e-4, multimeter=METER)
    assert expanded_uncertainty(cold) < 1e-3
    warm = threshold_voltage(1.7, current, 2.5e-4, multimeter=METER, u_temperature_k=1.0)
    assert warm.u == pytest.approx(5.4e-3, rel=0.01)


def test_an_on_resistance_cancels_zero_and_thermal_voltage() -> None:
    """By hand: (12.3 mV - 0.3 mV) / 3 A is 4 mohm."""
    pair = OnOffPair(0.2e-3, 12.3e-3, 0.4e-3, 3.001)
    found = on_resistance([pair], multimeter=METER, supply=SUPPLY, off_current_a=1e-3)
    assert found.value == pytest.approx(4e-3)
    assert expanded_uncertainty(found) < 0.003 * 4e-3 + 2.5e-5
    warm = on_resistance([pair], multimeter=METER, supply=SUPPLY, off_current_a=1e-3,
                         u_temperature_k=2.0)  # fmt: skip
    assert {line.label for line in warm.influences} >= {"temperature of the part"}
    with pytest.raises(InputError, match="told from zero"):
        on_resistance([OnOffPair(0, 0, 0, 1e-3)], multimeter=METER, supply=SUPPLY)
    with pytest.raises(InputError, match="at least one"):
        on_resistance([], multimeter=METER, supply=SUPPLY)


def test_a_forward_voltage_is_brought_to_its_current_and_tells_temperature() -> None:
    """By hand: 1.1 x 25.69 mV x ln(1.05) is 1.379 mV; 46 mV are 20 K at 2.3 mV/K."""
    found = forward_voltage(0.55, Estimate(1.05e-3, 1e-6, "A"), 1e-3, multimeter=METER)
    assert found.value == pytest.approx(0.55 - 1.379e-3, abs=1e-6)
    assert expanded_uncertainty(found) < 3e-4
    assert temperature_from_diode(0.504, 0.55, 1e-3) == pytest.approx(45.0)
    assert diode_v_per_k(0.1) == pytest.approx(-1.9e-3)
    with pytest.raises(InputError, match="too far"):
        forward_voltage(0.55, Estimate(1e-2, 1e-6, "A"), 1e-3, multimeter=METER)


def test_no_reading_is_no_leakage() -> None:
    with pytest.raises(InputError, match="at least one reading"):
        leakage_by_meter([], multimeter=METER, range_v=1.0)
    with pytest.raises(InputError, match="cannot be"):
        leakage_by_resistor([1.0], series_ohm=0.0, multimeter=METER, range_v=1.0)
    with pytest.raises(InputError, match="at least one reading"):
        leakage_by_readback([], supply=SUPPLY)
