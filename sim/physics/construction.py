"""How a coil is built: the data of a construction file, and what varies from coil to coil."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Literal

import numpy as np

from sim.physics.conductors import FloatArray, copper_resistivity_ohm_m
from sim.physics.magnetics import REFERENCE_TEMPERATURE_C, FerriteCore, PowderCore
from sim.physics.winding import Winding


@dataclass(frozen=True)
class Factors:
    """What a coil has more or less of than the typical one: factors, all 1 for the typical."""

    inductance: float = 1.0  # core permeance; in an air coil all of the inductance
    resistance: float = 1.0  # of the winding
    relaxation: float = 1.0  # frequency at which the core relaxes
    loss_angle: float = 1.0  # of the core at low frequency
    leakage: float = 1.0  # share of the core flux that not all turns link
    thickness: float = 1.0  # of foil, at the same resistance
    proximity: float = 1.0  # field of the other turns at a turn
    capacitance: float = 1.0
    saturation: float = 1.0  # current at which the core saturates

    def times(self, other: Factors) -> Factors:
        """Give the product, factor by factor."""
        return Factors(
            **{f.name: getattr(self, f.name) * getattr(other, f.name) for f in fields(self)}
        )


FACTOR_NAMES = tuple(f.name for f in fields(Factors))


@dataclass(frozen=True)
class Nominal:
    """What the typical coil measures at its terminals, and the tolerance of a healthy one."""

    inductance_h: float
    inductance_tolerance: float
    frequency_hz: float
    dc_resistance_ohm: float  # at 25 C
    dc_resistance_tolerance: float
    saturation_a: float  # at which the inductance has fallen by saturation_drop; 0: none
    saturation_drop: float


@dataclass(frozen=True)
class Conductor:
    """The wire of the winding. Its cross-section follows from the DC resistance."""

    form: Literal["foil", "round"]
    thickness_m: float  # of foil, across the layers
    far_share: float  # of foil: share of the magnetising current that closes on the far side


@dataclass(frozen=True)
class Lead:
    """The legs between the winding and the terminals, both together."""

    resistance_ohm: float
    inductance_h: float
    diameter_m: float


@dataclass(frozen=True)
class CorePath:
    """How the core leads the flux of one turn through the others."""

    shape: Literal["closed", "rod"]
    common_share: float  # closed: share of a turn's core flux that every turn links
    rod_length_m: float
    rod_decay_m: float


@dataclass(frozen=True)
class Insulation:
    """What joins the turns to each other and to the core besides copper and flux."""

    turn_turn_f: float
    turn_core_f: float
    terminal_f: float
    turn_core_ohm: float


@dataclass(frozen=True)
class Construction:
    """A kind of coil. ``turn_permeance_h`` and the core's saturation are calibrated to nominal."""

    name: str
    description: str
    nominal: Nominal
    winding: Winding
    conductor: Conductor
    lead: Lead
    material: PowderCore | FerriteCore | None  # None: air
    path: CorePath | None
    insulation: Insulation
    lot_spread: Mapping[str, float]  # log-normal sd per factor
    unit_spread: Mapping[str, float]
    margin: float  # share of the tolerance that healthy coils keep clear of
    turn_permeance_h: float = 0.0  # core flux of a turn in itself, per ampere

    @property
    def turn_resistance_ohm(self) -> FloatArray:
        """Give the DC resistance of each turn at 25 C, in ohm. Shape (turns,)."""
        length = self.winding.length_m
        total = self.nominal.dc_resistance_ohm - self.lead.resistance_ohm
        return np.asarray(total * length / length.sum())

    @property
    def section_m2(self) -> float:
        """Give the cross-section of the conductor in square metres."""
        resistivity = copper_resistivity_ohm_m(REFERENCE_TEMPERATURE_C)
        total = self.nominal.dc_resistance_ohm - self.lead.resistance_ohm
        return float(resistivity * self.winding.length_m.sum() / total)

    @property
    def wire_radius_m(self) -> float:
        """Give the radius of round wire in metres."""
        return float(np.sqrt(self.section_m2 / np.pi))

    @property
    def filling(self) -> float:
        """Give the share of the winding's cross-section that is wire; 0 for a single layer."""
        if self.winding.layers == 1:
            return 0.0
        return self.section_m2 / (self.winding.turn_pitch_m * self.winding.layer_pitch_m)

    @property
    def equivalent_radius_m(self) -> float:
        """Give the radius of the round wire with the same self-inductance, in metres.

        For a strip w by t the geometric mean distance is 0.2235 (w + t) and that of a round
        wire with its current on the surface is its radius (Grover 1946).
        """
        if self.conductor.form == "round":
            return self.wire_radius_m
        width = self.section_m2 / self.conductor.thickness_m
        return 0.2235 * (width + self.conductor.thickness_m)
