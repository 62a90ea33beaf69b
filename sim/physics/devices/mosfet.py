"""One vertical MOSFET: channel, drift region, body diode, leakage, breakdown, gate."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

from sim.circuit import Element, Series, Shunt
from sim.physics.devices.device import Capacitance, told
from sim.physics.devices.elements import Channel, Conduction, resistor
from sim.physics.devices.laws import (
    REFERENCE_C,
    REFERENCE_K,
    Law,
    avalanche,
    channel,
    constant_capacitance,
    diode,
    generation,
    inverse_softplus,
    junction_capacitance,
    kelvin,
    mirrored,
    ohmic,
    power,
    saturation_at,
    saturation_for,
    thermal_v,
    together,
)
from sim.physics.devices.mosfet_construction import Junction, MosfetConstruction, Scatter
from sim.physics.devices.mosfet_faults import (
    ALL,
    DRAIN_SOURCE,
    GATE_DRAIN,
    GATE_SOURCE,
    HardShort,
    HighOnResistance,
    LowBreakdown,
    MosfetFault,
    OhmicLeak,
    OpenTerminal,
    SoftLeak,
    ThresholdShift,
    WeakGate,
)
from sim.physics.devices.mosfet_truth import true_values

# Temperature coefficients of silicon MOSFETs (common practice, no source).
THRESHOLD_V_PER_K: Final = -4.5e-3
MOBILITY_POWER: Final = -1.5
DRIFT_POWER: Final = 1.35
METAL_PER_K: Final = 0.0039
BREAKDOWN_PER_K: Final = 0.0008
BREAKDOWN_A: Final = 250e-6
GATE_REFERENCE_V: Final = 10.0
_GATE_EXPONENT: Final = 1.5
_CLAMP_A: Final = 1e-3
_SOURCE_SHARE: Final = 0.4
# Surface of a clean package between two of its pins (estimate).
SURFACE_S: Final = 1.0 / 2e13
_MILLIAMPERE: Final = 1e-3


@dataclass(frozen=True, slots=True)
class MosfetParameters:
    """What one unit is, at 25 C, magnitudes for either polarity."""

    gain_a_per_v2: float
    ideality: float
    threshold_v: float
    drift_ohm: float
    metal_ohm: float
    leakage_a: float
    leakage_exponent: float
    doubling_k: float
    breakdown_v: float
    breakdown_ohm: float
    gate_leakage_a: float
    body: Junction
    schottky: Junction | None
    clamp_v: float
    clamp_ohm: float
    gate_source_f: float
    gate_drain_f: float
    drain_source_f: float


def parameters_of(built: MosfetConstruction, scatter: Scatter | None = None) -> MosfetParameters:
    """Work out a unit: gain and series resistance from the two points of on-resistance.

    The channel's share falls as 1/(VGS - VT), so K = [1/(V1-VT) - 1/(V2-VT)]/(R1 - R2).
    """
    off = scatter or Scatter()
    soft, hard = sorted(built.limits.on_resistance, key=lambda point: point.gate_source_v)[:2]
    thermal = thermal_v(REFERENCE_C)
    threshold = built.threshold_v
    for _ in range(40):  # the threshold lies below VT by a little that depends on K: a fixed point
        by_soft = 1.0 / (soft.gate_source_v - threshold)
        by_hard = 1.0 / (hard.gate_source_v - threshold)
        gain = (by_soft - by_hard) / (soft.typical_ohm - hard.typical_ohm)
        root = (built.limits.threshold_a / (2 * built.ideality * gain * thermal**2)) ** 0.5
        below = 2 * built.ideality * thermal * inverse_softplus(root)
        threshold = built.threshold_v - below
    series = hard.typical_ohm - by_hard / gain
    if series <= built.metal_ohm:
        raise ValueError(
            f"metal: {built.metal_ohm:g} ohm is not below the {series:g} ohm that the two points"
            " of on-resistance leave for metal and drift region"
        )
    more = math.exp(off.on_resistance)
    grown = math.exp(off.capacitance)
    return MosfetParameters(
        gain_a_per_v2=gain / more,
        ideality=built.ideality,
        threshold_v=threshold + off.threshold_v,
        drift_ohm=(series - built.metal_ohm) * more,
        metal_ohm=built.metal_ohm * more,
        leakage_a=built.drain_leakage_a * math.exp(off.drain_leakage),
        leakage_exponent=built.leakage_exponent + off.leakage_exponent,
        doubling_k=built.doubling_k + off.doubling_k,
        breakdown_v=built.breakdown_v * math.exp(off.breakdown),
        breakdown_ohm=built.breakdown_ohm,
        gate_leakage_a=built.gate_leakage_a * math.exp(off.gate_leakage),
        body=replace(built.body, forward_v=built.body.forward_v + off.body_diode_v),
        schottky=built.schottky
        and replace(built.schottky, forward_v=built.schottky.forward_v + off.body_diode_v),
        clamp_v=built.clamp_v,
        clamp_ohm=built.clamp_ohm,
        gate_source_f=built.gate_source_f * grown,
        gate_drain_f=built.gate_drain_f * grown,
        drain_source_f=built.drain_source_f * grown,
    )


def junction_law(junction: Junction, temperature_c: float, power_of_t: float = 3.0) -> Law:
    """Make the forward law of a diode that is known by its voltage at 1 mA and 25 C."""
    at_reference = saturation_for(
        junction.forward_v,
        _MILLIAMPERE,
        junction.emission * thermal_v(REFERENCE_C),
        junction.series_ohm,
    )
    saturation = saturation_at(
        at_reference, junction.emission, junction.gap_v, temperature_c, power_of_t
    )
    slope = junction.emission * thermal_v(temperature_c)
    return diode(saturation, slope, junction.series_ohm)


class Mosfet:
    """A MOSFET with terminals D, S, G, sound or with a fault."""

    terminals: tuple[str, ...] = ("D", "S", "G")
    state: object = None

    def __init__(
        self,
        name: str,
        built: MosfetConstruction,
        scatter: Scatter | None = None,
        fault: MosfetFault | None = None,
    ) -> None:
        self.name = name
        self.construction = built
        self.scatter = scatter or Scatter()
        self.fault = fault
        sound = parameters_of(built, scatter)
        self.parameters = _with_fault(sound, fault)
        self._extra_ohm = 0.0
        if isinstance(fault, HighOnResistance):
            hard = max(built.limits.on_resistance, key=lambda point: point.gate_source_v)
            channel_ohm = 1 / (sound.gain_a_per_v2 * (hard.gate_source_v - sound.threshold_v))
            healthy = sound.drift_ohm + sound.metal_ohm + channel_ohm
            self._extra_ohm = (fault.factor - 1) * healthy

    def with_fault(self, fault: MosfetFault | None) -> Mosfet:
        """Give the same unit with another fault."""
        return Mosfet(self.name, self.construction, self.scatter, fault)

    def blocking_law(self, temperature_c: float) -> Law:
        """Make the law of the drain-source current with the channel off, in blocking polarity."""
        own = self.parameters
        hotter = temperature_c - REFERENCE_C
        leakage = own.leakage_a * 2.0 ** (hotter / own.doubling_k)
        breakdown = own.breakdown_v * (1.0 + BREAKDOWN_PER_K * hotter)
        laws = [
            generation(leakage, self.construction.limits.drain_source_v, own.leakage_exponent),
            avalanche(breakdown, own.breakdown_ohm, BREAKDOWN_A),
            mirrored(junction_law(own.body, temperature_c)),
            ohmic(1.0 / SURFACE_S),
        ]
        if own.schottky is not None:
            laws.append(mirrored(junction_law(own.schottky, temperature_c, power_of_t=2.0)))
        if isinstance(self.fault, SoftLeak):
            reference_v = self.construction.limits.drain_source_v
            laws.append(power(self.fault.current_a, reference_v, self.fault.exponent))
        return together(laws)

    def gate_law(self) -> Law:
        """Make the law of the gate-source current."""
        own = self.parameters
        laws = [power(own.gate_leakage_a, GATE_REFERENCE_V, _GATE_EXPONENT), ohmic(1.0 / SURFACE_S)]
        if own.clamp_v > 0:
            clamp = avalanche(own.clamp_v, own.clamp_ohm, _CLAMP_A)
            laws += [clamp, mirrored(clamp)]
        if isinstance(self.fault, WeakGate):
            fault = self.fault
            laws.append(power(fault.current_a, GATE_REFERENCE_V, fault.exponent, fault.polarity))
        return together(laws)

    def resistances_ohm(self, temperature_c: float) -> tuple[float, float]:
        """Give the resistance in series with drain and with source (bond, clip, drift region)."""
        own = self.parameters
        metal = own.metal_ohm * (1.0 + METAL_PER_K * (temperature_c - REFERENCE_C))
        drift = own.drift_ohm * (kelvin(temperature_c) / REFERENCE_K) ** DRIFT_POWER
        return drift + (1 - _SOURCE_SHARE) * metal + self._extra_ohm, _SOURCE_SHARE * metal

    def channel_figures(self, temperature_c: float) -> tuple[float, float, float, float]:
        """Give gain, ideality, VT and kT/q at a temperature."""
        own = self.parameters
        gain = own.gain_a_per_v2 * (kelvin(temperature_c) / REFERENCE_K) ** MOBILITY_POWER
        threshold = own.threshold_v + THRESHOLD_V_PER_K * (temperature_c - REFERENCE_C)
        return gain, own.ideality, threshold, thermal_v(temperature_c)

    def elements(self, node: Mapping[str, str], temperature_c: float) -> list[Element]:
        """Give the circuit of the part between its terminals' nodes."""
        named: list[Element] = []
        inner = {terminal: node[terminal] for terminal in self.terminals}
        if isinstance(self.fault, OpenTerminal):
            pin = self.fault.terminal[0].upper()
            inner[pin] = f"{self.name}.{pin.lower()}-bond"
            residual = 1.0 / self.fault.residual_ohm
            named.append(Shunt(f"{self.name}.broken-bond", node[pin], inner[pin], residual))
        drain, source, gate = inner["D"], inner["S"], inner["G"]
        drain_inside, source_inside = f"{self.name}.drain", f"{self.name}.source"
        drain_ohm, source_ohm = self.resistances_ohm(temperature_c)
        sign = 1.0 if self.construction.polarity == "n" else -1.0

        blocking = self.blocking_law(temperature_c)

        def between(what: str, high: str, low: str, law: Law, *, insulating: bool) -> Element:
            plus, minus = (high, low) if sign > 0 else (low, high)
            return Conduction(f"{self.name}.{what}", plus, minus, law, insulating=insulating)

        named += [
            Series(f"{self.name}.drain-resistance", drain, drain_inside, drain_ohm),
            Series(f"{self.name}.source-resistance", source_inside, source, source_ohm),
            Channel(
                f"{self.name}.channel",
                drain_inside,
                gate,
                source_inside,
                channel(*self.channel_figures(temperature_c)),
                sign,
            ),
            between("body", drain, source_inside, blocking, insulating=False),
            between("gate", gate, source_inside, self.gate_law(), insulating=True),
            Shunt(f"{self.name}.gate-drain", gate, drain, SURFACE_S),
        ]
        named += self._bridges({"D": drain, "S": source, "G": gate})
        return named

    def _bridges(self, inner: Mapping[str, str]) -> list[Element]:
        """Give the resistances that a short or a leak puts between terminals."""
        fault = self.fault
        if not isinstance(fault, HardShort | OhmicLeak):
            return []
        ends = {DRAIN_SOURCE: ("D", "S"), GATE_SOURCE: ("G", "S"), GATE_DRAIN: ("G", "D")}
        paths = (DRAIN_SOURCE, GATE_SOURCE) if fault.path == ALL else (fault.path,)
        bridges: list[Element] = []
        for path in paths:
            one, other = (inner[pin] for pin in ends[path])
            name = f"{self.name}.{fault.name}-{path}"
            bridges.append(resistor(name, one, other, fault.ohm))
        return bridges

    def capacitances(self) -> list[Capacitance]:
        """Give gate-source, gate-drain and drain-source capacitance."""
        own = self.parameters
        drain_source = junction_capacitance(own.drain_source_f, 0.45)
        gate_drain = junction_capacitance(own.gate_drain_f, 0.75)
        pairs = [("D", "S", drain_source), ("D", "G", gate_drain)]
        if self.construction.polarity == "p":
            pairs = [(minus, plus, farad) for plus, minus, farad in pairs]
        return [("G", "S", constant_capacitance(own.gate_source_f)), *pairs]

    def advance(self, volts: Mapping[str, float]) -> None:
        """Do nothing: a switch has no logic."""

    def truth(self) -> dict[str, Any]:
        """Tell fault and true values at 25 C; magnitudes, for either polarity."""
        return told(self.fault, **true_values(self))


def _with_fault(sound: MosfetParameters, fault: MosfetFault | None) -> MosfetParameters:
    if isinstance(fault, ThresholdShift):
        return replace(sound, threshold_v=sound.threshold_v + fault.volts)
    if isinstance(fault, LowBreakdown):
        return replace(sound, breakdown_v=sound.breakdown_v * fault.factor)
    return sound
