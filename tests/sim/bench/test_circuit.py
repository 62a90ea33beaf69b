"""The nodal solver against closed forms of textbook circuits.

Does not cover the elements that instruments and wiring put in (test_wiring) nor time.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass

import pytest
from scipy.special import lambertw

from sim.circuit import (
    CircuitError,
    CurrentSource,
    Element,
    Impedance,
    Series,
    Shunt,
    System,
    solve,
)


def battery(volts: float, ohm: float = 0.0) -> Series:
    return Series("battery", "top", "0", ohm, 0.0, volts)


def test_a_divider_divides() -> None:
    found = solve([battery(10.0), Series("upper", "top", "tap", 3e3), Shunt("x", "tap", "0", 1e-3)])
    assert found.voltage_v("tap").real == pytest.approx(2.5, rel=1e-12)
    assert found.current_a("upper").real == pytest.approx(2.5e-3, rel=1e-12)
    # What flows through the battery from plus to minus is the negative of what it delivers.
    assert found.current_a("battery").real == pytest.approx(-2.5e-3, rel=1e-12)


def test_a_wheatstone_bridge_off_balance_has_the_textbook_voltage() -> None:
    arms = {"a": 1000.0, "b": 1010.0, "c": 990.0, "d": 1005.0}
    found = solve(
        [
            battery(5.0),
            Series("a", "top", "left", arms["a"]),
            Series("b", "left", "0", arms["b"]),
            Series("c", "top", "right", arms["c"]),
            Series("d", "right", "0", arms["d"]),
        ]
    )
    expected = 5.0 * (arms["b"] / (arms["a"] + arms["b"]) - arms["d"] / (arms["c"] + arms["d"]))
    assert found.voltage_v("left", "right").real == pytest.approx(expected, rel=1e-10)


def test_kelvin_sensing_does_not_see_the_leads() -> None:
    found = solve(
        [
            CurrentSource("source", "force+", "force-", 3.0),
            Series("lead+", "force+", "a", 0.2),
            Series("part", "a", "b", 0.5e-3),
            Series("lead-", "b", "force-", 0.3),
            Series("sense+", "sense+", "a", 1.0),
            Series("sense-", "b", "sense-", 1.0),
            Shunt("meter", "sense+", "sense-", 1e-7),
        ]
    )
    expected = 1.5e-3 / (1.0 + (2.0 + 0.5e-3) * 1e-7)
    assert found.voltage_v("sense+", "sense-").real == pytest.approx(expected, rel=1e-12)


def test_parts_of_a_circuit_that_float_are_solved_and_do_not_disturb_the_rest() -> None:
    alone = solve([battery(1.0), Series("r", "top", "0", 10.0)])
    together = solve(
        [
            battery(1.0),
            Series("r", "top", "0", 10.0),
            CurrentSource("other", "p", "q", 2.0),
            Shunt("other load", "p", "q", 0.5),
        ]
    )
    assert together.current_a("r") == pytest.approx(alone.current_a("r"), rel=1e-12)
    assert together.voltage_v("p", "q").real == pytest.approx(4.0, rel=1e-12)


def test_an_open_element_between_two_parts_carries_nothing() -> None:
    found = solve(
        [battery(1.0), Impedance("gap", "top", "island", complex(math.inf)),
         Series("r", "island", "far", 1.0)]
    )  # fmt: skip
    assert found.current_a("r") == 0.0


@pytest.mark.parametrize("frequency_hz", [50.0, 1591.5494309189535, 1e5])
def test_a_series_resonant_circuit_has_its_textbook_impedance(frequency_hz: float) -> None:
    ohm, henry, farad = 3.0, 1e-3, 10e-6
    omega = 2.0 * math.pi * frequency_hz
    found = solve(
        [
            CurrentSource("drive", "in", "0", 1.0),
            Series("rl", "in", "mid", ohm, henry),
            Shunt("c", "mid", "0", 0.0, farad),
        ],
        frequency_hz,
    )
    expected = ohm + 1j * omega * henry + 1.0 / (1j * omega * farad)
    assert found.voltage_v("in") == pytest.approx(expected, rel=1e-10, abs=1e-9)


def test_a_lossy_capacitor_has_the_phase_of_its_loss_tangent() -> None:
    drive = CurrentSource("d", "in", "0", 1.0)
    found = solve([drive, Shunt("c", "in", "0", 0.0, 1e-9, 0.02)], 1e4)
    assert math.tan(math.pi / 2 + cmath.phase(found.voltage_v("in"))) == pytest.approx(0.02)


def test_a_picosiemens_beside_a_milliohm_is_not_lost() -> None:
    # The tips of an open jig: the small series residual must not swallow the leakage.
    found = solve(
        [
            CurrentSource("d", "in", "0", 1.0),
            Series("lead", "in", "tip", 1e-3),
            Shunt("leak", "tip", "0", 1e-12),
        ]
    )
    assert found.voltage_v("in").real == pytest.approx(1e12, rel=1e-9)


@dataclass(frozen=True)
class Diode:
    """I = saturation (exp(V / thermal) - 1), stamped by its tangent."""

    name: str
    plus: str
    minus: str
    saturation_a: float
    thermal_v: float
    nonlinear: bool = True

    @property
    def nodes(self) -> tuple[str, ...]:
        return (self.plus, self.minus)

    def has_branch(self, frequency_hz: float) -> bool:
        return False

    def joins(self, frequency_hz: float) -> bool:
        return True

    def stamp(self, system: System, frequency_hz: float) -> None:
        # Above 0.9 V the tangent at 0.9 V keeps the first passes finite.
        present = min(system.present_v(self.plus, self.minus).real, 0.9)
        current = self.saturation_a * math.expm1(present / self.thermal_v)
        slope = (current + self.saturation_a) / self.thermal_v
        system.admit(self.plus, self.minus, slope)
        system.inject(self.plus, self.minus, slope * present - current)


def test_the_newton_loop_finds_the_operating_point_of_a_diode() -> None:
    # Corless et al., "On the Lambert W function" (1996): I = nV/R W(Is R/nV e^((V+IsR)/nV)) - Is.
    saturation_a, thermal_v, ohm, volts = 1e-12, 0.02585, 1e3, 5.0
    elements: list[Element] = [
        battery(volts),
        Series("r", "top", "anode", ohm),
        Diode("d", "anode", "0", saturation_a, thermal_v),
    ]
    found = solve(elements)
    argument = saturation_a * ohm / thermal_v * math.exp((volts + saturation_a * ohm) / thermal_v)
    expected = thermal_v / ohm * lambertw(argument).real - saturation_a
    assert found.current_a("r").real == pytest.approx(expected, rel=1e-9)


def test_two_sources_that_contradict_each_other_are_an_error() -> None:
    with pytest.raises(CircuitError, match="no unique solution"):
        solve([battery(1.0), Series("second", "top", "0", 0.0, 0.0, 2.0)])


def test_two_branches_of_one_name_are_an_error() -> None:
    with pytest.raises(CircuitError, match="battery"):
        solve([battery(1.0, 1.0), battery(2.0, 1.0)])
