"""The resistances by which a part shares current, taken from its verdict or its readings.

Copper and on-resistance are corrected by hand arithmetic. Does not cover whether the judge's
characteristics are right (test_judge_coil, test_judge_mosfet, test_judge_stage).
"""

from __future__ import annotations

import pytest

from labbench.judging.part_resistances import resistance_of_readings, resistances
from labbench.results import DcResistance, OnResistance, Readings, StageReading
from tests.shelf_records import characteristic


def test_a_coil_shares_by_its_dc_resistance_at_25_degrees() -> None:
    """By hand: (234.5 + 25) / (234.5 + 20) = 1.01965."""
    found = resistances([characteristic("dc-resistance", 1.5e-3, 6e-6, temperature_c=20.0)])
    assert set(found) == {"coil"}
    assert found["coil"].value_ohm == pytest.approx(1.5e-3 * 1.01965, rel=1e-5)
    assert found["coil"].u_ohm == pytest.approx(3e-6 * 1.01965, rel=1e-5)


def test_a_mosfet_shares_by_its_on_resistance_at_its_highest_gate_voltage() -> None:
    both = [
        characteristic("on-resistance", 6e-3, 2e-5, gate_source_v=4.5),
        characteristic("on-resistance", 4e-3, 2e-5, gate_source_v=10.0),
    ]
    assert resistances(both)["low_side"].value_ohm == pytest.approx(4e-3)
    assert resistances(both, gate_source_v=4.5)["high_side"].value_ohm == pytest.approx(6e-3)
    assert resistances(both, gate_source_v=6.0) == {}


def test_an_on_resistance_is_brought_to_25_degrees() -> None:
    """By hand: 0.44 % a kelvin, 10 K too warm: 4.4 % less."""
    warm = [characteristic("on-resistance", 4e-3, 2e-5, gate_source_v=10.0, temperature_c=35.0)]
    assert resistances(warm)["low_side"].value_ohm == pytest.approx(4e-3 * 0.956)


def test_a_stage_has_a_resistance_for_each_of_its_switches() -> None:
    found = resistances([
        characteristic("on-resistance-vin-sw", 6e-3, 3e-5),
        characteristic("on-resistance-sw-pgnd", 1.5e-3, 1e-5),
    ])  # fmt: skip
    assert found["high_side"].value_ohm == pytest.approx(6e-3)
    assert found["low_side"].value_ohm == pytest.approx(1.5e-3)


def test_what_was_not_measured_or_has_no_uncertainty_is_absent() -> None:
    assert resistances([
        characteristic("dc-resistance", None, None), characteristic("dc-resistance", 1e-3, None),
        characteristic("dc-resistance", -1e-6, 1e-5), characteristic("inductance", 1.0, 0.1, "H"),
    ]) == {}  # fmt: skip


def test_a_neighbour_that_was_measured_and_not_judged_gives_the_same() -> None:
    coil = Readings(
        "P1", "coil-470n",
        dc_resistance=DcResistance(1.5e-3, 3e-6, temperature_c=20.0, u_temperature_c=0.0),
    )  # fmt: skip
    found = resistance_of_readings(coil)["coil"]
    assert found.value_ohm == pytest.approx(1.5e-3 * 1.01965, rel=1e-5)
    assert found.u_ohm == pytest.approx(3e-6 * 1.01965, rel=1e-5)
    fet = Readings("P2", "nfet-30v-5m", on_resistance=(OnResistance(10.0, 3.0, 4e-3, 2e-5),))
    assert resistance_of_readings(fet)["low_side"].value_ohm == 4e-3
    assert resistance_of_readings(fet, gate_source_v=4.5) == {}
    stage = Readings("P3", "stage-25v-50a", stage=(
        StageReading("on-resistance", "sw-pgnd", 1.5e-3, "ohm", 1e-5),
        StageReading("short", "sw-pgnd", 5e3, "ohm", 10.0),
    ))  # fmt: skip
    assert set(resistance_of_readings(stage)) == {"low_side"}
    assert resistance_of_readings(Readings("P4", "coil-470n")) == {}
