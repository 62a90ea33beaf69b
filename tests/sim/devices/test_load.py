"""Loads behind a rail: below turn-on, alive, dead and partly dead.

Does not cover a load that has turned on, nor real boards: the law is a model, its values invented.
"""

from __future__ import annotations

import math

import pytest

from sim.circuit import GROUND, Series, solve
from sim.physics.devices.files import device_construction, device_names
from sim.physics.devices.load import Load, RailShort, subthreshold
from sim.physics.devices.load_construction import LoadConstruction

NAMES = [name for name in device_names() if name.startswith("load")]


def load(name: str = "load-core", fault: RailShort | None = None) -> Load:
    built = device_construction(name)
    assert isinstance(built, LoadConstruction)
    return Load("l", built, fault=fault)


@pytest.mark.parametrize("name", NAMES)
def test_the_typical_load_reads_its_typical_resistance(name: str) -> None:
    part = load(name)
    truth = part.truth()
    assert truth["disposition"] == "alive"
    # The clamps, biased backwards, leak a little beside it.
    assert truth["resistance_ohm"] == pytest.approx(part.construction.resistance_ohm, rel=1e-5)
    assert truth["share_of_healthy"] == 1.0


# Healthy silicon below turn-on: exponent .35 to .75, a result of this model (metal: 1.00).
@pytest.mark.parametrize("name", NAMES)
def test_a_healthy_load_is_sublinear_and_a_short_is_not(name: str) -> None:
    assert 0.35 < load(name).truth()["exponent"] < 0.75
    ohm = load(name).construction.resistance_ohm / 100
    dead = load(name, RailShort(ohm)).truth()
    assert dead["exponent"] == pytest.approx(1.0, abs=0.01)
    assert (dead["disposition"], dead["fault"]) == ("dead", "short")


def test_a_partly_dead_load_is_the_short_beside_the_healthy() -> None:
    healthy = load().construction.resistance_ohm
    truth = load(fault=RailShort(healthy)).truth()
    assert truth["share_of_healthy"] == pytest.approx(0.5, rel=1e-6)
    assert 0.75 < truth["exponent"] < 0.98


# By hand: I = I0 (1 - e^(-V/u)) e^(eta V/(n u)).
def test_the_current_is_the_formula() -> None:
    law = subthreshold(0.02, 0.095, 1.42, 0.0257)
    for volts in (0.01, 0.1, 0.3, 0.5):
        by_hand = 0.02 * (1 - math.exp(-volts / 0.0257)) * math.exp(0.095 * volts / 1.42 / 0.0257)
        assert law(volts)[0] == pytest.approx(by_hand, rel=1e-12)
    assert law(-1e-9)[1] == pytest.approx(law(1e-9)[1], rel=1e-6)


def test_a_healthy_load_halves_its_resistance_in_14_kelvins_and_metal_gains_4_percent_in_10() -> (
    None
):
    part = load()
    ratio = part.current_a(0.1, 25.0 + part.construction.doubling_k) / part.current_a(0.1, 25.0)
    assert ratio == pytest.approx(2.0, rel=0.03)
    dead = load(fault=RailShort(2e-3))
    assert dead.current_a(0.1, 35.0) / dead.current_a(0.1) == pytest.approx(1 / 1.039, rel=5e-3)


def test_a_reversed_rail_meets_the_clamps() -> None:
    part = load()
    assert part.current_a(-0.6) < -0.5
    assert part.current_a(-0.6) > -60.0


@pytest.mark.parametrize("fault", [None, RailShort(0.05), RailShort(5e3)])
def test_the_circuit_carries_the_formulas_current(fault: RailShort | None) -> None:
    part = load("load-memory", fault)
    elements = part.elements({"RAIL": "r", "GND": GROUND}, 40.0)
    solution = solve([*elements, Series("v", "r", GROUND, 0.0, volts=0.2)])
    assert -solution.current_a("v").real == pytest.approx(part.current_a(0.2, 40.0), rel=1e-9)


def test_the_rails_capacitors_are_there() -> None:
    ((first, second, farad),) = load().capacitances()
    assert (first, second) == ("RAIL", "GND")
    assert farad(0.1) == pytest.approx(5e-3)


def test_a_short_of_no_resistance_is_refused() -> None:
    with pytest.raises(ValueError, match="above zero"):
        RailShort(0.0)
