"""A load behind a rail below its turn-on voltage: healthy, dead, or partly dead."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, Final

from sim.circuit import Element
from sim.physics.devices.device import Capacitance
from sim.physics.devices.elements import Conduction, resistor
from sim.physics.devices.laws import (
    REFERENCE_C,
    Law,
    constant_capacitance,
    mirrored,
    thermal_v,
    together,
)
from sim.physics.devices.load_construction import LoadConstruction, LoadScatter
from sim.physics.devices.mosfet import METAL_PER_K, junction_law

_ON_ABOVE_V: Final = 0.6
"""Above this the exponential goes on straight: gates there turn on, which is not modelled."""
_ALIVE, _DEAD = "alive", "dead"


@dataclass(frozen=True)
class RailShort:
    """Metal across the rail: a dead load, or a partly dead one when it is not far below it."""

    ohm: float
    name: ClassVar[str] = "short"
    paths: ClassVar[tuple[str, ...]] = ("rail-ground",)

    def __post_init__(self) -> None:
        if not self.ohm > 0:
            raise ValueError(f"ohm is {self.ohm}; it must be above zero")


def subthreshold(current_a: float, lowering: float, ideality: float, thermal: float) -> Law:
    """Make the law of very many transistors that are all off.

    I = I0 (1 - e^(-V/u)) e^(eta V/(n u)); straight below zero, where the clamps conduct, and
    above the turn-on voltage.
    """
    steep = lowering / (ideality * thermal)

    def formula(volts: float) -> tuple[float, float]:
        emptied = -math.expm1(-volts / thermal)
        lowered = math.exp(steep * volts)
        slope = lowered * ((1.0 - emptied) / thermal + steep * emptied)
        return current_a * emptied * lowered, current_a * slope

    highest = formula(_ON_ABOVE_V)

    def law(volts: float) -> tuple[float, float]:
        if volts <= 0.0:
            return current_a / thermal * volts, current_a / thermal
        if volts >= _ON_ABOVE_V:
            return highest[0] + highest[1] * (volts - _ON_ABOVE_V), highest[1]
        return formula(volts)

    return law


class Load:
    """What hangs on a rail, with terminals RAIL and GND."""

    terminals: tuple[str, ...] = ("RAIL", "GND")
    state: object = None

    def __init__(
        self,
        name: str,
        built: LoadConstruction,
        scatter: LoadScatter | None = None,
        fault: RailShort | None = None,
    ) -> None:
        self.name = name
        self.construction = built
        self.scatter = scatter or LoadScatter()
        self.fault = fault
        self.lowering = max(built.barrier_lowering + self.scatter.slope, 0.0)
        unit = subthreshold(1.0, self.lowering, built.ideality, thermal_v(REFERENCE_C))
        at_test, _ = unit(built.test_v)
        typical = built.test_v / built.resistance_ohm / at_test
        self.off_current_a = typical * math.exp(self.scatter.current)
        self.capacitance_f = built.capacitance_f * math.exp(self.scatter.capacitance)

    def with_fault(self, fault: RailShort | None) -> Load:
        """Give the same load with another fault."""
        return Load(self.name, self.construction, self.scatter, fault)

    def law(self, temperature_c: float = REFERENCE_C) -> Law:
        """Make the law of the sound part: transistors that are off, and clamp diodes."""
        built = self.construction
        current = self.off_current_a * 2.0 ** ((temperature_c - REFERENCE_C) / built.doubling_k)
        off = subthreshold(current, self.lowering, built.ideality, thermal_v(temperature_c))
        return together([off, mirrored(junction_law(built.clamp, temperature_c))])

    def current_a(self, volts: float, temperature_c: float = REFERENCE_C) -> float:
        """Give the current from rail to ground, with that of the short if there is one."""
        total, _ = self.law(temperature_c)(volts)
        return total + (volts / self._short_ohm(temperature_c) if self.fault else 0.0)

    def _short_ohm(self, temperature_c: float) -> float:
        ohm = self.fault.ohm if self.fault else math.inf
        return ohm * (1.0 + METAL_PER_K * (temperature_c - REFERENCE_C))

    def elements(self, node: Mapping[str, str], temperature_c: float) -> list[Element]:
        """Give the circuit of the load between its two nodes."""
        rail, ground = node["RAIL"], node["GND"]
        elements: list[Element] = [
            Conduction(f"{self.name}.off", rail, ground, self.law(temperature_c))
        ]
        if self.fault is not None:
            ohm = self._short_ohm(temperature_c)
            elements.append(resistor(f"{self.name}.short", rail, ground, ohm))
        return elements

    def capacitances(self) -> list[Capacitance]:
        """Give the capacitance of the rail."""
        return [("RAIL", "GND", constant_capacitance(self.capacitance_f))]

    def advance(self, volts: Mapping[str, float]) -> None:
        """Do nothing: below turn-on a load has no logic."""

    def truth(self) -> dict[str, Any]:
        """Tell whether the load is alive and what it truly reads at 25 C.

        `share_of_healthy` is its resistance over that of the same load without the short.
        """
        test_v = self.construction.test_v
        healthy, _ = self.law()(test_v)
        found = self.current_a(test_v)
        return {
            "disposition": _ALIVE if self.fault is None else _DEAD,
            "fault": None if self.fault is None else self.fault.name,
            "path": None if self.fault is None else self.fault.paths[0],
            "paths": () if self.fault is None else self.fault.paths,
            "resistance_ohm": test_v / found,
            "share_of_healthy": healthy / found,
            "exponent": math.log(self.current_a(0.3) / self.current_a(0.1)) / math.log(3.0),
        }
