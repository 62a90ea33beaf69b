"""The output of a supply in time: a regulator with two limits, a capacitor, a linear load.

The regulator is piecewise linear (constant current, constant voltage, sinking), the load is
linear, so between two corners the voltage is one exponential and its integral is exact.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

_MOST_CORNERS = 12


@dataclass(frozen=True, slots=True)
class OutputStage:
    """A regulator as it is really set (errors included) and the capacitor at its terminals."""

    on: bool
    target_v: float
    limit_a: float
    trip_v: float
    output_ohm: float
    sink_a: float
    farad: float
    bleeder_ohm: float

    def corners_v(self) -> tuple[float, float]:
        """Give the voltages where current limiting ends and where sinking is all it can do."""
        low = self.target_v - self.output_ohm * self.limit_a
        return low, self.target_v + self.output_ohm * self.sink_a

    def regulator_a(self, voltage_v: float) -> float:
        """Give the regulator's current at a terminal voltage."""
        if not self.on:
            return 0.0
        wanted = (self.target_v - voltage_v) / self.output_ohm
        return min(max(wanted, -self.sink_a), self.limit_a)

    def limits_current(self, voltage_v: float) -> bool:
        """Say whether the current limit decides (CC) and not the voltage (CV)."""
        # A microvolt: the corner itself is reached only asymptotically.
        return self.on and voltage_v < self.corners_v()[0] + 1e-6 * self.output_ohm


@dataclass(frozen=True, slots=True)
class Load:
    """What the terminals see: current = `offset_a` + `siemens` * voltage."""

    offset_a: float = 0.0
    siemens: float = 0.0


@dataclass(frozen=True, slots=True)
class Passage:
    """A stretch of time at the output."""

    stage: OutputStage
    voltage_v: float
    integral_vs: float
    tripped: bool


def pass_time(stage: OutputStage, load: Load, voltage_v: float, duration_s: float) -> Passage:
    """Carry the terminal voltage over `duration_s`; an over-voltage trip switches the stage off."""
    left_s, integral_vs, tripped = duration_s, 0.0, False
    for _ in range(_MOST_CORNERS):
        if stage.on and voltage_v > stage.trip_v:
            stage, tripped = replace(stage, on=False), True
        if left_s <= 0.0:
            break
        segment = _segment(stage, load, voltage_v)
        corner_v, until_s = segment.next_corner(voltage_v)
        if until_s < left_s:
            integral_vs += segment.integral_vs(voltage_v, until_s)
            # A corner belongs to the segment that is entered.
            direction = math.inf if corner_v == segment.ceiling_v else -math.inf
            voltage_v = math.nextafter(corner_v, direction)
            left_s -= until_s
        else:
            integral_vs += segment.integral_vs(voltage_v, left_s)
            voltage_v = segment.after(voltage_v, left_s)
            left_s = 0.0
    return Passage(stage, voltage_v, integral_vs, tripped)


@dataclass(frozen=True, slots=True)
class _Segment:
    """farad * dV/dt = source_a - siemens * V, while V lies between floor and ceiling."""

    source_a: float
    siemens: float
    farad: float
    floor_v: float
    ceiling_v: float

    # With a load of megohms the voltage that it would settle at is millions of volts away, and
    # formulas in terms of that voltage lose six digits; these are in terms of the slope.

    def after(self, start_v: float, seconds: float) -> float:
        rate = (self.source_a - self.siemens * start_v) / self.farad
        return start_v + rate * seconds * _phi_1(seconds * self.siemens / self.farad)

    def integral_vs(self, start_v: float, seconds: float) -> float:
        rate = (self.source_a - self.siemens * start_v) / self.farad
        bend = _phi_2(seconds * self.siemens / self.farad)
        return start_v * seconds + rate * seconds**2 * bend

    def next_corner(self, start_v: float) -> tuple[float, float]:
        """Give the corner that the voltage moves towards and when it gets there."""
        slope_a = self.source_a - self.siemens * start_v
        if slope_a == 0.0:
            return self.ceiling_v, math.inf
        corner_v = self.ceiling_v if slope_a > 0.0 else self.floor_v
        if not math.isfinite(corner_v):
            return corner_v, math.inf
        # Rounding may have put the start a hair beyond the corner.
        away = max((corner_v - start_v) / slope_a, 0.0)
        settled = self.siemens * away
        if settled >= 1.0:
            return corner_v, math.inf
        seconds = -math.log1p(-settled) / self.siemens if self.siemens > 0.0 else away
        return corner_v, seconds * self.farad


def _phi_1(x: float) -> float:
    """Give (1 - exp(-x)) / x."""
    return -math.expm1(-x) / x if x > 0.0 else 1.0


def _phi_2(x: float) -> float:
    """Give (x - 1 + exp(-x)) / x^2."""
    if x < 1e-2:
        return 0.5 - x / 6.0 + x**2 / 24.0 - x**3 / 120.0 + x**4 / 720.0
    return (x + math.expm1(-x)) / x**2


def _segment(stage: OutputStage, load: Load, voltage_v: float) -> _Segment:
    if not stage.on:
        conductance = load.siemens + 1.0 / stage.bleeder_ohm
        return _Segment(-load.offset_a, conductance, stage.farad, -math.inf, math.inf)
    low_v, high_v = stage.corners_v()
    if voltage_v < low_v:
        source_a, siemens, floor_v, ceiling_v = stage.limit_a, load.siemens, -math.inf, low_v
    elif voltage_v > high_v:
        source_a, siemens, floor_v, ceiling_v = -stage.sink_a, load.siemens, high_v, math.inf
    else:
        source_a, floor_v, ceiling_v = stage.target_v / stage.output_ohm, low_v, high_v
        siemens = load.siemens + 1.0 / stage.output_ohm
    return _Segment(
        source_a - load.offset_a, siemens, stage.farad, floor_v, min(ceiling_v, stage.trip_v)
    )
