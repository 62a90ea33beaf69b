"""One integrated power stage: two switches, their bonds, and the driver with all its pins."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from sim.circuit import Element, Series
from sim.physics.devices.device import Capacitance, told
from sim.physics.devices.elements import Channel, Conduction, resistor
from sim.physics.devices.laws import (
    REFERENCE_C,
    REFERENCE_K,
    Law,
    avalanche,
    bias_cell,
    channel,
    constant_capacitance,
    generation,
    junction_capacitance,
    kelvin,
    mirrored,
    ohmic,
    thermal_v,
    together,
)
from sim.physics.devices.mosfet import (
    BREAKDOWN_A,
    BREAKDOWN_PER_K,
    DRIFT_POWER,
    METAL_PER_K,
    MOBILITY_POWER,
    SURFACE_S,
    THRESHOLD_V_PER_K,
    junction_law,
)
from sim.physics.devices.stage_construction import (
    Bonds,
    DriverFigures,
    StageConstruction,
    StageScatter,
    SwitchFigures,
)
from sim.physics.devices.stage_faults import (
    HS_GATE,
    LS_GATE,
    SW_PGND,
    VIN_SW,
    BootstrapLeak,
    BootstrapOpen,
    LiftedBond,
    StageFault,
    StageHighOnResistance,
    StageLeak,
    StageShort,
    StuckOutput,
    UndervoltageShift,
)
from sim.physics.devices.stage_logic import Logic, drives
from sim.physics.devices.stage_truth import true_values

# Voltages over which the driver's currents come up (estimates).
_BOOT_KNEE_V = 1.0
_SUPPLY_KNEE_V = 2.0
_PIN_F = 8e-12
_DRIVER_F = 300e-12
_BOOT_F = 120e-12


def figures_of(
    built: StageConstruction, scatter: StageScatter | None = None
) -> tuple[SwitchFigures, SwitchFigures, DriverFigures, Bonds]:
    """Work out a unit: high side, low side, driver and bonds at 25 C."""
    off = scatter or StageScatter()
    resistance, metal = math.exp(off.on_resistance), math.exp(off.metal)
    leakage, monitor = math.exp(off.leakage), math.exp(off.monitor)
    supply, pull_down = math.exp(off.supply_current), math.exp(off.pull_down)

    def scattered(switch: SwitchFigures) -> SwitchFigures:
        body = replace(switch.body, forward_v=switch.body.forward_v + off.body_diode_v)
        return replace(
            switch,
            gain_a_per_v2=switch.gain_a_per_v2 / resistance,
            threshold_v=switch.threshold_v + off.threshold_v,
            drift_ohm=switch.drift_ohm * resistance,
            leakage_a=switch.leakage_a * leakage,
            breakdown_v=switch.breakdown_v * math.exp(off.breakdown),
            body=body,
        )

    typical = built.driver
    driver = replace(
        typical,
        undervoltage_rising_v=typical.undervoltage_rising_v + off.undervoltage_v,
        undervoltage_falling_v=typical.undervoltage_falling_v + off.undervoltage_v,
        enable_rising_v=typical.enable_rising_v + off.logic_v,
        enable_falling_v=typical.enable_falling_v + off.logic_v,
        high_rising_v=typical.high_rising_v + off.logic_v,
        high_falling_v=typical.high_falling_v + off.logic_v,
        low_rising_v=typical.low_rising_v + off.logic_v,
        low_falling_v=typical.low_falling_v + off.logic_v,
        asleep_a=typical.asleep_a * supply,
        standby_a=typical.standby_a * supply,
        active_a=typical.active_a * supply,
        boot_bias_a=typical.boot_bias_a * math.exp(off.boot_bias),
        pull_down_ohm=typical.pull_down_ohm * pull_down,
        enable_ohm=typical.enable_ohm * pull_down,
        pwm_upper_ohm=typical.pwm_upper_ohm * monitor,
        pwm_lower_ohm=typical.pwm_lower_ohm * monitor,
        input_monitor_ohm=typical.input_monitor_ohm * monitor,
        output_monitor_ohm=typical.output_monitor_ohm * monitor,
    )
    bonds = Bonds(
        built.bonds.input_ohm * metal,
        built.bonds.output_ohm * metal,
        built.bonds.ground_ohm * metal,
    )
    return scattered(built.high_side), scattered(built.low_side), driver, bonds


class Stage:
    """A power stage with terminals VIN, SW, PGND, VDRV, BOOT, PWM, EN, sound or with a fault."""

    terminals: tuple[str, ...] = ("VIN", "SW", "PGND", "VDRV", "BOOT", "PWM", "EN")

    def __init__(
        self,
        name: str,
        built: StageConstruction,
        scatter: StageScatter | None = None,
        fault: StageFault | None = None,
    ) -> None:
        self.name = name
        self.construction = built
        self.scatter = scatter or StageScatter()
        self.fault = fault
        high, low, driver, self.bonds = figures_of(built, scatter)
        if isinstance(fault, UndervoltageShift):
            driver = replace(
                driver,
                undervoltage_rising_v=driver.undervoltage_rising_v + fault.volts,
                undervoltage_falling_v=driver.undervoltage_falling_v + fault.volts,
            )
        self.high_side, self.low_side, self.driver = high, low, driver
        self._logic = Logic()

    def with_fault(self, fault: StageFault | None) -> Stage:
        """Give the same unit, unpowered, with another fault."""
        return Stage(self.name, self.construction, self.scatter, fault)

    @property
    def state(self) -> Logic:
        """What the driver's comparators say."""
        return self._logic

    @property
    def switches_on(self) -> tuple[bool, bool]:
        """Say whether the driver turns on the high side and the low side."""
        stuck = self.fault.drive if isinstance(self.fault, StuckOutput) else None
        return drives(self._logic, stuck)

    def advance(self, volts: Mapping[str, float]) -> None:
        """Let the comparators see the voltages at the terminals, against any common reference."""
        ground = volts["PGND"]
        self._logic = self._logic.seen(
            self.driver,
            drive_v=volts["VDRV"] - ground,
            enable_v=volts["EN"] - ground,
            pwm_v=volts["PWM"] - ground,
            boot_v=volts["BOOT"] - volts["SW"],
        )

    def elements(self, node: Mapping[str, str], temperature_c: float) -> list[Element]:
        """Give the circuit of the part, its switches as the logic now drives them."""
        inside = {
            pin: f"{self.name}.{what}"
            for pin, what in (("VIN", "input"), ("SW", "output"), ("PGND", "ground"))
        }
        pins = {**node, **inside}
        return [
            *self._bonds(node, inside, temperature_c),
            *self._switch("high", self.high_side, ("VIN", "SW"), pins, temperature_c),
            *self._switch("low", self.low_side, ("SW", "PGND"), pins, temperature_c),
            *self._drive(node, inside),
            *self._housekeeping(node, temperature_c),
            *self._fault_elements(node, inside),
        ]

    def _bonds(
        self, node: Mapping[str, str], inside: Mapping[str, str], temperature_c: float
    ) -> list[Element]:
        warmer = 1.0 + METAL_PER_K * (temperature_c - REFERENCE_C)
        elements: list[Element] = []
        for pin, ohm in (
            ("VIN", self.bonds.input_ohm),
            ("SW", self.bonds.output_ohm),
            ("PGND", self.bonds.ground_ohm),
        ):
            total = ohm * warmer
            if isinstance(self.fault, LiftedBond) and self.fault.pin == pin.lower():
                total += self.fault.extra_ohm
            name = f"{self.name}.bond-{pin.lower()}"
            elements.append(resistor(name, node[pin], inside[pin], total))
        return elements

    def _switch(
        self,
        side: str,
        figures: SwitchFigures,
        ends: tuple[str, str],
        pins: Mapping[str, str],
        temperature_c: float,
    ) -> list[Element]:
        drain, source = pins[ends[0]], pins[ends[1]]
        hotter, ratio = temperature_c - REFERENCE_C, kelvin(temperature_c) / REFERENCE_K
        path = VIN_SW if side == "high" else SW_PGND
        worse = 1.0
        if isinstance(self.fault, StageHighOnResistance) and self.fault.path == path:
            worse = self.fault.factor
        drift = figures.drift_ohm * worse * ratio**DRIFT_POWER
        conducting = channel(
            figures.gain_a_per_v2 / worse * ratio**MOBILITY_POWER,
            figures.ideality,
            figures.threshold_v + THRESHOLD_V_PER_K * hotter,
            thermal_v(temperature_c),
        )
        middle = f"{self.name}.{side}-drain"
        blocking = blocking_law(figures, self.construction.limits.input_v, temperature_c)
        return [
            Series(f"{self.name}.{side}-drift", drain, middle, drift),
            Channel(f"{self.name}.{side}-channel", middle, self._gate(side), source, conducting),
            Conduction(f"{self.name}.{side}-body", drain, source, blocking),
            resistor(
                f"{self.name}.{side}-pull-down",
                self._gate(side),
                source,
                self.driver.pull_down_ohm,
            ),
        ]

    def _gate(self, side: str) -> str:
        return f"{self.name}.{side}-gate"

    def _drive(self, node: Mapping[str, str], inside: Mapping[str, str]) -> list[Element]:
        """Give the driver's output resistances; unpowered it leaves the gates to the pull-downs."""
        if not self._logic.powered:
            return []
        elements: list[Element] = []
        rails = {"high": (node["BOOT"], inside["SW"]), "low": (node["VDRV"], inside["PGND"])}
        for side, on in zip(("high", "low"), self.switches_on, strict=True):
            rail = rails[side][0 if on else 1]
            ohm = self.driver.gate_on_ohm if on else self.driver.gate_off_ohm
            elements.append(resistor(f"{self.name}.{side}-drive", rail, self._gate(side), ohm))
        return elements

    def _housekeeping(self, pins: Mapping[str, str], temperature_c: float) -> list[Element]:
        """Give supply currents, bootstrap, logic inputs, monitors and the pins' clamp diodes.

        The driver has bonds of its own to PGND and SW, so these hang on the pins.
        """
        driver, logic = self.driver, self._logic
        current = driver.asleep_a
        if logic.powered:
            current = driver.active_a if logic.enabled else driver.standby_a
        clamp = mirrored(junction_law(driver.clamp, temperature_c))
        slower = 1.0 if logic.active else driver.pwm_asleep_factor

        def law(what: str, plus: str, minus: str, *laws: Law) -> Element:
            return Conduction(f"{self.name}.{what}", pins[plus], pins[minus], together(laws))

        def shunt(what: str, plus: str, minus: str, ohm: float) -> Element:
            return resistor(f"{self.name}.{what}", pins[plus], pins[minus], ohm)

        boot: list[Element] = []
        if not isinstance(self.fault, BootstrapOpen):
            charging = junction_law(driver.boot_diode, temperature_c)
            boot = [law("boot-diode", "VDRV", "BOOT", charging, ohmic(1.0 / SURFACE_S))]
        bias = bias_cell(driver.boot_bias_a, _BOOT_KNEE_V)
        return [
            *boot,
            law("supply", "VDRV", "PGND", bias_cell(current, _SUPPLY_KNEE_V), clamp),
            law("boot-bias", "BOOT", "SW", bias, clamp),
            law("pwm-clamp", "PWM", "PGND", clamp),
            law("en-clamp", "EN", "PGND", clamp),
            shunt("pwm-upper", "VDRV", "PWM", driver.pwm_upper_ohm * slower),
            shunt("pwm-lower", "PWM", "PGND", driver.pwm_lower_ohm * slower),
            shunt("en-pull-down", "EN", "PGND", driver.enable_ohm),
            shunt("input-monitor", "VIN", "PGND", driver.input_monitor_ohm),
            shunt("output-monitor", "SW", "PGND", driver.output_monitor_ohm),
        ]

    def _fault_elements(self, node: Mapping[str, str], inside: Mapping[str, str]) -> list[Element]:
        fault, pins = self.fault, {**node, **inside}
        if isinstance(fault, BootstrapLeak):
            return [resistor(f"{self.name}.boot-leak", pins["BOOT"], pins["SW"], fault.ohm)]
        if not isinstance(fault, StageShort | StageLeak):
            return []
        name = f"{self.name}.{fault.name}-{fault.path}"
        if fault.path in (HS_GATE, LS_GATE):
            side, source = ("high", "SW") if fault.path == HS_GATE else ("low", "PGND")
            return [resistor(name, self._gate(side), pins[source], fault.ohm)]
        one, _, other = fault.path.upper().partition("-")
        ends = (pins[one], pins[other or "PGND"])
        return [resistor(name, *ends, fault.ohm)]

    def capacitances(self) -> list[Capacitance]:
        """Give the capacitances between pins; the gates inside are held by the driver."""
        high = junction_capacitance(self.high_side.output_f, 0.45)
        low = junction_capacitance(self.low_side.output_f, 0.45)
        return [
            ("VIN", "SW", high),
            ("SW", "PGND", low),
            ("VDRV", "PGND", constant_capacitance(_DRIVER_F)),
            ("BOOT", "SW", constant_capacitance(_BOOT_F)),
            ("PWM", "PGND", constant_capacitance(_PIN_F)),
            ("EN", "PGND", constant_capacitance(_PIN_F)),
        ]

    def truth(self) -> dict[str, Any]:
        """Tell fault and true values at 25 C."""
        return told(self.fault, **true_values(self))


def blocking_law(figures: SwitchFigures, reference_v: float, temperature_c: float) -> Law:
    """Make the law of a switch that is off, drain to source."""
    hotter = temperature_c - REFERENCE_C
    leakage = figures.leakage_a * 2.0 ** (hotter / figures.doubling_k)
    breakdown = figures.breakdown_v * (1.0 + BREAKDOWN_PER_K * hotter)
    return together(
        [
            generation(leakage, reference_v, figures.leakage_exponent),
            avalanche(breakdown, figures.breakdown_ohm, BREAKDOWN_A),
            mirrored(junction_law(figures.body, temperature_c)),
        ]
    )
