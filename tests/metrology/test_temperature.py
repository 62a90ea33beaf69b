"""Copper's resistance at another temperature, against published ratios and wire tables.

Sources: IEC 60028 (alpha20, resistivity 1/58), IEEE practice / NBS (234.5), the AWG definition
(ASTM B258) and public wire tables; NBS Circular 31 for gauges 10, 36 and 40 (from memory).

Not covered: metals other than copper.
"""

from __future__ import annotations

import math

import pytest

from labbench.errors import InputError
from labbench.metrology.accuracy import multimeter_accuracy, supply_accuracy
from labbench.metrology.resistance import at_temperature, dc_resistance
from labbench.metrology.temperature import copper_resistance_at, copper_sensitivity_per_k
from labbench.results import OnOffPair, ResistanceMeasurement

# ohm per 1000 ft at 20 degC; 12 to 30 from one public wire table, the others from memory
WIRE_TABLE = {
    10: 0.9989, 12: 1.588, 18: 6.385, 20: 10.15, 22: 16.14, 24: 25.67, 28: 64.90, 30: 103.2,
    36: 414.8, 40: 1049.0,
}  # fmt: skip


@pytest.mark.parametrize(
    ("to_c", "ratio"), [(75.0, 1.216110), (100.0, 1.314342), (125.0, 1.412574)]
)
def test_ratios_from_20_degrees_are_those_of_the_234_5_form(to_c, ratio):
    assert copper_resistance_at(1.0, 20.0, to_c) == pytest.approx(ratio, abs=5e-7)


@pytest.mark.parametrize(
    ("to_c", "ratio"), [(75.0, 1.216150), (100.0, 1.314400), (125.0, 1.412650)]
)
def test_ratios_agree_with_the_temperature_coefficient_of_iec_60028(to_c, ratio):
    # 1 + 0.00393 (t - 20), published rounded: the two forms differ by 1e-4
    assert copper_resistance_at(1.0, 20.0, to_c) == pytest.approx(ratio, rel=1e-4)


def test_the_constant_for_machines_gives_nearly_the_same_ratio():
    # IEC 60034-1 uses 235: 1.312... at 100 degC from 20
    assert copper_resistance_at(1.0, 20.0, 100.0) == pytest.approx(1.313725, rel=5e-4)


def test_there_and_back_is_the_same_resistance():
    there = copper_resistance_at(1.5e-3, 24.0, 61.0)
    assert copper_resistance_at(there, 61.0, 24.0) == pytest.approx(1.5e-3, rel=1e-15)


def test_the_linear_form_is_off_as_much_as_said():
    # value at 25 degC of a part measured at 45 and 60 degC
    for t, off in ((45.0, -0.008), (60.0, -0.021)):
        linear = 1.0 + 0.00393 * (25.0 - t)
        exact = copper_resistance_at(1.0, t, 25.0)
        assert linear / exact - 1.0 == pytest.approx(off, abs=0.002)


def test_the_sensitivity_is_the_slope():
    slope = copper_resistance_at(1.0, 30.0, 30.5) - copper_resistance_at(1.0, 30.0, 29.5)
    assert copper_sensitivity_per_k(30.0) == pytest.approx(slope, rel=1e-12)


@pytest.mark.parametrize("temperature_c", [-273.15, 298.15, math.nan, math.inf])
def test_a_temperature_that_is_no_bench_temperature_is_refused(temperature_c):
    with pytest.raises(InputError, match="cannot be corrected"):
        copper_resistance_at(1.0, temperature_c, 25.0)
    with pytest.raises(InputError, match="cannot be corrected"):
        copper_resistance_at(1.0, 25.0, temperature_c)


@pytest.mark.parametrize("gauge", sorted(WIRE_TABLE))
def test_a_thousand_feet_of_wire_measured_warm_has_the_resistance_of_the_wire_table(gauge):
    # The wire: diameter by the AWG definition, resistivity 1/58 ohm mm2/m, alpha20 = 0.00393.
    diameter_mm = 0.127 * 92.0 ** ((36 - gauge) / 39)
    at_20 = 304.8 / 58.0 / (math.pi * diameter_mm**2 / 4.0)
    warm_c = 31.0
    warm = at_20 * (1.0 + 0.00393 * (warm_c - 20.0))
    current_a = math.sqrt(1e-6 / warm)
    pairs = (OnOffPair(3e-6, warm * current_a + 3e-6, 3e-6, current_a),) * 4
    measured, _ = dc_resistance(
        ResistanceMeasurement("multimeter-on-off", pairs, warm_c, 0.5),
        multimeter=multimeter_accuracy("6.5-digit"),
        supply=supply_accuracy("1mV-0.1mA", {"current_offset": "1 nA", "current_step": "1 nA"}),
        impedance=None,
        supply_leads_ohm=None,
    )
    cold = at_temperature(measured, 20.0)
    assert cold.value == pytest.approx(WIRE_TABLE[gauge], rel=1e-3)
