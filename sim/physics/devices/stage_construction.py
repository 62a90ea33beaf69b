"""How an integrated power stage is made, its declared limits, and how units of it scatter."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace

from sim.physics.devices.mosfet_construction import Junction


@dataclass(frozen=True, slots=True)
class SwitchFigures:
    """One of the two switches on the die, typical at 25 C."""

    gain_a_per_v2: float
    threshold_v: float
    ideality: float
    drift_ohm: float
    leakage_a: float
    leakage_exponent: float
    doubling_k: float
    breakdown_v: float
    breakdown_ohm: float
    body: Junction
    output_f: float


@dataclass(frozen=True, slots=True)
class DriverFigures:
    """The driver: supply currents, thresholds, pull-downs, monitors; typical at 25 C."""

    undervoltage_rising_v: float
    undervoltage_falling_v: float
    boot_rising_v: float
    boot_falling_v: float
    enable_rising_v: float
    enable_falling_v: float
    high_rising_v: float
    high_falling_v: float
    low_rising_v: float
    low_falling_v: float
    asleep_a: float
    standby_a: float
    active_a: float
    boot_bias_a: float
    boot_diode: Junction
    pull_down_ohm: float
    gate_on_ohm: float
    gate_off_ohm: float
    pwm_upper_ohm: float
    pwm_lower_ohm: float
    pwm_asleep_factor: float
    enable_ohm: float
    input_monitor_ohm: float
    output_monitor_ohm: float
    clamp: Junction


@dataclass(frozen=True, slots=True)
class Bonds:
    """Metal between the pins and the dice at 25 C."""

    input_ohm: float
    output_ohm: float
    ground_ohm: float


@dataclass(frozen=True, slots=True)
class StageLimits:
    """What a healthy unit keeps at 25 C."""

    input_v: float
    drive_v: float
    current_a: float
    high_side_ohm: float
    low_side_ohm: float
    high_side_leakage_a: float
    breakdown_v: float
    standby_low_a: float
    standby_high_a: float
    active_low_a: float
    active_high_a: float
    undervoltage_low_v: float
    undervoltage_high_v: float


@dataclass(frozen=True, slots=True)
class StageScatter:
    """Deviations of a lot or a unit, or their sds: logarithms, but volts where named `_v`."""

    on_resistance: float = 0.0
    metal: float = 0.0
    threshold_v: float = 0.0
    leakage: float = 0.0
    body_diode_v: float = 0.0
    breakdown: float = 0.0
    monitor: float = 0.0
    supply_current: float = 0.0
    boot_bias: float = 0.0
    pull_down: float = 0.0
    undervoltage_v: float = 0.0
    logic_v: float = 0.0

    def plus(self, other: StageScatter) -> StageScatter:
        """Add the deviations of a unit to those of its lot."""
        mine, its = self.as_mapping(), other.as_mapping()
        return replace(self, **{name: mine[name] + its[name] for name in mine})

    def as_mapping(self) -> Mapping[str, float]:
        """Give the deviations by name."""
        return {field.name: getattr(self, field.name) for field in fields(self)}


@dataclass(frozen=True, slots=True)
class StageConstruction:
    """The typical unit."""

    name: str
    description: str
    limits: StageLimits
    high_side: SwitchFigures
    low_side: SwitchFigures
    driver: DriverFigures
    bonds: Bonds
    margin: float
    lot_spread: StageScatter
    unit_spread: StageScatter
