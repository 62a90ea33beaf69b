"""Say how severe the faults of the studies are, and draw them (invented ranges).

Each fault of a MOSFET has one or more bands of severity, each a row of the study's tables.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from attrs import frozen

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

Draw = Callable[[np.random.Generator], MosfetFault]
#: a broken bond leaves some 50 Gohm; behind it a gate takes a minute to charge, a step a tenth of a
#: second, so that at rest the gate has to count as cut off
_CUT_OHM = 1e14


@frozen
class Band:
    """Hold one row: its words, how a fault of it is drawn, and the goal it belongs to."""

    fault: str
    severity: str
    draw: Draw
    #: key figure of the goals (switch, "F 1" of the notes) or nothing
    goal: str = ""

    @property
    def name(self) -> str:
        """Name fault and severity."""
        return f"{self.fault}, {self.severity}" if self.severity else self.fault


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    """Draw evenly in the logarithm."""
    return float(math.exp(rng.uniform(math.log(low), math.log(high))))


def _sign(rng: np.random.Generator) -> float:
    return 1.0 if rng.random() < 0.5 else -1.0


def _leak(path: str, low: float, high: float) -> Draw:
    return lambda rng: OhmicLeak(path, log_uniform(rng, low, high))


def _factor(low: float, high: float) -> Draw:
    return lambda rng: HighOnResistance(float(rng.uniform(low, high)))


def _shift(low: float, high: float) -> Draw:
    return lambda rng: ThresholdShift(_sign(rng) * float(rng.uniform(low, high)))


def _weak(low: float, high: float) -> Draw:
    return lambda rng: WeakGate(
        log_uniform(rng, low, high), float(rng.uniform(2.5, 6.0)), log_uniform(rng, 0.1, 10.0)
    )


def _soft(low: float, high: float) -> Draw:
    return lambda rng: SoftLeak(log_uniform(rng, low, high), float(rng.uniform(2.0, 6.0)))


def _breakdown(low: float, high: float) -> Draw:
    return lambda rng: LowBreakdown(float(rng.uniform(low, high)))


def _short(rng: np.random.Generator) -> MosfetFault:
    path = (DRAIN_SOURCE, GATE_SOURCE, ALL)[int(rng.integers(3))]
    return HardShort(path, log_uniform(rng, 2e-3, 2.0))


def _open(rng: np.random.Generator) -> MosfetFault:
    terminal = ("drain", "source", "gate")[int(rng.integers(3))]
    return OpenTerminal(terminal, _CUT_OHM)


BANDS: tuple[Band, ...] = (
    Band("short", "2 mΩ-2 Ω", _short, "detect"),
    Band("open bond", "", _open, "detect"),
    Band("leak drain-source", "10 Ω-10 kΩ", _leak(DRAIN_SOURCE, 10.0, 10e3), "detect"),
    Band("leak drain-source", "10-500 kΩ", _leak(DRAIN_SOURCE, 10e3, 500e3), "detect"),
    Band("leak drain-source", "0.5-2 MΩ", _leak(DRAIN_SOURCE, 0.5e6, 2e6), "not schottky"),
    Band("leak drain-source", "2-10 MΩ", _leak(DRAIN_SOURCE, 2e6, 10e6), "not schottky"),
    Band("leak drain-source", "10-100 MΩ", _leak(DRAIN_SOURCE, 10e6, 100e6)),
    Band("leak drain-source", "0.1-1 GΩ", _leak(DRAIN_SOURCE, 100e6, 1e9)),
    Band("leak gate-source", "1 kΩ-1 MΩ", _leak(GATE_SOURCE, 1e3, 1e6), "detect"),
    Band("leak gate-source", "1-10 MΩ", _leak(GATE_SOURCE, 1e6, 1e7), "gate"),
    Band("leak gate-drain", "1 kΩ-1 MΩ", _leak(GATE_DRAIN, 1e3, 1e6), "detect"),
    Band("leak gate-drain", "1-10 MΩ", _leak(GATE_DRAIN, 1e6, 1e7), "detect"),
    Band("weak gate", "30 nA-1 µA at 10 V", _weak(30e-9, 1e-6), "gate"),
    Band("weak gate", "1-300 µA at 10 V", _weak(1e-6, 300e-6), "gate"),
    Band("on-resistance", "x1.10", _factor(1.0999, 1.1001)),
    Band("on-resistance", "x1.15", _factor(1.1499, 1.1501), "at 15 %"),
    Band("on-resistance", "x1.15-1.3", _factor(1.15, 1.3), "on-resistance"),
    Band("on-resistance", "x1.3-2.5", _factor(1.3, 2.5), "on-resistance"),
    Band("threshold shift", "±0.20 V", _shift(0.1999, 0.2001)),
    Band("threshold shift", "±0.25 V", _shift(0.2499, 0.2501), "at 0.25 V"),
    Band("threshold shift", "±0.25-0.8 V", _shift(0.25, 0.8), "threshold"),
    Band("soft drain", "0.3-10 µA", _soft(0.3e-6, 10e-6), "soft"),
    Band("soft drain", "10-100 µA", _soft(10e-6, 100e-6), "soft"),
    Band("soft drain", "0.1-1 mA", _soft(100e-6, 1e-3), "soft"),
    Band("low breakdown", "x0.3-0.6", _breakdown(0.3, 0.6), "not schottky"),
    Band("low breakdown", "x0.6-0.8", _breakdown(0.6, 0.8), "not schottky"),
)

#: single sizes of a small leak, to find the smallest that is found
SMALL_LEAKS_OHM = (30e6, 100e6, 300e6, 1e9, 3e9, 10e9, 30e9)
