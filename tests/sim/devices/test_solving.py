"""Every device with every kind of fault in random circuits: Newton always arrives.

Does not cover whether the solution is right (ngspice does that), nor movement in time.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from sim.circuit import (
    GROUND,
    CircuitError,
    CurrentSource,
    Element,
    Series,
    Shunt,
    System,
    solve,
)
from sim.physics.devices import mosfet_faults as fet
from sim.physics.devices import stage_faults as stage
from sim.physics.devices.elements import Channel, Conduction
from sim.physics.devices.files import device_construction, device_names
from sim.physics.devices.laws import channel, diode, ohmic
from sim.physics.devices.load import Load, RailShort
from sim.physics.devices.mosfet import Mosfet
from sim.physics.devices.population import AnyDevice, AnyFault, build, with_fault
from sim.physics.devices.stage_truth import LogicUnsettledError, settle

Draw = Callable[[float, float], float]


def a_fault(part: AnyDevice, rng: np.random.Generator, log: Draw) -> AnyFault | None:
    """Draw one of all faults, or none."""
    even = rng.uniform
    if isinstance(part, Load):
        return (None, RailShort(log(2e-3, 1e3)))[rng.integers(2)]
    if isinstance(part, Mosfet):
        path = str(rng.choice(fet.PATHS))
        some: tuple[AnyFault | None, ...] = (
            None,
            fet.HardShort(str(rng.choice((*fet.PATHS, fet.ALL))), log(2e-3, 2)),
            fet.OhmicLeak(path, log(10, 1e7)),
            fet.SoftLeak(log(3e-7, 1e-3), even(2, 5)),
            fet.WeakGate(log(3e-8, 3e-4), even(2.5, 6), log(0.1, 10)),
            fet.HighOnResistance(even(1.12, 2.5)),
            fet.ThresholdShift(even(-0.8, 0.8)),
            fet.LowBreakdown(even(0.3, 0.8)),
            fet.OpenTerminal(str(rng.choice(("drain", "source", "gate")))),
        )
        return some[rng.integers(len(some))]
    side = str(rng.choice(stage.SHORT_PATHS))
    drives = [stage.StuckOutput("high"), stage.StuckOutput("low"), stage.StuckOutput("off")]
    others: tuple[AnyFault | None, ...] = (
        None,
        stage.StageShort(side, log(2e-3, 2)),
        stage.StageLeak(str(rng.choice(stage.LEAK_PATHS)), log(1e3, 1e7)),
        drives[rng.integers(3)],
        stage.LiftedBond(str(rng.choice(stage.BONDS)), log(5e-4, 1e11)),
        stage.BootstrapOpen(),
        stage.BootstrapLeak(log(1e3, 1e6)),
        stage.UndervoltageShift(even(-1, 1)),
        stage.StageHighOnResistance(side, even(1.2, 2.5)),
    )
    return others[rng.integers(len(others))]


def a_bench(part: AnyDevice, rng: np.random.Generator, log: Draw) -> list[Element]:
    """Join each terminal to a resistor, a source, a current, or to a fixture's leakage only."""
    elements: list[Element] = []
    for pin in part.terminals:
        kind = rng.integers(5)
        if kind == 0:
            elements.append(Series(f"r{pin}", pin, GROUND, log(1e-3, 1e7)))
        elif kind == 1:
            volts = rng.uniform(-40, 40)
            elements.append(Series(f"v{pin}", pin, GROUND, log(1e-3, 1e7), volts=volts))
        elif kind == 2:
            volts = rng.uniform(-5, 12)
            elements.append(Series(f"v{pin}", pin, GROUND, log(1e2, 1e7), volts=volts))
        elif kind == 3:
            amperes = float(rng.choice([-1, 1])) * log(1e-9, 5)
            elements.append(CurrentSource(f"i{pin}", pin, GROUND, amperes))
            elements.append(Series(f"r{pin}", pin, GROUND, log(1e-2, 1e3)))
        elements.append(Shunt(f"fixture{pin}", pin, GROUND, 1 / 5e11))
    return elements


def test_two_thousand_random_circuits_are_all_solved() -> None:
    rng = np.random.default_rng(20)

    def log(low: float, high: float) -> float:
        return float(math.exp(rng.uniform(math.log(low), math.log(high))))

    constructions = [device_construction(name) for name in device_names()]
    unsolved, restless, imbalance = [], 0, 0.0
    for number in range(2000):
        part = build("dut", constructions[rng.integers(len(constructions))])
        fault = a_fault(part, rng, log)
        if fault is not None:
            part = with_fault(part, fault)
        node = {pin: pin for pin in part.terminals}
        bench = a_bench(part, rng, log)
        celsius = rng.uniform(-10, 200)
        try:
            solution = settle(part, node, bench, celsius)
        except LogicUnsettledError:
            restless += 1  # an undervoltage lockout that hiccups: each of its circuits was solved
        except CircuitError as error:
            unsolved.append(f"{number}: {part.construction.name}, {fault}: {error}")
        else:
            # What the bench gives must go to ground through the bench: no device makes current.
            given = 0.0
            most = 1e-12
            for element in bench:
                if isinstance(element, CurrentSource):
                    flowing = -complex(element.amperes).real
                elif isinstance(element, Shunt):
                    flowing = element.siemens * solution.voltage_v(element.plus).real
                else:
                    flowing = solution.current_a(element.name).real
                given += flowing
                most = max(most, abs(flowing))
            imbalance = max(imbalance, abs(given) / most)
    print(
        f"2000 circuits: {len(unsolved)} not solved, {restless} whose logic never rests,"
        f" largest imbalance of currents {imbalance:.1e}"
    )
    assert not unsolved, "\n".join(unsolved)
    assert restless < 40
    assert imbalance < 1e-5


@pytest.mark.parametrize("amperes", [1e-9, 1e-3, 3.0, -1e-9, -3.0])
@pytest.mark.parametrize("gate_v", [0.0, 1.7, 4.5, 10.0])
def test_a_current_forced_through_any_part_finds_its_voltage(amperes: float, gate_v: float) -> None:
    for name in device_names():
        part = build("dut", device_construction(name))
        if not isinstance(part, Mosfet):
            continue
        sign = 1.0 if part.construction.polarity == "n" else -1.0
        elements = part.elements({"D": "d", "G": "g", "S": GROUND}, 25.0)
        elements += [
            CurrentSource("force", "d", GROUND, sign * amperes),
            Series("gate", "g", GROUND, 1e3, volts=sign * gate_v),
        ]
        solution = solve(elements)
        volts = sign * solution.voltage_v("d").real
        by_gate = -solution.voltage_v("g").real * solution.current_a("gate").real
        assert volts * amperes + by_gate > 0
        assert abs(volts) < 60


def test_a_pass_that_was_shortened_is_not_the_last() -> None:
    """A voltage source fixes the node at once; only the current still has to arrive."""
    part = Conduction("d", "a", GROUND, diode(1e-12, 0.026, 1e-3))
    solution = solve([part, Series("v", "a", GROUND, 0.0, volts=30.0)])
    assert -solution.current_a("v").real == pytest.approx((30.0 - 0.96) / 1e-3, rel=1e-3)


def test_the_small_signal_slope_is_that_of_the_last_rest() -> None:
    part = Conduction("d", "a", GROUND, diode(1e-12, 0.026, 1e-3))
    current = CurrentSource("i", "a", GROUND, 1e-3)
    solve([part, current])
    impedance = solve([part, CurrentSource("i", "a", GROUND, 1.0)], 1e3).voltage_v("a")
    assert impedance.real == pytest.approx(0.026 / 1e-3 + 1e-3, rel=1e-6)
    gate = Series("vg", "g", GROUND, 0.0, volts=3.0)
    switch = Channel("m", "d", "g", GROUND, channel(10.0, 1.3, 1.5, 0.0257))
    solve([switch, gate, Series("vd", "d", GROUND, 0.0, volts=0.01)])
    at_rest = channel(10.0, 1.3, 1.5, 0.0257)(3.0, 0.01)
    still = Series("vg", "g", GROUND, 0.0)
    body = Shunt("body", "d", GROUND, 1e-9)
    drive = CurrentSource("i", "d", GROUND, 1.0)
    seen = solve([switch, still, body, drive], 1e3).voltage_v("d")
    assert 1 / seen.real == pytest.approx(at_rest[2], rel=1e-9)


def test_an_insulating_law_carries_the_same_current_as_any_other() -> None:
    for insulating in (False, True):
        part = Conduction("r", "a", GROUND, ohmic(1e9), insulating=insulating)
        assert part.has_branch(0.0) is not insulating
        solution = solve([part, Series("v", "a", GROUND, 1e9, volts=2.0)])
        assert solution.voltage_v("a").real == pytest.approx(1.0, rel=1e-9)


def test_a_transconductance_is_stamped_between_any_nodes() -> None:
    class Source:
        name, nonlinear = "gm", False
        nodes = ("a", "b", "c", GROUND)

        def has_branch(self, frequency_hz: float) -> bool:
            return False

        def joins(self, frequency_hz: float) -> bool:
            return False

        def stamp(self, system: System, frequency_hz: float) -> None:
            system.transfer("a", "b", "c", GROUND, 2.0)

    loads = [Series(f"r{n}", n, GROUND, 1.0) for n in ("a", "b")]
    solution = solve([Source(), *loads, Series("v", "c", GROUND, 0.0, volts=0.5)])
    assert solution.voltage_v("a").real == pytest.approx(-1.0)
    assert solution.voltage_v("b").real == pytest.approx(1.0)
