"""The DC state of the circuit as a function of the voltage on the supply's output capacitor."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from sim.circuit import GROUND, Element, Series, solve
from sim.instruments.multimeter import COMPLIANCE_V, FOUR_WIRE, VOLTAGE, Multimeter
from sim.instruments.output_stage import Load
from sim.wiring import HOOKUP_RELAYS, OPEN_RELAY, SHORT_RELAY, Wiring


@dataclass(frozen=True, slots=True)
class Affine:
    """A quantity of a linear circuit: `at_zero` + `slope` times the capacitor's voltage."""

    at_zero: float = 0.0
    slope: float = 0.0

    def at(self, voltage_v: float) -> float:
        """Give the quantity at a voltage."""
        return self.at_zero + self.slope * voltage_v


@dataclass(frozen=True, slots=True)
class OperatingPoint:
    """Meter voltage, supply load, current through each relay and part, and the parts' resistances.

    An open winding counts as 0 ohm in `part_ohm`: it carries no current, and its losses are none.
    """

    meter_v: Affine
    load: Load
    relay_a: Mapping[int, Affine]
    part_a: Mapping[int, Affine]
    part_ohm: Mapping[int, float]

    def powers_w(self, voltage_v: float) -> dict[int, float]:
        """Give the losses of each part at a voltage of the capacitor."""
        return {
            relay: current.at(voltage_v) ** 2 * self.part_ohm[relay]
            for relay, current in self.part_a.items()
        }


def operating_point(
    wiring: Wiring,
    resistances_ohm: Mapping[int, float],
    multimeter: Multimeter | None,
    *,
    with_supply: bool,
    voltage_v: float,
    now_s: float,
    cores_ohm: Mapping[int, float] | None = None,
) -> OperatingPoint:
    """Solve the DC circuit at a moment; the resistances are those of the parts in the jig."""
    base = wiring.elements(resistances_ohm, now_s, dc=True, cores_ohm=cores_ohm)
    meter = multimeter.elements() if multimeter is not None else []
    finite = {r: ohm if math.isfinite(ohm) else 0.0 for r, ohm in resistances_ohm.items()}
    found = _solved(wiring, base, meter, multimeter, with_supply, finite)
    if multimeter is not None and multimeter.function != VOLTAGE:
        input_v = found.input_v.at(voltage_v)
        if input_v > COMPLIANCE_V:
            meter = multimeter.at_compliance()
            found = _solved(wiring, base, meter, multimeter, with_supply, finite)
    return found.point


@dataclass(frozen=True, slots=True)
class _Solved:
    point: OperatingPoint
    input_v: Affine


def _solved(
    wiring: Wiring,
    base: list[Element],
    meter: list[Element],
    multimeter: Multimeter | None,
    with_supply: bool,
    part_ohm: Mapping[int, float],
) -> _Solved:
    if with_supply:
        low = solve([*base, *meter, Series("capacitor", "SP", GROUND, 0.0, 0.0, 0.0)])
        high = solve([*base, *meter, Series("capacitor", "SP", GROUND, 0.0, 0.0, 1.0)])
    else:
        low = high = solve([*base, *meter])

    def voltage(plus: str, minus: str) -> Affine:
        first = low.voltage_v(plus, minus).real
        return Affine(first, high.voltage_v(plus, minus).real - first)

    def current(name: str) -> Affine:
        if name not in low.currents_a:
            return Affine()
        first = low.current_a(name).real
        return Affine(first, high.current_a(name).real - first)

    input_v = voltage("MH", "ML") if multimeter is not None else Affine()
    meter_v = input_v
    if multimeter is not None and multimeter.function == FOUR_WIRE:
        meter_v = voltage("XH", "XL")
    load = Load()
    if with_supply:
        # The capacitor's branch current flows into it, the load's flows out.
        into = current("capacitor")
        load = Load(-into.at_zero, max(-into.slope, 0.0))
    hookups = {r: current(f"relay-{r}") for r in wiring.closed if r in HOOKUP_RELAYS}
    parts = {
        r: current(f"part-{r}") for r in wiring.closed if r not in HOOKUP_RELAYS and r != OPEN_RELAY
    }
    point = OperatingPoint(
        meter_v=meter_v,
        load=load,
        relay_a={**hookups, **parts},
        part_a={r: part for r, part in parts.items() if r != SHORT_RELAY},
        part_ohm=part_ohm,
    )
    return _Solved(point, input_v)
