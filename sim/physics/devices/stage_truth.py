"""What a power stage would read on a perfect bench at 25 C: its own circuit, solved."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from sim.circuit import GROUND, CurrentSource, Element, Series, Solution, solve
from sim.physics.devices.device import Device
from sim.physics.devices.laws import REFERENCE_C

if TYPE_CHECKING:
    from sim.physics.devices.stage import Stage

_SOURCE_OHM = 1e-6
_COMPLIANCE_OHM = 1e6
_CLOSED_BELOW_OHM = 1.0
_DIODE_A = 10e-3
_MOST_CHANGES = 12


class LogicUnsettledError(Exception):
    """The logic of a device goes back and forth: the circuit oscillates."""


def settle(
    device: Device,
    node: Mapping[str, str],
    others: Sequence[Element],
    temperature_c: float = REFERENCE_C,
) -> Solution:
    """Solve a device in its circuit at rest, letting its logic follow until nothing changes.

    Raises LogicUnsettledError when it never comes to rest, CircuitError as `solve` does.
    """
    for _ in range(_MOST_CHANGES):
        before = device.state
        solution = solve([*device.elements(node, temperature_c), *others])
        device.advance({pin: solution.voltage_v(node[pin]).real for pin in device.terminals})
        if device.state == before:
            return solution
    raise LogicUnsettledError(f"the logic still changes after {_MOST_CHANGES} solutions")


def _pins(part: Stage, tied: Mapping[str, str]) -> dict[str, str]:
    return {pin: tied.get(pin, pin.lower()) for pin in part.terminals}


def _source(node: str, volts: float) -> Series:
    return Series(f"to-{node}", node, GROUND, _SOURCE_OHM, volts=volts)


def _fresh(part: Stage) -> Stage:
    return part.with_fault(part.fault)


def high_side_leakage_a(part: Stage, volts: float, temperature_c: float = REFERENCE_C) -> float:
    """Give the current from VIN to SW, unpowered, SW guarded at ground."""
    tied = dict.fromkeys(("PGND", "VDRV", "EN", "PWM"), GROUND) | {"BOOT": "sw"}
    others = [_source("vin", volts), _source("sw", 0.0)]
    solution = settle(_fresh(part), _pins(part, tied), others, temperature_c)
    return solution.current_a("to-sw").real


def low_side_current_a(part: Stage, volts: float, temperature_c: float = REFERENCE_C) -> float:
    """Give the current from SW to PGND, unpowered, VIN and BOOT with SW; with the monitors'."""
    tied = dict.fromkeys(("PGND", "VDRV", "EN", "PWM"), GROUND) | {"BOOT": "sw", "VIN": "sw"}
    solution = settle(_fresh(part), _pins(part, tied), [_source("sw", volts)], temperature_c)
    return -solution.current_a("to-sw").real


def on_resistance_ohm(
    part: Stage, side: str, amperes: float, drive_v: float, temperature_c: float = REFERENCE_C
) -> float:
    """Give the resistance between the pins of the `high` or `low` side switch, turned on.

    Infinite when it does not turn on.
    """
    unit = _fresh(part)
    tied = {"PGND": GROUND, "EN": "vdrv"}
    if side == "high":
        tied |= {"SW": GROUND, "PWM": "vdrv"}
        driven = "vin"
    else:
        tied |= {"VIN": "sw", "PWM": GROUND}
        driven = "sw"
    node = _pins(part, tied)
    supply = _source("vdrv", drive_v)
    settle(unit, node, [supply, Series("idle", driven, GROUND, _COMPLIANCE_OHM)], temperature_c)
    drive = CurrentSource("drive", driven, GROUND, amperes)
    compliance = Series("compliance", driven, GROUND, _COMPLIANCE_OHM)
    loaded = solve([*unit.elements(node, temperature_c), supply, drive, compliance])
    ohm = loaded.voltage_v(driven).real / amperes
    return ohm if ohm < _CLOSED_BELOW_OHM else math.inf


def supply_current_a(
    part: Stage,
    drive_v: float,
    enable: bool,
    pwm: str = "open",
    temperature_c: float = REFERENCE_C,
) -> tuple[float, float]:
    """Give the current into VDRV and the voltage at PWM (`open`, `low` or `high`)."""
    tied = {"PGND": GROUND, "VIN": GROUND, "SW": GROUND, "EN": "vdrv" if enable else GROUND}
    if pwm != "open":
        tied["PWM"] = "pwm"
    node = _pins(part, tied)
    # EN has a source of its own, so that its pull-down does not count.
    node["EN"] = "en"
    others: list[Element] = [_source("vdrv", drive_v), _source("en", drive_v if enable else 0.0)]
    if pwm != "open":
        others.append(_source("pwm", drive_v if pwm == "high" else 0.0))
    solution = settle(_fresh(part), node, others, temperature_c)
    return -solution.current_a("to-vdrv").real, solution.voltage_v("pwm").real


def body_diode_v(
    part: Stage, side: str, amperes: float = _DIODE_A, temperature_c: float = REFERENCE_C
) -> float:
    """Give the forward voltage of the `high` or `low` side body diode, unpowered."""
    tied = dict.fromkeys(("VDRV", "EN", "PWM"), "pgnd") | {"BOOT": "sw"}
    tied["VIN" if side == "high" else "SW"] = GROUND
    if side == "low":
        tied["BOOT"] = GROUND
    driven = "sw" if side == "high" else "pgnd"
    drive = CurrentSource("drive", driven, GROUND, amperes)
    compliance = Series("compliance", driven, GROUND, _COMPLIANCE_OHM)
    solution = settle(_fresh(part), _pins(part, tied), [drive, compliance], temperature_c)
    return solution.voltage_v(driven).real


def true_values(part: Stage) -> dict[str, Any]:
    """Give the true values at the conditions of the declared limits, by name."""
    limits = part.construction.limits
    standby_a, _ = supply_current_a(part, limits.drive_v, enable=False)
    active_a, pwm_open_v = supply_current_a(part, limits.drive_v, enable=True)
    return {
        "high_side_leakage_a": high_side_leakage_a(part, limits.input_v),
        "low_side_current_a": low_side_current_a(part, limits.input_v),
        "high_side_ohm": on_resistance_ohm(part, "high", limits.current_a, limits.drive_v),
        "low_side_ohm": on_resistance_ohm(part, "low", limits.current_a, limits.drive_v),
        "high_side_diode_v": body_diode_v(part, "high"),
        "low_side_diode_v": body_diode_v(part, "low"),
        "standby_a": standby_a,
        "active_a": active_a,
        "pwm_open_v": pwm_open_v,
        "undervoltage_v": part.driver.undervoltage_rising_v,
        "undervoltage_falling_v": part.driver.undervoltage_falling_v,
        "input_monitor_ohm": part.driver.input_monitor_ohm,
        "output_monitor_ohm": part.driver.output_monitor_ohm,
    }
