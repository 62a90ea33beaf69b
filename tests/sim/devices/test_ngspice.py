"""The devices' circuits against ngspice at rest.

ngspice-39 (Debian) solves the same equations by its own Newton method, or its built-in level-1
transistor and diode where these are limits of ours. Does not cover whether real parts obey the
equations. Each test prints its largest difference.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from sim.circuit import GROUND, Element, Series, Shunt, solve
from sim.physics.devices.files import device_construction
from sim.physics.devices.mosfet import Mosfet
from sim.physics.devices.mosfet_construction import MosfetConstruction
from sim.physics.devices.mosfet_faults import HighOnResistance, MosfetFault, OhmicLeak
from sim.physics.devices.stage import Stage
from sim.physics.devices.stage_construction import StageConstruction
from sim.physics.devices.stage_faults import StageLeak
from tests.sim.devices import spice

pytestmark = pytest.mark.needs_ngspice
Run = Callable[..., list[float]]

NAMES = ("trench-30v-5m", "trench-25v-1m5", "trench-30v-schottky", "trench-20v-clamp")
P_CHANNEL = "trench-p-30v-12m"
LEAKS: dict[str, tuple[MosfetFault | None, str]] = {
    "good": (None, ""),
    "10 Mohm drain to source": (OhmicLeak("drain-source", 10e6), "rleak d s 10e6\n"),
    "1 Mohm gate to drain": (OhmicLeak("gate-drain", 1e6), "rleak g d 1e6\n"),
}


def fet(name: str, fault: MosfetFault | None = None, ideality: float | None = None) -> Mosfet:
    built = device_construction(name)
    assert isinstance(built, MosfetConstruction)
    if ideality is not None:
        built = replace(built, ideality=ideality)
    return Mosfet("q", built, fault=fault)


def ours(part: Mosfet, drain_v: float, gate_v: float, celsius: float = 25.0) -> tuple[float, float]:
    """Give drain and gate current, the source at zero."""
    elements: list[Element] = part.elements({"D": "d", "G": "g", "S": GROUND}, celsius)
    elements.append(Series("vd", "d", GROUND, 0.0, volts=drain_v))
    elements.append(Series("vg", "g", GROUND, 0.0, volts=gate_v))
    solution = solve(elements)
    return -solution.current_a("vd").real, -solution.current_a("vg").real


def sources(drain_v: float, gate_v: float) -> str:
    return f"vd d 0 {drain_v:.17g}\nvg g 0 {gate_v:.17g}\nvs s 0 0\n"


def rounding_a(part: Mosfet, volts: float) -> float:
    """Give what ngspice, which knows node voltages only, loses in the drain resistance."""
    return max(1e-12, 4e-16 * volts / part.resistances_ohm(25.0)[0])


def difference(found: float, expected: float, floor: float) -> float:
    """Give the relative difference beyond an absolute floor."""
    return max(abs(found - expected) - floor, 0.0) / abs(expected)


LEVEL_1_CASES: dict[str, tuple[MosfetFault | None, str]] = {
    **LEAKS,
    "twice the on-resistance": (HighOnResistance(2.0), ""),
}


# Study: 1e-12 to 1.4e-10 at these voltages. What is left is the tail of weak inversion,
# e^-((VGS - VT - VDS)/2u), so it needs a part with a low threshold.
@pytest.mark.parametrize("case", LEVEL_1_CASES)
def test_far_above_threshold_a_part_is_a_level_1_transistor(case: str, ngspice_dc: Run) -> None:
    fault, extra = LEVEL_1_CASES[case]
    part = fet("trench-20v-clamp", fault, ideality=1.0)
    netlist = spice.mosfet(part, 25.0, level_1=True) + extra
    if isinstance(fault, HighOnResistance):
        own = part.parameters
        healthy = own.drift_ohm + own.metal_ohm + 1 / (own.gain_a_per_v2 * (4.5 - own.threshold_v))
        netlist = netlist.replace("rd d di ", f"rmore d do {healthy:.17g}\nrd do di ")
    worst = 0.0
    for gate_v in (3.0, 4.5, 10.0):
        for drain_v in (0.005, 0.05, 0.2):
            found, _ = ours(part, drain_v, gate_v)
            (theirs,) = ngspice_dc(sources(drain_v, gate_v) + netlist, ["i(vd)"])
            worst = max(worst, difference(found, -theirs, 0.0))
    print(f"level 1, linear region, {case}: {worst:.1e}")
    assert worst < 1.4e-10


# Study: 4e-7, with gate and drain tied. The tail of weak inversion is 2 e^-x / x of the current,
# x = (VGS - VT)/2u: below 4e-7 from 0.7 V above VT on.
def test_a_saturated_part_is_a_level_1_transistor(ngspice_dc: Run) -> None:
    part = fet("trench-30v-5m", ideality=1.0)
    netlist = spice.mosfet(part, 25.0, level_1=True)
    worst = 0.0
    for over_v in (0.7, 1.0, 2.0):
        volts = part.parameters.threshold_v + over_v
        found, _ = ours(part, volts, volts)
        (theirs,) = ngspice_dc(sources(volts, volts) + netlist, ["i(vd)"])
        worst = max(worst, difference(found, -theirs, 0.0))
    print(f"level 1, saturated: {worst:.1e}")
    assert worst < 4e-7


# Study: 7.8e-6, which is ngspice's own k/q.
@pytest.mark.parametrize("name", ["trench-30v-5m", "trench-25v-1m5"])
def test_the_body_diode_is_a_diode_of_ngspice(name: str, ngspice_dc: Run) -> None:
    part = fet(name)
    netlist = spice.mosfet(part, 25.0, diode_model=True)
    worst = 0.0
    for volts in (-0.3, -0.4, -0.5, -0.6, -0.7, -0.9):
        found, _ = ours(part, volts, 0.0)
        (theirs,) = ngspice_dc(sources(volts, 0.0) + netlist, ["i(vd)"])
        worst = max(worst, difference(found, -theirs, 0.0))
    print(f"body diode of {name}: {worst:.1e}")
    assert worst < 3e-5


# Study: 2.2e-4 (absolute about 1 pA) on good parts, 1.6e-6 on leaking ones.
@pytest.mark.parametrize("case", LEAKS)
@pytest.mark.parametrize("name", NAMES)
def test_leakage_and_breakdown_are_those_of_ngspice(name: str, case: str, ngspice_dc: Run) -> None:
    fault, extra = LEAKS[case]
    part = fet(name, fault)
    worst = 0.0
    for celsius in (25.0, 45.0):
        netlist = spice.mosfet(part, celsius) + extra
        for volts in (1.0, 8.0, 0.8 * part.construction.limits.breakdown_v, 34.0):
            found, _ = ours(part, volts, 0.0, celsius)
            (theirs,) = ngspice_dc(sources(volts, 0.0) + netlist, ["i(vd)"], celsius=celsius)
            worst = max(worst, difference(found, -theirs, rounding_a(part, volts)))
    print(f"{name}, {case}: {worst:.1e}")
    assert worst < (2.2e-4 if fault is None else 1.6e-6)


# Study: 1e-5, gate and drain tied, from weak to strong inversion.
@pytest.mark.parametrize("name", NAMES)
def test_weak_to_strong_inversion_is_that_of_ngspice(name: str, ngspice_dc: Run) -> None:
    part = fet(name)
    worst = 0.0
    for celsius in (25.0, 45.0):
        netlist = spice.mosfet(part, celsius)
        for volts in (1.0, 1.3, 1.6, 2.0, 3.0):
            found, _ = ours(part, volts, volts, celsius)
            (theirs,) = ngspice_dc(sources(volts, volts) + netlist, ["i(vd)"], celsius=celsius)
            worst = max(worst, difference(found, -theirs, 1e-12))
    print(f"{name}, gate tied to drain: {worst:.1e}")
    assert worst < 1e-5


@pytest.mark.parametrize("name", [*NAMES, P_CHANNEL])
def test_gate_currents_are_those_of_ngspice(name: str, ngspice_dc: Run) -> None:
    part = fet(name)
    netlist = spice.mosfet(part, 25.0)
    worst = 0.0
    for volts in (-16.0, -10.0, -5.0, 5.0, 8.0, 16.0):
        _, found = ours(part, 0.0, volts)
        # Rounding in the milliohms between drain and source is above a femtoampere.
        (theirs,) = ngspice_dc(sources(0.0, volts) + netlist, ["i(vg)"], abstol=1e-12)
        worst = max(worst, difference(found, -theirs, 1e-15))
    print(f"gate of {name}: {worst:.1e}")
    assert worst < 1e-6


# A p-channel part with all signs turned.
@pytest.mark.parametrize(
    ("drain_v", "gate_v"), [(-24.0, 0.0), (-36.0, 0.0), (0.6, 0.0), (-0.02, -4.5), (-2.0, -2.0)]
)
def test_a_p_channel_part_is_that_of_ngspice(
    drain_v: float, gate_v: float, ngspice_dc: Run
) -> None:
    part = fet(P_CHANNEL)
    found, _ = ours(part, drain_v, gate_v)
    (theirs,) = ngspice_dc(sources(drain_v, gate_v) + spice.mosfet(part, 25.0), ["i(vd)"])
    assert found == pytest.approx(-theirs, rel=1e-5, abs=1e-12)


# Study: 1.5e-4 on good parts (nanoamperes), 1e-6 on leaking ones.
@pytest.mark.parametrize("case", LEAKS)
def test_a_part_behind_a_series_resistor_and_a_voltmeter_is_that_of_ngspice(
    case: str, ngspice_dc: Run
) -> None:
    fault, extra = LEAKS[case]
    part = fet("trench-30v-5m", fault)
    worst = 0.0
    for volts in (3.0, 24.0):
        elements: list[Element] = part.elements({"D": "d", "G": GROUND, "S": GROUND}, 25.0)
        elements.append(Series("supply", "p", GROUND, 2e-3, volts=volts))
        elements.append(Shunt("series", "p", "d", 1 / 100e3))
        elements.append(Shunt("meter", "p", "d", 1 / 10e6))
        found = solve(elements).voltage_v("p", "d").real
        netlist = (
            f"vs s 0 0\nvg g 0 0\nvp pi 0 {volts}\nrp pi p 2e-3\nrser p d 100e3\nrm p d 10e6\n"
        )
        (theirs,) = ngspice_dc(netlist + spice.mosfet(part, 25.0) + extra, ["v(p,d)"])
        worst = max(worst, difference(found, theirs, 1e-9))
    print(f"bench loop, {case}: {worst:.1e}")
    assert worst < (1.5e-4 if fault is None else 1e-6)


# Study: 2.4e-11 with the high side on, 1e-4 with the low side on.
@pytest.mark.parametrize(("side", "most"), [("high", 1e-9), ("low", 1e-4)])
def test_a_driven_half_bridge_with_a_leaking_gate_is_that_of_ngspice(
    side: str, most: float, ngspice_dc: Run
) -> None:
    built = device_construction("halfbridge-25v-50a")
    assert isinstance(built, StageConstruction)
    part = Stage("u", built, fault=StageLeak("hs-gate", 200.0))
    drive_v, boot_v, input_v = 5.0, 4.6, 0.5
    pwm_v = 5.0 if side == "high" else 0.0
    node = {pin: pin.lower() for pin in part.terminals} | {"PGND": GROUND}
    others: list[Element] = [
        Series("vvin", "vin", GROUND, 0.1, volts=input_v),
        Series("vdrv", "vdrv", GROUND, 0.0, volts=drive_v),
        Series("vboot", "boot", "sw", 0.0, volts=boot_v),
        Series("ven", "en", GROUND, 0.0, volts=drive_v),
        Series("vpwm", "pwm", GROUND, 0.0, volts=pwm_v),
        Series("load", "sw", GROUND, 0.1),
    ]
    part.advance({"VIN": 0.5, "SW": 0, "PGND": 0, "VDRV": 5, "BOOT": 4.6, "PWM": pwm_v, "EN": 5})
    assert part.switches_on == (side == "high", side == "low")
    solution = solve([*part.elements(node, 25.0), *others])
    driver, bonds = part.driver, part.bonds
    high_gate, low_gate = ("boot", "gi") if side == "high" else ("swi", "vdrv")
    high_ohm, low_ohm = driver.gate_on_ohm, driver.gate_off_ohm
    if side == "low":
        high_ohm, low_ohm = low_ohm, high_ohm
    x = f"v(boot,sw)*abs(v(boot,sw))/(1+v(boot,sw)^2)*{driver.boot_bias_a:.17g}"
    netlist = (
        f"vvin vii 0 {input_v}\nrvin vii vin 0.1\nvdrv vdrv 0 {drive_v}\nvboot boot sw {boot_v}\n"
        f"rload sw 0 0.1\n"
        f"rbi vin vi {bonds.input_ohm:.17g}\nrbo sw swi {bonds.output_ohm:.17g}\n"
        f"rbg 0 gi {bonds.ground_ohm:.17g}\n"
        f"rhg hg {high_gate} {high_ohm:.17g}\nrlg lg {low_gate} {low_ohm:.17g}\n"
        f"rhp hg swi {driver.pull_down_ohm:.17g}\nrlp lg gi {driver.pull_down_ohm:.17g}\n"
        f"rleak hg swi 200\nrmi vin 0 {driver.input_monitor_ohm:.17g}\n"
        f"rmo sw 0 {driver.output_monitor_ohm:.17g}\nbbias boot sw I={x}\nrsurface vdrv boot 2e13\n"
        + spice.diode("bd", "vdrv", "boot", driver.boot_diode, 25.0)
        + spice.diode("cl", "sw", "boot", driver.clamp, 25.0)
        + spice.switch("hs", ("vi", "hg", "swi"), part.high_side, built.limits.input_v)
        + spice.switch("ls", ("swi", "lg", "gi"), part.low_side, built.limits.input_v)
    )
    asked = ["v(sw)", "v(vin)", "i(vvin)", "i(vboot)", "v(hg,swi)", "v(lg)"]
    theirs = ngspice_dc(netlist, asked)
    found = [
        solution.voltage_v("sw").real,
        solution.voltage_v("vin").real,
        solution.current_a("vvin").real,
        solution.current_a("vboot").real,
        solution.voltage_v("u.high-gate", "u.output").real,
        solution.voltage_v("u.low-gate").real,
    ]
    worst = max(
        difference(one, other, 1e-12)
        for one, other in zip(found, theirs, strict=True)
        if abs(other) > 1e-6
    )
    print(f"half bridge, {side} side on: {worst:.1e}")
    assert worst < most
