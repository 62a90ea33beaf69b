"""A supply's output in time against closed forms and against a numeric integration.

Does not cover settings and readback errors (test_supply) nor the circuit that makes the load.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from sim.instruments.output_stage import Load, OutputStage, pass_time

STAGE = OutputStage(
    on=True,
    target_v=5.0,
    limit_a=1.0,
    trip_v=33.0,
    output_ohm=2e-3,
    sink_a=50e-3,
    farad=220e-6,
    bleeder_ohm=1e3,
)
OFF = replace(STAGE, on=False)


def test_with_the_output_off_the_voltage_decays_through_bleeder_and_load() -> None:
    load_ohm, seconds = 100.0, 30e-3
    passage = pass_time(OFF, Load(0.0, 1.0 / load_ohm), 12.0, seconds)
    tau = 220e-6 / (1.0 / load_ohm + 1.0 / 1e3)
    decay = math.exp(-seconds / tau)
    assert passage.voltage_v == pytest.approx(12.0 * decay, rel=1e-12)
    assert passage.integral_vs == pytest.approx(12.0 * tau * (1.0 - decay), rel=1e-12)


def test_a_millifarad_with_a_kilohm_needs_3_4_s_from_30_v_to_1_v() -> None:
    # RC discharge: 1 mF * 1 kohm * ln 30 = 3.401 s.
    stage = replace(OFF, farad=1e-3)
    assert pass_time(stage, Load(), 30.0, 3.401).voltage_v == pytest.approx(1.0, rel=1e-3)


def test_constant_current_charges_the_capacitor_in_a_straight_line() -> None:
    passage = pass_time(STAGE, Load(), 0.0, 0.5e-3)
    assert passage.voltage_v == pytest.approx(1.0 * 0.5e-3 / 220e-6, rel=1e-12)
    assert passage.integral_vs == pytest.approx(0.5 * passage.voltage_v * 0.5e-3, rel=1e-12)


@pytest.mark.parametrize(
    ("load_ohm", "mode", "volts"),
    [(10.0, "cv", 5.0 * 10.0 / 10.002), (5.01, "cv", 5.0 * 5.01 / 5.012), (2.0, "cc", 2.0)],
)
def test_the_load_decides_between_constant_voltage_and_constant_current(
    load_ohm: float, mode: str, volts: float
) -> None:
    passage = pass_time(STAGE, Load(0.0, 1.0 / load_ohm), 0.0, 1.0)
    assert passage.voltage_v == pytest.approx(volts, rel=1e-9)
    assert passage.stage.limits_current(passage.voltage_v) == (mode == "cc")
    regulator_a = passage.stage.regulator_a(passage.voltage_v)
    assert regulator_a == pytest.approx(volts / load_ohm, rel=1e-6)
    assert regulator_a <= STAGE.limit_a


def test_complementarity_voltage_below_target_only_while_the_current_is_at_its_limit() -> None:
    for load_ohm in np.geomspace(1e-3, 1e6, 91):
        passage = pass_time(STAGE, Load(0.0, 1.0 / load_ohm), 0.0, 10.0)
        short_v = (
            STAGE.target_v
            - passage.voltage_v
            - STAGE.output_ohm * STAGE.regulator_a(passage.voltage_v)
        )
        short_a = STAGE.limit_a - STAGE.regulator_a(passage.voltage_v)
        assert short_v >= -1e-9
        assert short_a >= -1e-9
        assert min(short_v, short_a) == pytest.approx(0.0, abs=1e-6)


def test_a_lower_setting_is_reached_by_sinking_50_ma() -> None:
    lower = replace(STAGE, target_v=1.0)
    # 220 uF from 5 V to about 1 V with 50 mA: 17.6 ms.
    assert pass_time(lower, Load(), 5.0, 10e-3).voltage_v == pytest.approx(
        5.0 - 50e-3 * 10e-3 / 220e-6, rel=1e-9
    )
    assert pass_time(lower, Load(), 5.0, 30e-3).voltage_v == pytest.approx(1.0, abs=1e-9)


def test_the_protection_switches_off_when_its_voltage_is_crossed() -> None:
    guarded = replace(STAGE, trip_v=3.0)
    crossed_s = 3.0 * 220e-6 / 1.0
    before = pass_time(guarded, Load(), 0.0, 0.999 * crossed_s)
    assert before.stage.on
    assert not before.tripped
    after = pass_time(guarded, Load(), 0.0, crossed_s + 0.1)
    assert after.tripped
    assert not after.stage.on
    assert after.voltage_v == pytest.approx(3.0 * math.exp(-0.1 / 0.22), rel=1e-6)


@pytest.mark.parametrize("load", [Load(), Load(0.0, 0.5), Load(-2e-3, 1e-7), Load(0.3, 0.05)])
@pytest.mark.parametrize("start_v", [0.0, 0.5, 4.9981, 5.0, 9.0])
def test_time_passes_as_a_numeric_integration_says(load: Load, start_v: float) -> None:
    soft = replace(STAGE, output_ohm=0.5)  # not stiff, so that the integration is trustworthy

    def slope(_: float, state: np.ndarray) -> list[float]:
        voltage = state[0]
        current = soft.regulator_a(voltage) - load.offset_a - load.siemens * voltage
        return [current / soft.farad, voltage]

    seconds = 7e-3
    found = solve_ivp(slope, (0.0, seconds), [start_v, 0.0], rtol=1e-10, atol=1e-12, max_step=2e-5)
    passage = pass_time(soft, load, start_v, seconds)
    assert passage.voltage_v == pytest.approx(found.y[0, -1], rel=1e-6, abs=1e-8)
    assert passage.integral_vs == pytest.approx(found.y[1, -1], rel=1e-6, abs=1e-10)


def test_time_in_many_steps_is_time_in_one_step() -> None:
    load, seconds = Load(0.0, 0.25), 3e-3
    voltage_v, integral_vs = 0.0, 0.0
    for _ in range(300):
        passage = pass_time(STAGE, load, voltage_v, seconds / 300)
        voltage_v, integral_vs = passage.voltage_v, integral_vs + passage.integral_vs
    once = pass_time(STAGE, load, 0.0, seconds)
    assert voltage_v == pytest.approx(once.voltage_v, rel=1e-9)
    assert integral_vs == pytest.approx(once.integral_vs, rel=1e-9)
