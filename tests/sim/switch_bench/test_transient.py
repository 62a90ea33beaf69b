"""A circuit moving in time, held against closed forms.

Does not cover devices (tests/sim/devices) nor the bench around the circuit (test_switch_bench.py).
"""

from __future__ import annotations

import math

import pytest

from sim.circuit import CurrentSource, Element, Series, Shunt, solve
from sim.instruments.output_stage import Load, OutputStage, pass_time
from sim.switch_elements import Regulator
from sim.transient import Capacitor, Transient


def going_on(_: float) -> bool:
    return False


def test_a_capacitor_discharges_along_the_exponential() -> None:
    circuit = Transient([Series("r", "a", "0", 1e3)], [Capacitor("a", "0", 220e-6)], {"a": 24.0})
    for ages in (1.0, 2.0, 3.0):
        circuit.pass_time(0.22, going_on)
        # Backward Euler lags: each step's share of the error is bounded, and they add up.
        assert circuit.voltage_v("a") == pytest.approx(24.0 * math.exp(-ages), rel=0.03 * ages)


def test_a_long_wait_ends_at_the_dc_solution_in_few_steps() -> None:
    elements = [Series("e", "p", "0", 0.01, 0.0, 10.0), Series("r", "p", "a", 1e5)]
    circuit = Transient(elements, [Capacitor("a", "0", 1e-9)], {})
    circuit.pass_time(1000.0, going_on)
    assert circuit.voltage_v("a") == pytest.approx(10.0, abs=1e-9)
    assert circuit.steps < 120
    before = circuit.passes
    circuit.pass_time(0.02, going_on)
    assert circuit.passes - before <= 2


def test_no_charge_is_lost_between_two_bent_capacitances() -> None:
    zero_f, built_in_v = 5e-9, 0.7

    def farad(volts: float) -> float:
        return float(zero_f / (1.0 + max(volts, 0.0) / built_in_v) ** 0.5)

    def charge_c(volts: float) -> float:  # the integral of the law above
        return 2.0 * built_in_v * zero_f * (math.sqrt(1.0 + volts / built_in_v) - 1.0)

    circuit = Transient(
        [Series("r", "a", "b", 1e4), Series("leak", "b", "0", 1e14)],
        [Capacitor("a", "0", farad), Capacitor("b", "0", farad)],
        {"a": 20.0},
    )
    circuit.pass_time(1.0, going_on)
    a, b = circuit.voltage_v("a"), circuit.voltage_v("b")
    assert a == pytest.approx(b, abs=1e-6)
    # The nodes' own tenth of a picofarad gives a little.
    assert charge_c(a) + charge_c(b) == pytest.approx(charge_c(20.0), rel=2e-4)


def test_a_capacitance_charges_linearly_from_a_constant_current() -> None:
    circuit = Transient(
        [CurrentSource("i", "a", "0", 1e-3), Series("r", "a", "0", 1e12)],
        [Capacitor("a", "0", 1e-6)],
        {},
    )
    circuit.pass_time(5e-3, going_on)
    assert circuit.voltage_v("a") == pytest.approx(5.0, rel=1e-4)


@pytest.mark.parametrize("ohm", [0.05, 2.0, 100.0, 1e5])
def test_a_supply_rises_as_the_exact_solution_of_its_output_stage_does(ohm: float) -> None:
    stage = OutputStage(
        on=True, target_v=5.0, limit_a=0.5, trip_v=33.0, output_ohm=2e-3, sink_a=50e-3,
        farad=220e-6, bleeder_ohm=1e3,
    )  # fmt: skip
    circuit = Transient(
        [Regulator("regulator", "p", "0", stage), Series("r", "p", "0", ohm)],
        [Capacitor("p", "0", stage.farad)],
        {},
    )
    exact_v = 0.0
    for step_s in (1e-4, 5e-4, 1e-3, 0.1):
        exact_v = pass_time(stage, Load(siemens=1.0 / ohm), exact_v, step_s).voltage_v
        circuit.pass_time(step_s, going_on)
        assert circuit.voltage_v("p") == pytest.approx(exact_v, rel=0.02, abs=1e-4)
    assert circuit.voltage_v("p") == pytest.approx(exact_v, rel=1e-6)


def test_a_supply_that_is_set_lower_sinks_no_more_than_its_limit() -> None:
    stage = OutputStage(
        on=True, target_v=0.0, limit_a=0.5, trip_v=33.0, output_ohm=2e-3, sink_a=50e-3,
        farad=220e-6, bleeder_ohm=1e3,
    )  # fmt: skip
    circuit = Transient(
        [Regulator("regulator", "p", "0", stage)], [Capacitor("p", "0", stage.farad)], {"p": 10.0}
    )
    circuit.pass_time(22e-3, going_on)  # half of C V / I
    assert circuit.voltage_v("p") == pytest.approx(5.0, rel=1e-3)
    circuit.pass_time(0.1, going_on)
    assert circuit.voltage_v("p") == pytest.approx(0.0, abs=1e-6)


def test_a_part_that_hangs_in_the_air_keeps_its_charge() -> None:
    circuit = Transient([], [Capacitor("a", "b", 1e-9)], {"a": 3.0})
    circuit.pass_time(0.01, going_on)
    assert circuit.voltage_v("a", "b") == pytest.approx(3.0, rel=0.02)


def test_nodes_that_only_lie_between_are_taken_out_and_come_back_right() -> None:
    # A way of four contacts with thermal voltages, a branch off its middle that reads nothing,
    # a leak of picosiemens, and a loop: held against the solver that takes nothing out.
    elements: list[Element] = [
        Series("source", "p", "0", 2e-3, 0.0, 12.0),
        Series("lead", "p", "a", 15e-3),
        Series("relay", "a", "b", 30e-3, 0.0, 1.5e-6),
        Series("plug", "b", "c", 8e-3, 0.0, -3e-6),
        Series("kelvin", "c", "x", 30e-6),
        Series("sense", "c", "s", 10e-3),
        Series("second-way", "a", "c", 50e-3),
        Series("part", "x", "0", 1e5),
        Shunt("leak", "s", "0", 1e-12),
        CurrentSource("bias", "s", "0", 50e-12),
    ]
    circuit = Transient(elements, [Capacitor("x", "0", 1e-12)], {})
    circuit.pass_time(100.0, going_on)
    expected = solve(elements)
    for node in "pabcsx":
        assert circuit.voltage_v(node) == pytest.approx(expected.voltage_v(node).real, rel=1e-12)
    for element in elements:
        if element.has_branch(0.0):
            found_a = circuit.current_a(element.name)
            expected_a = expected.current_a(element.name).real
            assert found_a == pytest.approx(expected_a, rel=1e-9, abs=1e-16)
