"""A reduced study of inductance under direct current; the full one is results/bias.md.

Not covered: real cores, whose field laws nobody here has measured.
"""

from __future__ import annotations

import pytest

from tests.studies.bias import currents_a, study, table

SEED = 77


def test_the_currents_go_as_far_as_the_supply_and_back_to_none() -> None:
    assert currents_a(10.0, 1.0) == [0.0, 3.5, 7.0, 8.5, 10.0, 0.0]
    assert currents_a(10.0, 0.35) == [0.0, 1.75, 3.5, 0.0]


@pytest.mark.slow
def test_a_core_of_seven_tenths_shows_beside_siblings_from_a_third_of_its_current_on() -> None:
    (row,) = study("moulded-4u7", 60, SEED, (0.35,))
    assert row.found["siblings", 0.7] >= 0.97 * row.lots
    assert row.found["siblings", 0.5] == row.lots
    # of 60 sound parts at 1 % in all: two would be three times as many
    assert row.rejected["nominal"] <= 1
    assert row.rejected["siblings"] <= 1
    assert row.undecided["siblings"] <= 2
    assert row.type in table([row])


@pytest.mark.slow
def test_at_its_saturation_current_a_gapped_core_is_told_with_an_interval_that_holds() -> None:
    (row,) = study("gapped-10u", 40, SEED, (1.0,))
    assert row.found["siblings", 0.7] == row.lots
    assert row.rejected["siblings"] == 0
    assert row.classes_right == row.classes > 0
    # 95 % of 40, less three standard deviations of such a count
    assert row.held >= 0.85 * row.intervals > 30
