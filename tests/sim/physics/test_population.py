"""Lots and units: within tolerance, as spread as declared, the same for the same stream.

Does not cover whether real populations look like this; the spreads are invented.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sim.physics.coil import Coil
from sim.physics.construction import FACTOR_NAMES
from sim.physics.construction_file import construction, construction_names
from sim.physics.faults import ShortedTurn
from sim.physics.population import draw_coil, draw_lot, within_tolerance

SEED = 7101


@pytest.mark.parametrize("name", construction_names())
@pytest.mark.parametrize("margin", [None, 0.0, 0.4])
def test_healthy_coils_are_within_tolerance_by_the_margin(name: str, margin: float | None) -> None:
    built = construction(name)
    rng = np.random.default_rng(SEED)
    nominal = built.nominal
    room = 1 - (built.margin if margin is None else margin)
    for _ in range(5):
        lot = draw_lot(built, rng, margin=margin)
        for _ in range(4):
            coil = draw_coil(built, lot, rng, margin=margin)
            inductance = float(coil.inductance_h(nominal.frequency_hz)) / nominal.inductance_h
            resistance = coil.dc_resistance_ohm() / nominal.dc_resistance_ohm
            assert abs(inductance - 1) <= room * nominal.inductance_tolerance
            assert abs(resistance - 1) <= room * nominal.dc_resistance_tolerance


def test_the_same_stream_gives_the_same_coils() -> None:
    built = construction("moulded-470n")
    coils = []
    for _ in range(2):
        rng = np.random.default_rng(SEED)
        coils.append(draw_coil(built, draw_lot(built, rng), rng))
    assert coils[0].factors == coils[1].factors


def test_the_fault_does_not_change_the_draw() -> None:
    built = construction("moulded-470n")
    lot = draw_lot(built, np.random.default_rng(SEED))
    healthy = draw_coil(built, lot, np.random.default_rng(1))
    fault = ShortedTurn((1, 2), 0.05)
    faulty = draw_coil(built, lot, np.random.default_rng(1), fault=fault)
    assert faulty.factors == healthy.factors
    assert faulty.faults == (fault,)


# The sd of 400 draws has a standard error of 3.5 %; the cut at the tolerance (here far out) takes
# next to nothing. Four standard errors.
def test_the_factors_are_as_spread_as_the_file_says() -> None:
    built = construction("moulded-4u7")
    wide = replace(
        built,
        nominal=replace(built.nominal, inductance_tolerance=1.0, dc_resistance_tolerance=1.0),
        margin=0.0,
    )
    rng = np.random.default_rng(SEED)
    lots = [draw_lot(wide, rng) for _ in range(400)]
    units = [draw_coil(wide, lots[0], rng) for _ in range(400)]
    for name in FACTOR_NAMES:
        lot_sd = np.std([np.log(getattr(lot.factors, name)) for lot in lots], ddof=1)
        unit_sd = np.std([np.log(getattr(unit.factors, name)) for unit in units], ddof=1)
        assert lot_sd == pytest.approx(built.lot_spread[name], rel=0.14)
        assert unit_sd == pytest.approx(built.unit_spread[name], rel=0.14)


def test_every_factor_that_varies_shows_at_the_terminals() -> None:
    built = construction("moulded-470n")
    typical = Coil(built)
    sweep = np.array([1e3, 1e5, 1e6, 5e6])
    for name in FACTOR_NAMES:
        assert built.lot_spread[name] > 0
        other = Coil(built, replace(typical.factors, **{name: 1.1}))
        before = typical.impedance_ohm(sweep, bias_a=10)
        after = other.impedance_ohm(sweep, bias_a=10)
        assert np.abs(after / before - 1).max() > 1e-4, name


def test_a_lot_of_another_construction_is_refused() -> None:
    rng = np.random.default_rng(SEED)
    lot = draw_lot(construction("moulded-470n"), rng)
    with pytest.raises(ValueError, match="a lot of moulded-470n holds no moulded-4u7"):
        draw_coil(construction("moulded-4u7"), lot, rng)


def test_a_tolerance_that_no_coil_meets_is_named_and_not_searched_for_ever() -> None:
    built = construction("air-220n")
    narrow = replace(built, nominal=replace(built.nominal, inductance_tolerance=1e-9))
    with pytest.raises(ValueError, match="widen the tolerance or narrow the spreads"):
        draw_lot(narrow, np.random.default_rng(SEED))


def test_within_tolerance_looks_at_both_values() -> None:
    built = construction("moulded-470n")
    good = Coil(built)
    assert within_tolerance(good, 0.9)
    assert not within_tolerance(Coil(built, replace(good.factors, inductance=1.3)))
    assert not within_tolerance(Coil(built, replace(good.factors, resistance=1.15)))
