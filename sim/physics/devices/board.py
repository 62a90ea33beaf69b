"""A board after a repair: stages, coils, load and input on one circuit, its controller in reset.

The stages' logic inputs are left alone (the middle state: both switches off), their enable pins
hang on the drivers' supply, and that comes from the input by the board's own regulator. Coils are
their resistance: nothing here moves within their microseconds.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from sim.circuit import Element, Series
from sim.physics.devices.board_construction import BoardConstruction
from sim.physics.devices.board_faults import (
    BoardFault,
    InputShort,
    LoadShort,
    PhaseFault,
    PoorJoint,
    SolderBridge,
)
from sim.physics.devices.device import Capacitance, told
from sim.physics.devices.elements import Conduction, resistor
from sim.physics.devices.laws import REFERENCE_C, Law, bias_cell, constant_capacitance
from sim.physics.devices.load import Load, RailShort
from sim.physics.devices.mosfet import METAL_PER_K
from sim.physics.devices.stage import Stage
from sim.physics.devices.stage_logic import Logic

BOOTSTRAP_F = 1e-6
_IDLE_KNEE_V, _IDLE_FROM_V = 0.8, 0.7
# A stage's own pins that have no line in the jig.
_INNER = ("VDRV", "BOOT", "PWM", "EN")


def _idle(current_a: float) -> Law:
    """Make the law of silicon on the input: nothing below a diode's voltage, then a current."""
    above = bias_cell(current_a, _IDLE_KNEE_V)
    return lambda volts: above(volts - _IDLE_FROM_V) if volts > _IDLE_FROM_V else (0.0, 0.0)


class Board:
    """A board with terminals VIN, RAIL, GND and a switch node for each phase."""

    def __init__(
        self,
        name: str,
        built: BoardConstruction,
        stages: Sequence[Stage],
        coils_ohm: Sequence[float],
        load: Load,
        fault: BoardFault | None = None,
    ) -> None:
        self.name = name
        self.construction = built
        self.fault = fault
        self.coils_ohm = tuple(coils_ohm)
        self.load = load.with_fault(RailShort(fault.ohm)) if isinstance(fault, LoadShort) else load
        self.stages = tuple(
            stage.with_fault(fault.fault)
            if isinstance(fault, PhaseFault) and fault.phase == number
            else stage
            for number, stage in enumerate(stages, start=1)
        )
        self.terminals = ("VIN", "RAIL", "GND", *(f"SW{n}" for n in self._phases()))
        #: nodes inside by name, which the logic of the stages looks at
        self.inner = {
            f"{pin}{n}": f"{name}.{pin.lower()}{'' if pin == 'VDRV' else n}"
            for n in self._phases()
            for pin in _INNER
        }

    def with_fault(self, fault: BoardFault | None) -> Board:
        """Give the same board, unpowered, with another fault; the old one must be none."""
        if self.fault is not None:
            raise ValueError(f"{self.name} has a fault already")
        return Board(self.name, self.construction, self.stages, self.coils_ohm, self.load, fault)

    def _phases(self) -> range:
        return range(1, len(self.stages) + 1)

    @property
    def state(self) -> tuple[Logic, ...]:
        """What the drivers' comparators say."""
        return tuple(stage.state for stage in self.stages)

    def advance(self, volts: Mapping[str, float]) -> None:
        """Let the comparators see the voltages at terminals and inner nodes; absent ones are 0."""
        for number, stage in enumerate(self.stages, start=1):
            seen = {pin: volts.get(f"{pin}{number}", 0.0) for pin in ("SW", *_INNER)}
            stage.advance({**seen, "VIN": volts["VIN"], "PGND": volts["GND"]})

    def _pins(self, number: int, node: Mapping[str, str]) -> dict[str, str]:
        return {
            "VIN": node["VIN"], "SW": node[f"SW{number}"], "PGND": node["GND"],
            **{pin: self.inner[f"{pin}{number}"] for pin in _INNER},
        }  # fmt: skip

    def elements(self, node: Mapping[str, str], temperature_c: float) -> list[Element]:
        """Give the circuit of the whole board."""
        built, fault = self.construction, self.fault
        warmer = 1.0 + METAL_PER_K * (temperature_c - REFERENCE_C)
        vin, rail, ground = node["VIN"], node["RAIL"], node["GND"]
        drive = self.inner["VDRV1"]
        found: list[Element] = [
            *self.load.elements({"RAIL": rail, "GND": ground}, temperature_c),
            Conduction(f"{self.name}.idle", vin, ground, _idle(built.idle_a)),
            resistor(f"{self.name}.regulator", vin, drive, built.regulator_ohm),
        ]
        for number, stage in enumerate(self.stages, start=1):
            pins = self._pins(number, node)
            found += stage.elements(pins, temperature_c)
            found.append(
                resistor(f"{self.name}.enable{number}", drive, pins["EN"], built.enable_ohm)
            )
            ohm = self.coils_ohm[number - 1] * warmer
            if isinstance(fault, PoorJoint) and fault.phase == number:
                ohm += fault.extra_ohm
            found.append(Series(f"{self.name}.coil{number}", pins["SW"], rail, ohm))
            if isinstance(fault, SolderBridge) and fault.phase == number:
                found.append(resistor(f"{self.name}.bridge", pins["SW"], rail, fault.ohm))
        if isinstance(fault, InputShort):
            found.append(resistor(f"{self.name}.input-short", vin, ground, fault.ohm))
        return found

    def capacitances(self) -> list[Capacitance]:
        """Give the capacitances of input, rail and drivers' supply, and those of the stages."""
        built = self.construction
        found: list[Capacitance] = [
            ("VIN", "GND", constant_capacitance(built.input_f)),
            ("VDRV1", "GND", constant_capacitance(built.drive_f)),
            *self.load.capacitances(),
        ]
        for number, stage in enumerate(self.stages, start=1):
            found.append((f"BOOT{number}", f"SW{number}", constant_capacitance(BOOTSTRAP_F)))
            names = {
                "VIN": "VIN", "PGND": "GND",
                **{pin: f"{pin}{number}" for pin in ("SW", *_INNER)},
            }  # fmt: skip
            found += [(names[one], names[other], law) for one, other, law in stage.capacitances()]
        return found

    def truth(self) -> dict[str, Any]:
        """Tell fault and true values at 25 C."""
        load = self.load.truth()
        return told(
            self.fault,
            resistance_ohm=load["resistance_ohm"],
            coils_ohm=self.coils_ohm,
        )
