"""Budgets: lines, shares, what readings tell, and back from a journal.

Not covered: the influences themselves (test_impedance, test_resistance); how they are printed.
"""

from __future__ import annotations

import json
import math

import pytest

from labbench.metrology.accuracy import multimeter_accuracy, supply_accuracy
from labbench.metrology.budgets import (
    budget_from_json,
    budget_of,
    budget_to_json,
    budgets_of_readings,
    repeatability_of,
)
from labbench.metrology.resistance import dc_resistance
from labbench.results import (
    Contact,
    DcResistance,
    Estimate,
    Impedance,
    Influence,
    OnOffPair,
    Readings,
    ResistanceMeasurement,
)


def test_lines_come_largest_first_and_their_shares_add_up_to_one():
    estimate = Estimate(
        1.0, 0.05, "ohm", 12.0, (Influence("a", 0.03), Influence("b", 0.04), Influence("c", 0.0))
    )
    budget = budget_of(estimate, "resistance")
    assert [line.label for line in budget.lines] == ["b", "a", "c"]
    # 3-4-5: 16/25 and 9/25
    assert [line.share for line in budget.lines] == pytest.approx([0.64, 0.36, 0.0])
    # JCGM 100:2008, table G.2: t(12) = 2.18
    assert budget.expanded_uncertainty == pytest.approx(2.18 * 0.05, rel=2e-3)


def test_repeatability_is_what_more_pairs_take_out():
    def estimate(pairs):
        return dc_resistance(
            ResistanceMeasurement("multimeter-on-off", pairs, 23.0, 1.0, 0.1),
            multimeter=multimeter_accuracy("4.5-digit"), supply=supply_accuracy("1mV-1mA"),
            impedance=None, supply_leads_ohm=None,
        )[1]  # fmt: skip

    one = repeatability_of(estimate((OnOffPair(0.0, 4.5e-3, 0.0, 3.0),)))
    four = repeatability_of(estimate((OnOffPair(0.0, 4.5e-3, 0.0, 3.0),) * 4))
    assert four == pytest.approx(one / 2.0, rel=1e-6)


@pytest.mark.parametrize("dof", [7.0, math.inf])
def test_a_budget_survives_its_journal(dof):
    budget = budget_of(
        Estimate(1.5e-3, 2e-5, "ohm", dof, (Influence("where the probes touch", 2e-5),)),
        "dc-resistance", {"temperature_c": 25.0},
    )  # fmt: skip
    assert budget_from_json(json.loads(json.dumps(budget_to_json(budget)))) == budget


def test_readings_from_elsewhere_tell_gain_contact_and_the_rest():
    readings = Readings(
        specimen="D1", type="c",
        impedance=Impedance((1e5,), (0.03,), (0.29,), (1e-3,), (1e-3,), (2e-3,)),
        contact=Contact(3e-4, 5e-10),
        dc_resistance=DcResistance(1.5e-3, 1e-5, 23.0, 2.0),
    )  # fmt: skip
    resistance, inductance, dc = budgets_of_readings(readings)
    assert (resistance.name, inductance.name, dc.name) == (
        "resistance", "inductance", "dc-resistance",
    )  # fmt: skip
    lines = {line.label: line.u for line in resistance.lines}
    gain = 2e-3 * math.hypot(0.03, 0.29)
    assert lines["gain of the meter"] == pytest.approx(gain)
    assert lines["contacts of part and short"] == 3e-4
    assert lines["rest of the stated uncertainty"] == pytest.approx(
        math.sqrt(1e-6 - gain**2 - 9e-8)
    )
    assert dc.conditions == {"temperature_c": 25.0}
    # copper: 2 K of doubt at 23 degrees are 2/(234.5 + 23) of the value (IEC 60028, from memory)
    warmth = next(line for line in dc.lines if "temperature" in line.label)
    assert warmth.u == pytest.approx(1.5e-3 * 2.0 / 257.5, rel=0.02)


def test_what_was_not_measured_has_no_budget():
    over = Impedance((1e5,), (None,), (None,), (None,), (None,))
    assert budgets_of_readings(Readings("D1", "c", impedance=over)) == []
    assert budgets_of_readings(Readings("D1", "c")) == []
