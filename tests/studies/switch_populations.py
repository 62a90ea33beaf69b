"""Draw readings of healthy and faulty switches by simple formulas (numpy generator, fixed seeds).

Invented populations: lot and part spreads of the size that the product assumes, but wider by a
factor where a study says so. Not the simulator's devices: closed forms, so that a study of judging
takes seconds. Does not cover: the measuring (errors are drawn from stated uncertainties).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
from attrs import evolve, frozen

from labbench.results import (
    BodyDiode,
    DrainLeakage,
    GateLeakage,
    OnResistance,
    Readings,
    ShortCheck,
    Threshold,
)


@frozen
class Kind:
    """Hold a part type's middle values: leakage (A) at `drain_v`, V, ohm."""

    name: str
    drain_v: float
    leakage_a: float
    gate_a: float
    threshold_v: float
    r10_ohm: float
    diode_v: float = 0.55


KINDS = (
    Kind("nfet-30v-5m", 24.0, 8e-9, 3e-10, 1.7, 4.0e-3),
    Kind("nfet-25v-1m5", 20.0, 40e-9, 3e-10, 1.6, 1.2e-3),
    Kind("nfet-30v-schottky", 24.0, 60e-6, 3e-10, 1.7, 2.5e-3, 0.38),
)


@frozen
class Part:
    """Hold the truth of one part: its values at 25 °C, and what a fault adds to it."""

    kind: Kind
    leakage_a: float
    exponent: float
    gate_a: float
    threshold_v: float
    r10_ohm: float
    diode_v: float
    celsius: float = 25.0
    drain_s: float = 0.0
    gate_s: float = 0.0
    weak: tuple[float, float, float] = (0.0, 1.0, 1.0)
    soft: tuple[float, float] = (0.0, 1.0)
    is_open: bool = False


@frozen
class Lot:
    """Hold the middle of one lot."""

    kind: Kind
    ln_leakage: float
    ln_r: float
    threshold: float
    exponent: float
    ln_gate: float


def draw_lot(rng: np.random.Generator, kind: Kind) -> Lot:
    """Draw the middle of a lot."""
    return Lot(
        kind, rng.normal(0, 0.4), rng.normal(0, 0.05), rng.normal(0, 0.1),
        0.5 + rng.normal(0, 0.04), rng.normal(0, 0.4),
    )  # fmt: skip


def draw_part(rng: np.random.Generator, lot: Lot) -> Part:
    """Draw a healthy part of a lot, cooled to within 1 K of 25 °C (standard deviation)."""
    kind = lot.kind
    return Part(
        kind=kind,
        leakage_a=kind.leakage_a * math.exp(lot.ln_leakage + rng.normal(0, 0.35)),
        exponent=lot.exponent + rng.normal(0, 0.02),
        gate_a=kind.gate_a * math.exp(lot.ln_gate + rng.normal(0, 0.7)),
        threshold_v=kind.threshold_v + lot.threshold + rng.normal(0, 0.04),
        r10_ohm=kind.r10_ohm * math.exp(lot.ln_r + rng.normal(0, 0.025)),
        diode_v=kind.diode_v + rng.normal(0, 0.0025),
        celsius=25.0 + rng.normal(0, 1.0),
    )


def _drain(part: Part, volts: float) -> float:
    warm = 2.0 ** ((part.celsius - 25.0) / 10.0)
    rise = ((1 + volts / 0.7) ** part.exponent - 1) / (
        (1 + part.kind.drain_v / 0.7) ** part.exponent - 1
    )
    soft = part.soft[0] * (volts / part.kind.drain_v) ** part.soft[1]
    return part.leakage_a * warm * rise + volts * part.drain_s + soft


def _gate(part: Part, volts: float) -> float:
    a, power, ratio = part.weak
    side = 1.0 if volts > 0 else ratio
    size = abs(volts) / 10.0
    return math.copysign(
        part.gate_a * size**1.5 + a * side * size**power, volts
    ) + volts * part.gate_s  # fmt: skip


def measured(
    rng: np.random.Generator, part: Part, specimen: str, *, role: str = "test", lot: str = "lot"
) -> Readings:
    """Draw what a good bench reads of a part, stopped where its own short check would stop it."""
    shorts = []
    for path, conductance in (("drain-source", part.drain_s), ("gate-source", part.gate_s)):
        ohms = 1.0 / (conductance + 2e-9) * (1 + rng.normal(0, 0.01))
        shorts.append(ShortCheck(path, ohms))
    line = Readings(
        specimen=specimen, type=part.kind.name, lot=lot, role=role,  # type: ignore[arg-type]
        temperature_c=25.0, short_check=tuple(shorts),
    )  # fmt: skip
    if min(s.resistance_ohm or 0.0 for s in shorts) < 300.0:
        return line

    def amps(true: float) -> tuple[float, float]:
        u = math.hypot(1e-3 * true, 5e-11)
        return true * (1 + rng.normal(0, 1e-3)) + rng.normal(0, 5e-11), u

    low = part.kind.drain_v / 8.0
    drain = tuple(DrainLeakage(v, *amps(_drain(part, v))) for v in (low, part.kind.drain_v))
    gate = tuple(GateLeakage(v, *amps(_gate(part, v))) for v in (5.0, 10.0, -5.0, -10.0))
    dt = part.celsius - 25.0
    threshold = part.threshold_v - 5.4e-3 * dt + rng.normal(0, 3e-4)
    diode = part.diode_v - 2.3e-3 * dt + rng.normal(0, 1e-4)
    ohms = []
    for volts in (4.5, 10.0):
        drive = 10.0 - part.kind.threshold_v
        channel = 0.25 * part.r10_ohm * drive / (volts - part.threshold_v)
        true = (0.75 * part.r10_ohm + channel) * (1 + 4.4e-3 * dt)
        if part.is_open:
            ohms.append(OnResistance(volts, None, None, None, "over-range", 50.0))
        else:
            read = true * (1 + rng.normal(0, 2e-3)) + rng.normal(0, 1e-5)
            ohms.append(OnResistance(volts, 3.0, read, math.hypot(2e-3 * true, 1e-5)))
    return evolve(
        line,
        drain_leakage=drain,
        gate_leakage=gate,
        body_diode=(BodyDiode(1e-3, diode, 1e-4),),
        threshold=(Threshold(2.5e-4, threshold, 3e-4), Threshold(1e-3, threshold + 0.06, 3e-4)),
        on_resistance=tuple(ohms),
        cleaned=True,
    )


def _log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(math.exp(rng.uniform(math.log(low), math.log(high))))


def faulty(rng: np.random.Generator, part: Part, fault: str) -> Part:
    """Return the part with a fault of random severity; `FAULTS` names them."""
    sign = 1.0 if rng.random() < 0.5 else -1.0
    changes: Mapping[str, Any] = {
        "gate leak 1 kΩ-10 MΩ": lambda: {"gate_s": 1 / _log_uniform(rng, 1e3, 1e7)},
        "drain leak 10 Ω-10 MΩ": lambda: {"drain_s": 1 / _log_uniform(rng, 10.0, 1e7)},
        "drain leak 10 MΩ-1 GΩ": lambda: {"drain_s": 1 / _log_uniform(rng, 1e7, 1e9)},
        "short 2 mΩ-2 Ω": lambda: {"drain_s": 1 / _log_uniform(rng, 2e-3, 2.0)},
        "on-resistance x1.15-2.5": lambda: {"r10_ohm": part.r10_ohm * rng.uniform(1.15, 2.5)},
        "threshold ±0.25-0.8 V": lambda: {
            "threshold_v": part.threshold_v + sign * rng.uniform(0.25, 0.8)
        },
        "weak gate 30 nA-300 µA": lambda: {
            "weak": (_log_uniform(rng, 3e-8, 3e-4), rng.uniform(2.5, 6), _log_uniform(rng, 0.1, 10))
        },
        "soft drain 0.3 µA-1 mA": lambda: {
            "soft": (_log_uniform(rng, 3e-7, 1e-3), rng.uniform(2, 6))
        },
        "open": lambda: {"is_open": True},
    }
    return evolve(part, **changes[fault]())


#: fault -> the word and path that name it
FAULTS: Mapping[str, tuple[str, str]] = {
    "gate leak 1 kΩ-10 MΩ": ("leak", "gate-source"),
    "drain leak 10 Ω-10 MΩ": ("leak", "drain-source"),
    "drain leak 10 MΩ-1 GΩ": ("leak", "drain-source"),
    "short 2 mΩ-2 Ω": ("short", "drain-source"),
    "on-resistance x1.15-2.5": ("high-on-resistance", "drain-source"),
    "threshold ±0.25-0.8 V": ("threshold-shift", "gate-source"),
    "weak gate 30 nA-300 µA": ("weak-gate", "gate-source"),
    "soft drain 0.3 µA-1 mA": ("low-breakdown", "drain-source"),
    "open": ("open", "gate-source"),
}
