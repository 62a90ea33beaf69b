"""MOSFETs: nominal values, temperature, faults, truth, capacitances.

Does not cover real parts: every value is invented. Temperature coefficients are common practice
without a source; here they are what the whole part shows, not what was put in.
"""

from __future__ import annotations

import math

import pytest

from sim.physics.devices.files import device_construction, device_names
from sim.physics.devices.mosfet import Mosfet
from sim.physics.devices.mosfet_construction import MosfetConstruction
from sim.physics.devices.mosfet_faults import (
    HardShort,
    HighOnResistance,
    LowBreakdown,
    MosfetFault,
    OhmicLeak,
    OpenTerminal,
    SoftLeak,
    ThresholdShift,
    WeakGate,
)
from sim.physics.devices.mosfet_truth import (
    body_diode_v,
    breakdown_v,
    drain_leakage_a,
    gate_leakage_a,
    on_resistance_ohm,
    threshold_v,
)

NAMES = [name for name in device_names() if name.startswith("trench")]
# Faults of switches in the words of the verdicts, and their paths.
PATHS = {"drain-source", "gate-source", "gate-drain"}


def fet(name: str = "trench-30v-5m", fault: MosfetFault | None = None) -> Mosfet:
    built = device_construction(name)
    assert isinstance(built, MosfetConstruction)
    return Mosfet("q", built, fault=fault)


@pytest.mark.parametrize("name", NAMES)
def test_the_typical_part_reads_its_typical_values(name: str) -> None:
    part = fet(name)
    built, truth = part.construction, part.truth()
    assert truth["drain_leakage_a"] == pytest.approx(built.drain_leakage_a, rel=0.01)
    assert truth["threshold_v"] == pytest.approx(built.threshold_v, abs=2e-3)
    for point in built.limits.on_resistance:
        found = truth["on_resistance_ohm"][point.gate_source_v]
        assert found == pytest.approx(point.typical_ohm, rel=0.01)
    diode = built.schottky or built.body
    assert truth["body_diode_v"][1e-3] == pytest.approx(diode.forward_v, abs=1e-3)
    # The leakage of a Schottky type is part of the 250 uA.
    assert truth["breakdown_v"] == pytest.approx(built.breakdown_v, rel=0.01)
    assert (truth["disposition"], truth["fault"], truth["path"]) == ("fit", None, None)


# Net -5.4 mV/K: VT itself -4.5 mV/K, the rest is weak inversion.
def test_the_threshold_falls_by_5_4_mv_per_kelvin() -> None:
    part = fet()
    slope = (threshold_v(part, 250e-6, 35.0) - threshold_v(part, 250e-6, 15.0)) / 20
    assert slope == pytest.approx(-5.4e-3, abs=0.15e-3)


# +0.44 %/K at 25 C.
@pytest.mark.parametrize("name", NAMES)
def test_the_on_resistance_rises_by_0_44_percent_per_kelvin(name: str) -> None:
    part = fet(name)
    hard = max(part.construction.limits.on_resistance, key=lambda point: point.gate_source_v)
    warm, cold = (on_resistance_ohm(part, hard.gate_source_v, 3.0, t) for t in (35.0, 15.0))
    middle = on_resistance_ohm(part, hard.gate_source_v, 3.0)
    assert (warm - cold) / 20 / middle == pytest.approx(0.44e-2, abs=0.05e-2)


# -2.3 mV/K at 1 mA, -1.9 mV/K at 100 mA.
@pytest.mark.parametrize(("amperes", "per_k"), [(1e-3, -2.3e-3), (0.1, -1.9e-3)])
def test_the_body_diode_is_a_thermometer(amperes: float, per_k: float) -> None:
    part = fet()
    slope = (body_diode_v(part, amperes, 35.0) - body_diode_v(part, amperes, 15.0)) / 20
    assert slope == pytest.approx(per_k, abs=0.1e-3)


# Doubling per 10 C is common practice, no source; each part has its own.
def test_leakage_doubles_by_the_parts_own_kelvins() -> None:
    part = fet()
    step = part.truth()["leakage_doubling_k"]
    cold, warm = drain_leakage_a(part, 24.0, 25.0), drain_leakage_a(part, 24.0, 25.0 + step)
    assert warm / cold == pytest.approx(2.0, rel=1e-3)


# +0.08 %/K.
def test_breakdown_rises_with_temperature() -> None:
    part = fet()
    assert breakdown_v(part, 250e-6, 75.0) / breakdown_v(part, 250e-6) == pytest.approx(
        1.04, abs=1e-3
    )


def test_a_square_law_gives_the_on_resistance_of_the_two_points() -> None:
    part = fet()
    own = part.parameters
    for gate_v in (4.5, 7.0, 10.0):
        overdrive = gate_v - own.threshold_v
        by_hand = own.drift_ohm + own.metal_ohm + 1 / (own.gain_a_per_v2 * overdrive)
        assert on_resistance_ohm(part, gate_v, 0.1) == pytest.approx(by_hand, rel=1e-3)


def test_a_schottky_type_leaks_microamperes_and_conducts_early_and_is_sound() -> None:
    truth, plain = fet("trench-30v-schottky").truth(), fet().truth()
    assert truth["disposition"] == "fit"
    assert 20e-6 < truth["drain_leakage_a"] < 200e-6
    assert truth["body_diode_v"][1e-3] < plain["body_diode_v"][1e-3] - 0.15
    # By hand at 0.2 V, source positive: above 300 ohm, below a kilohm it would be called short.
    assert 0.2 / -drain_leakage_a(fet("trench-30v-schottky"), -0.2) > 1e3


def test_a_gate_clamp_passes_microamperes_at_its_limit_and_milliamperes_above() -> None:
    part = fet("trench-20v-clamp")
    assert 1e-6 < gate_leakage_a(part, 8.0) < 10e-6
    assert gate_leakage_a(part, -8.0) == pytest.approx(-gate_leakage_a(part, 8.0), rel=1e-6)
    assert gate_leakage_a(part, 14.5) == pytest.approx(1e-3, rel=0.02)
    assert gate_leakage_a(part, -17.0) < -50e-3


@pytest.mark.parametrize("volts", [24.0, -0.4])
def test_a_p_channel_part_is_the_mirror_image(volts: float) -> None:
    part = fet("trench-p-30v-12m")
    magnitude = drain_leakage_a(part, volts)
    assert math.copysign(1, magnitude) == math.copysign(1, volts)
    assert part.truth()["threshold_v"] > 1.0
    terminals = {(first, second) for first, second, _ in part.capacitances()}
    assert terminals == {("G", "S"), ("S", "D"), ("G", "D")}


def test_a_healthy_gate_passes_2_8_times_the_current_at_twice_the_voltage() -> None:
    part = fet()
    ratio = gate_leakage_a(part, 10.0) / gate_leakage_a(part, 5.0)
    assert ratio == pytest.approx(2.8, abs=0.05)


FAULTS: list[tuple[MosfetFault, str, str]] = [
    (OhmicLeak("gate-source", 1e6), "leak", "gate-source"),
    (OhmicLeak("gate-drain", 1e6), "leak", "gate-drain"),
    (OhmicLeak("drain-source", 1e6), "leak", "drain-source"),
    (HardShort("drain-source", 0.02), "short", "drain-source"),
    (HardShort("gate-source", 0.02), "short", "gate-source"),
    (HardShort("all", 0.02), "short", "drain-source"),
    (HighOnResistance(1.3), "high-on-resistance", "drain-source"),
    (ThresholdShift(-0.4), "threshold-shift", "gate-source"),
    (WeakGate(1e-6, 4.0, 0.2), "weak-gate", "gate-source"),
    (SoftLeak(1e-5, 3.0), "leak", "drain-source"),
    (LowBreakdown(0.6), "low-breakdown", "drain-source"),
    (OpenTerminal("source"), "open", "drain-source"),
    (OpenTerminal("gate"), "open", "gate-source"),
]


@pytest.mark.parametrize(("fault", "name", "path"), FAULTS)
def test_each_fault_is_told_by_name_and_path(fault: MosfetFault, name: str, path: str) -> None:
    truth = fet(fault=fault).truth()
    assert (truth["disposition"], truth["fault"], truth["path"]) == ("unfit", name, path)
    assert set(truth["paths"]) <= PATHS
    assert path in truth["paths"]


def test_a_leak_adds_its_ohms_law_current() -> None:
    sound = drain_leakage_a(fet(), 24.0)
    leaking = drain_leakage_a(fet(fault=OhmicLeak("drain-source", 10e6)), 24.0)
    assert leaking - sound == pytest.approx(2.4e-6, rel=1e-6)
    assert gate_leakage_a(fet(fault=OhmicLeak("gate-drain", 1e6)), 10.0) == pytest.approx(
        10e-6, rel=1e-4
    )


def test_a_weak_gate_has_its_power_law_and_its_polarity() -> None:
    sound = fet()
    part = fet(fault=WeakGate(1e-6, 4.0, 0.2))
    more = {v: gate_leakage_a(part, v) - gate_leakage_a(sound, v) for v in (5.0, 10.0, -10.0)}
    assert more[10.0] == pytest.approx(1e-6, rel=1e-6)
    assert more[10.0] / more[5.0] == pytest.approx(16.0, rel=1e-6)
    assert more[-10.0] == pytest.approx(-0.2e-6, rel=1e-6)


def test_a_soft_leak_hides_at_low_voltage() -> None:
    sound, part = fet(), fet(fault=SoftLeak(1e-6, 4.0))
    assert drain_leakage_a(part, 24.0) - drain_leakage_a(sound, 24.0) == pytest.approx(1e-6)
    assert drain_leakage_a(part, 0.5) - drain_leakage_a(sound, 0.5) < 1e-12


def test_high_on_resistance_multiplies_what_the_part_had() -> None:
    sound, part = on_resistance_ohm(fet(), 10.0, 3.0), fet(fault=HighOnResistance(1.5))
    assert on_resistance_ohm(part, 10.0, 3.0) / sound == pytest.approx(1.5, rel=0.005)
    assert drain_leakage_a(part, 24.0) == pytest.approx(drain_leakage_a(fet(), 24.0), rel=1e-6)


def test_shifted_thresholds_and_low_breakdown_are_as_told() -> None:
    assert threshold_v(fet(fault=ThresholdShift(-0.4)), 250e-6) == pytest.approx(
        threshold_v(fet(), 250e-6) - 0.4, abs=1e-6
    )
    low = fet(fault=LowBreakdown(0.6))
    assert breakdown_v(low, 250e-6) == pytest.approx(0.6 * 34.5, rel=1e-4)
    assert drain_leakage_a(low, 24.0) > 1e-3


@pytest.mark.parametrize("path", ["drain-source", "gate-source", "all"])
def test_a_hard_short_is_its_resistance(path: str) -> None:
    part = fet(fault=HardShort(path, 0.5))
    if path != "gate-source":
        assert 0.05 / drain_leakage_a(part, 0.05) == pytest.approx(0.5, rel=1e-3)
    if path != "drain-source":
        assert 0.05 / gate_leakage_a(part, 0.05) == pytest.approx(0.5, rel=1e-3)


@pytest.mark.parametrize("terminal", ["drain", "source"])
def test_an_open_bond_conducts_neither_way(terminal: str) -> None:
    part = fet(fault=OpenTerminal(terminal))
    # What passes is the soot of the bond and the gate's own leakage.
    assert drain_leakage_a(part, 24.0) < 3e-9
    assert on_resistance_ohm(part, 10.0, 1e-6) > 1e6
    assert body_diode_v(part, 1e-6) > 5.0


@pytest.mark.parametrize(
    "make",
    [
        lambda: HardShort("source-gate", 1.0),
        lambda: HardShort("all", 0.0),
        lambda: OhmicLeak("all", 1e6),
        lambda: HighOnResistance(0.9),
        lambda: ThresholdShift(0.0),
        lambda: LowBreakdown(1.2),
        lambda: OpenTerminal("body"),
        lambda: WeakGate(1e-6, 0.5),
        lambda: SoftLeak(-1e-6, 2.0),
    ],
)
def test_a_fault_that_cannot_be_is_refused(make: type[MosfetFault]) -> None:
    with pytest.raises(ValueError, match=r"\w+"):
        make()


def test_capacitances_fall_with_the_drain_voltage() -> None:
    part = fet()
    farads = {(first, second): farad for first, second, farad in part.capacitances()}
    input_f = farads["G", "S"](0.0) + farads["D", "G"](24.0)
    assert 0.02 < farads["D", "G"](24.0) / input_f < 0.1
    assert farads["D", "S"](24.0) < 0.3 * farads["D", "S"](0.0)
    assert farads["G", "S"](10.0) == farads["G", "S"](0.0)
