"""Coils at their terminals: nominal values, faults, bias, temperature, passivity.

Does not cover how like real coils the invented constructions are, nor the solver's digits
(test_ngspice.py).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sim.physics.coil import Coil
from sim.physics.conductors import foil_factors
from sim.physics.construction import Factors
from sim.physics.construction_file import construction, construction_names
from sim.physics.faults import (
    BadJoint,
    CrackedCore,
    Fault,
    FusedWinding,
    LossyCore,
    OpenWinding,
    ShortedTurn,
)
from sim.physics.population import draw_coil, draw_lot

SWEEP = np.geomspace(100, 5e6, 25)
NAMES = construction_names()
CORED = [name for name in NAMES if construction(name).material is not None]


def typical(name: str) -> Coil:
    return Coil(construction(name))


def test_the_constructions_that_the_bench_needs_are_there() -> None:
    assert {"moulded-470n", "moulded-4u7", "moulded-150n", "moulded-1u0"} <= set(NAMES)
    assert {"moulded-22u", "moulded-100u", "gapped-10u", "rod-10u", "air-220n"} <= set(NAMES)
    assert construction("moulded-470n").winding.turns == 4
    assert construction("moulded-4u7").winding.turns == 12
    assert construction("moulded-100u").winding.turns == 45


@pytest.mark.parametrize("name", NAMES)
def test_the_typical_coil_measures_its_nominal_values(name: str) -> None:
    coil = typical(name)
    nominal = coil.construction.nominal
    inductance = float(coil.inductance_h(nominal.frequency_hz))
    assert inductance == pytest.approx(nominal.inductance_h, rel=1e-9)
    assert coil.dc_resistance_ohm() == pytest.approx(nominal.dc_resistance_ohm, rel=1e-8)
    if nominal.saturation_a:
        left = coil.saturated_inductance_h(nominal.saturation_a) / nominal.inductance_h
        assert left == pytest.approx(1 - nominal.saturation_drop, rel=1e-7)


@pytest.mark.parametrize("name", NAMES)
def test_the_impedance_ends_in_the_dc_resistance(name: str) -> None:
    coil = typical(name)
    slow = complex(coil.impedance_ohm(0.01))
    assert slow.real == pytest.approx(coil.dc_resistance_ohm(), rel=1e-5)


# IEC 60034-1, constant 235: the ratio of copper from 25 C to 100 C is 335/260.
@pytest.mark.parametrize("name", NAMES)
def test_the_resistance_follows_copper(name: str) -> None:
    coil = typical(name)
    ratio = coil.dc_resistance_ohm(100) / coil.dc_resistance_ohm(25)
    assert ratio == pytest.approx(335 / 260, rel=1e-7)


def test_a_bad_joint_does_not_follow_copper() -> None:
    coil = typical("moulded-470n").with_fault(BadJoint(extra_ohm=1e-3))
    assert coil.dc_resistance_ohm(100) == pytest.approx(1e-3 + 1.5e-3 * 335 / 260, rel=1e-7)


def test_a_sweep_is_the_same_as_its_points() -> None:
    coil = typical("moulded-4u7").with_fault(ShortedTurn((3, 4), 0.05))
    swept = coil.impedance_ohm(SWEEP.reshape(5, 5), bias_a=2.0, temperature_c=40)
    single = [coil.impedance_ohm(f, bias_a=2.0, temperature_c=40) for f in SWEEP]
    assert swept.shape == (5, 5)
    assert np.abs(swept.ravel() / np.array(single) - 1).max() < 1e-12


@pytest.mark.parametrize("frequency", [0.0, -1.0, float("nan"), float("inf")])
def test_a_frequency_that_is_none_is_refused(frequency: float) -> None:
    with pytest.raises(ValueError, match="above 0 Hz"):
        typical("moulded-470n").impedance_ohm([1e5, frequency])


# Closed form of a shorted branch: the turn and the contact in parallel.
def test_a_shorted_turn_takes_its_share_of_the_dc_resistance() -> None:
    coil = typical("moulded-470n")
    turn = coil.construction.turn_resistance_ohm[1]
    shorted = coil.with_fault(ShortedTurn((2, 3), 0.5e-3))
    expected = 1.5e-3 - turn + turn * 0.5e-3 / (turn + 0.5e-3)
    assert shorted.dc_resistance_ohm() == pytest.approx(expected, rel=1e-7)


# Coupled coils: a loop takes (sum of its mutual impedances)^2 / (its own + contact) from Z
# (Terman, Radio Engineers' Handbook, 1943), here with next to no capacitance.
@pytest.mark.parametrize("contact_ohm", [5e-4, 0.05, 0.5, 10])
def test_a_shorted_turn_is_a_coupled_coil(contact_ohm: float) -> None:
    built = construction("moulded-4u7")
    bare = replace(built.insulation, turn_turn_f=0.0, turn_core_f=1e-21, terminal_f=0.0)
    coil = Coil(replace(built, insulation=replace(bare, turn_core_ohm=1e15)))
    frequency = np.array([1e3, 1e5, 1e6])
    matrix = coil.branch_impedance_ohm(frequency)
    loop = matrix[:, 5, :].sum(axis=1) ** 2 / (matrix[:, 5, 5] + contact_ohm)
    expected = matrix.sum(axis=(1, 2)) - loop
    found = coil.with_fault(ShortedTurn((5, 6), contact_ohm)).impedance_ohm(frequency)
    assert np.abs(found / expected - 1).max() < 1e-9


# Dowell, Proc. IEE 113 (1966) 1387, through the whole coil: four layers, the field zero inside.
def test_a_layered_coil_has_the_resistance_of_its_layers() -> None:
    built = construction("moulded-1u0")
    assert built.material is not None
    layered = replace(
        built,
        winding=replace(built.winding, layers=4, rows=2, mean_radius_m=40e-3),
        conductor=replace(built.conductor, far_share=0.0),
        material=replace(built.material, loss_angle_rad=0.0, relaxation_hz=1e15),
    )
    coil = Coil(layered)
    frequency = np.array([1e4])
    thickness = built.conductor.thickness_m
    resistivity = 1 / 58e6 * 260 / 255
    d = thickness * np.sqrt(np.pi * 1e4 * 4e-7 * np.pi / resistivity)
    skin = (np.sinh(2 * d) + np.sin(2 * d)) / (np.cosh(2 * d) - np.cos(2 * d))
    near = (np.sinh(d) - np.sin(d)) / (np.cosh(d) + np.cos(d))
    dowell = d * (skin + 2 / 3 * (16 - 1) * near)
    turns = coil.branch_impedance_ohm(frequency)[0, 1:, 1:].real.sum()
    # layers of different length share the current's field, not their resistance: 1 % at 80 mm
    assert turns / layered.turn_resistance_ohm.sum() == pytest.approx(dowell, rel=0.01)
    assert complex(foil_factors(1e4, thickness, resistivity)[0]).real == pytest.approx(d * skin)


@pytest.mark.parametrize("name", CORED)
def test_a_crack_leaves_the_inductance_that_was_asked_for(name: str) -> None:
    coil = typical(name)
    cracked = coil.with_fault(CrackedCore(inductance_share=0.6))
    ratio = float(cracked.inductance_h(1e5) / coil.inductance_h(1e5))
    assert ratio == pytest.approx(0.6, rel=1e-6)


def test_a_crack_cannot_take_more_than_the_flux_that_all_turns_share() -> None:
    coil = typical("moulded-470n")
    with pytest.raises(ValueError, match=r"keeps at least 26%.*5% was asked"):
        coil.with_fault(CrackedCore(inductance_share=0.05))


@pytest.mark.parametrize("name", CORED)
def test_a_lossy_core_shows_as_loss_and_not_as_inductance(name: str) -> None:
    coil = typical(name)
    lossy = coil.with_fault(LossyCore(4))
    loss = float(lossy.impedance_ohm(1e6).real / coil.impedance_ohm(1e6).real)
    assert 1.3 < loss < 4.1
    ratio = float(lossy.inductance_h(1e5) / coil.inductance_h(1e5))
    assert ratio == pytest.approx(1, abs=0.005)


def test_a_bad_joint_adds_the_share_that_was_asked_for() -> None:
    coil = typical("moulded-4u7")
    worse = coil.with_fault(BadJoint(factor=1.5))
    assert worse.dc_resistance_ohm() == pytest.approx(1.5 * coil.dc_resistance_ohm(), rel=1e-9)
    added = worse.impedance_ohm(1e6) - coil.impedance_ohm(1e6)
    assert complex(added).real == pytest.approx(8e-3, rel=0.02)


def test_an_open_winding_is_a_leak_with_a_capacitance() -> None:
    coil = typical("moulded-470n").with_fault(OpenWinding(1e7, 2))
    assert coil.dc_resistance_ohm() == pytest.approx(1e7, rel=0.02)
    impedance = complex(coil.impedance_ohm(1e5))
    assert impedance.imag < 0
    assert 0.5e-12 < -1 / (2 * np.pi * 1e5 * impedance.imag) < 20e-12


@pytest.mark.parametrize("name", NAMES)
def test_a_fused_winding_is_nearly_one_turn(name: str) -> None:
    coil = typical(name)
    fused = coil.with_fault(FusedWinding(1e-6, 0.3))
    one_turn = coil.construction.lead.resistance_ohm + coil.construction.turn_resistance_ohm[-1]
    assert fused.dc_resistance_ohm() == pytest.approx(one_turn, rel=0.02)
    assert float(fused.inductance_h(1e5)) < 0.3 * coil.construction.nominal.inductance_h


@pytest.mark.parametrize("name", CORED)
def test_bias_takes_inductance_and_never_gives_it_back(name: str) -> None:
    coil = typical(name)
    steps = np.linspace(0, 2, 21) * coil.construction.nominal.saturation_a
    inductance = [coil.saturated_inductance_h(bias) for bias in steps]
    assert (np.diff(inductance[:11]) < 0).all()
    assert (np.diff(inductance) <= 0).all()  # a ferrite far beyond is flat to the last digit
    assert coil.saturated_inductance_h(-steps[5]) == inductance[5]


def test_a_short_that_takes_the_direct_current_of_a_turn_takes_its_magnetising() -> None:
    coil = typical("moulded-470n")
    half = coil.with_fault(ShortedTurn((1, 3), 1e-9))
    drive = 20.0
    whole_drop = 1 - coil.saturated_inductance_h(drive) / coil.saturated_inductance_h(0)
    half_drop = 1 - half.saturated_inductance_h(drive) / half.saturated_inductance_h(0)
    assert half_drop < 0.6 * whole_drop


def test_an_air_coil_does_not_saturate_and_has_no_core_to_crack() -> None:
    coil = typical("air-220n")
    assert coil.saturated_inductance_h(100) == coil.saturated_inductance_h(0)
    for fault in (CrackedCore(flux_share=0.5), LossyCore(2)):
        with pytest.raises(ValueError, match="air-220n has no core"):
            coil.with_fault(fault)


def test_a_turn_that_is_not_there_is_refused() -> None:
    coil = typical("moulded-470n")
    coil.with_fault(ShortedTurn((4, 5), 1e-3))
    with pytest.raises(ValueError, match="has 4 turns"):
        coil.with_fault(ShortedTurn((4, 6), 1e-3))
    with pytest.raises(ValueError, match="has 4 turns"):
        coil.with_fault(OpenWinding(1e6, 5))


def test_faults_add_up_and_can_be_taken_away() -> None:
    coil = Coil(construction("moulded-470n"), Factors(inductance=1.05))
    faulty = coil.with_fault(BadJoint(extra_ohm=1e-3)).with_fault(ShortedTurn((1, 2), 0.05))
    assert [fault.name for fault in faulty.faults] == ["high-resistance-joint", "shorted-turn"]
    assert complex(faulty.healthy().impedance_ohm(1e5)) == complex(coil.impedance_ohm(1e5))


@pytest.mark.parametrize("name", NAMES)
def test_a_random_coil_with_any_fault_never_gives_power(name: str) -> None:
    built = construction(name)
    rng = np.random.default_rng(20260)
    turns = built.winding.turns
    for _ in range(4):
        coil = draw_coil(built, draw_lot(built, rng), rng)
        first = int(rng.integers(1, turns))
        faults: list[Fault] = [
            ShortedTurn((first, int(rng.integers(first + 1, turns + 2))), 10 ** rng.uniform(-5, 1)),
            FusedWinding(10 ** rng.uniform(-5, -1), rng.uniform(0, 0.8)),
            BadJoint(factor=1 + rng.uniform(0.05, 1)),
            OpenWinding(10 ** rng.uniform(3, 9), int(rng.integers(1, turns + 1))),
        ]
        if built.material is not None:
            faults += [CrackedCore(flux_share=rng.uniform(0, 1)), LossyCore(rng.uniform(1, 30))]
        for faulty in [coil, *(coil.with_fault(fault) for fault in faults)]:
            bias = rng.uniform(0, 1) * built.nominal.saturation_a
            impedance = faulty.impedance_ohm(SWEEP, bias_a=bias, temperature_c=rng.uniform(0, 90))
            assert (impedance.real > 0).all(), faulty.faults
            matrix = faulty.branch_impedance_ohm(SWEEP)
            assert (np.linalg.eigvalsh(matrix.real) > 0).all(), faulty.faults
            # magnetic energy: the conductors push out no more flux than there is
            assert (np.linalg.eigvalsh(matrix.imag) > 0).all(), faulty.faults
