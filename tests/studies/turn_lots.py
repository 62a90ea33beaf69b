"""A second population of coils, with meters of its own: lots of which most test parts are faulty.

Independent of `sim` and of coil_lots.py, so that what is found is not found of one simulator only.
Every turn is a branch with its own resistance, all pairs are coupled through the air and through
the core, and capacitances join neighbours, the core and the terminals; a fault changes that network
(a short is a resistor between two turns). Wire: foils in layers (Dowell, Proc. IEE 113 (1966)
1387). Core: one relaxation (Cole and Cole, J. Chem. Phys. 9 (1941) 341) and a constant hysteresis
angle. The spreads and the meters' figures are assumed and differ from those of the simulator.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labbench.parts.coil_type import CoilType, InductanceLimit, ResistanceLimit
from labbench.results import Contact, DcResistance, Impedance, Readings, Role

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

FREQUENCIES_HZ = np.array([1e3, 1e4, 1e5, 3e5, 1e6])
_COPPER_OHM_M, _MU0 = 1.72e-8, 4e-7 * math.pi
# normal spreads of logarithms: from lot to lot, from part to part
_SPREADS = {
    "inductance": (0.045, 0.04), "resistance": (0.03, 0.036), "relaxation": (0.35, 0.07),
    "angle": (0.35, 0.10), "coupling": (0.05, 0.01), "thickness": (0.05, 0.02),
    "layers": (0.08, 0.02), "capacitance": (0.25, 0.08),
}  # fmt: skip
_LEAKAGE, _OWN, _FALL = 0.05, 0.02, 0.6


@dataclass(frozen=True)
class Winding:
    """Hold what a coil of a type is: turns, L (H), R (ohm), coupling of neighbours, relaxation."""

    turns: int
    inductance_h: float
    resistance_ohm: float
    neighbours: float
    relaxation_hz: float
    layers: int = 1
    material: str = "powder"
    #: thickness of the wire, and how many times one turn's field lies on it
    wire_m: float = 0.35e-3
    fields: float = 2.0

    def part_type(self, name: str) -> CoilType:
        """Give the part type that its maker would state: 20 % and 10 %."""
        low, high = 0.8 * self.inductance_h, 1.2 * self.inductance_h
        r = self.resistance_ohm
        return CoilType(
            name=name, material=self.material, turns=self.turns,  # type: ignore[arg-type]
            inductance=(InductanceLimit(self.inductance_h, low, high, 1e5),),
            dc_resistance=(ResistanceLimit(r, 0.9 * r, 1.1 * r, 25.0),), saturation=None,
        )  # fmt: skip


WINDINGS = {
    "turns-150n": Winding(3, 150e-9, 0.4e-3, 0.946, 30e6),
    "turns-470n": Winding(4, 470e-9, 1.5e-3, 0.915, 30e6),
    "turns-1u0": Winding(6, 1e-6, 3e-3, 0.948, 30e6),
    "turns-4u7": Winding(12, 4.7e-6, 16e-3, 0.944, 30e6, layers=2),
    "turns-22u": Winding(25, 22e-6, 60e-3, 0.915, 60e6, layers=2),
}

#: large and gapped ones, for other studies
LARGE_WINDINGS = {
    "turns-100u": Winding(45, 100e-6, 0.217, 0.943, 75e6, layers=3, fields=1.0),
    "turns-gapped-10u": Winding(10, 10e-6, 8.9e-3, 0.956, 100e6, layers=2, material="ferrite"),
    "turns-1m": Winding(
        110, 1e-3, 1.8, 0.941, 100e6, layers=3, material="ferrite", wire_m=0.2e-3, fields=1.2
    ),
}


@dataclass(frozen=True)
class Meter:
    """Hold the figures of a meter: relative limit, zero error and contact in ohm and H."""

    basic: float
    floor_ohm: float
    floor_h: float
    contact_ohm: float
    contact_h: float
    fixture: tuple[float, float, float]
    points: int

    @property
    def frequency_hz(self) -> FloatArray:
        """Give the frequencies of its sweep (Hz)."""
        return FREQUENCIES_HZ[: self.points]


METERS = {
    "up to 100 kHz": Meter(3e-3, 1e-3, 15e-9, 1e-3, 3e-9, (20e-3, 30e-9, 5e-12), 3),
    "up to 1 MHz": Meter(5e-4, 1e-4, 1e-9, 2e-4, 1e-9, (5e-3, 10e-9, 1.5e-12), 5),
}

MIDDLE_METER = Meter(1e-3, 2e-4, 3e-9, 4e-4, 2e-9, (8e-3, 15e-9, 2e-12), 4)

#: name, kind, severity: contact of one shorted turn, flux left, relaxation lower by, resistance
FAULTS: tuple[tuple[str, str, float], ...] = (
    *((f"short {ohm:g}", "short", ohm) for ohm in (5e-5, 5e-3, 0.05, 0.2, 0.5, 1, 3, 10, 30)),
    ("fused", "fused", 0.0),
    *((f"crack {share:g}", "crack", share) for share in (0.8, 0.7)),
    *((f"lossy {times:g}", "lossy", times) for times in (2, 4, 10)),
    *((f"joint {times:g}", "joint", times) for times in (1.1, 1.2)),
)


def _places(winding: Winding) -> FloatArray:
    """Compute the distances between turns in pitches (turns, turns), wound to and fro."""
    rows = math.ceil(winding.turns / winding.layers)
    number = np.arange(winding.turns)
    layer, row = number // rows, number % rows
    row = np.where(layer % 2 == 1, rows - 1 - row, row)
    return np.hypot(layer[:, None] - layer, row[:, None] - row)


def _foil_factor(omega: FloatArray, thickness_m: float, layers: float) -> ComplexArray:
    depth = np.sqrt(2.0 * _COPPER_OHM_M / (omega * _MU0))
    m = (1.0 + 1j) * thickness_m / depth
    return np.asarray(m / np.tanh(m) + (layers**2 - 1.0) / 3.0 * 2.0 * m * np.tanh(m / 2.0))


def measure_network(
    winding: Winding, unit: dict[str, float], kind: str, severity: float, rng: np.random.Generator
) -> tuple[ComplexArray, float]:
    """Solve a coil with one fault: impedance at FREQUENCIES_HZ (ohm), dc resistance (ohm)."""
    n, omega = winding.turns, 2.0 * np.pi * FREQUENCIES_HZ
    distance = _places(winding)
    shared = (winding.neighbours - (1.0 - _OWN) * _FALL) / (1.0 - _FALL)
    shared = min(shared * unit["coupling"], 0.96)
    falling = (1.0 - shared - _OWN) * _FALL**distance + _OWN * np.eye(n)
    air = _LEAKAGE * 0.75**distance
    size = winding.inductance_h * unit["inductance"]
    size /= float(((1.0 - _LEAKAGE) * (shared + falling) + air).sum())
    flux = severity if kind == "crack" else 0.5 if kind == "fused" else 1.0
    core = size * (1.0 - _LEAKAGE) * (shared * flux + falling)
    worse = severity if kind == "lossy" else 1.0
    relaxation = winding.relaxation_hz * unit["relaxation"] / worse
    angle = 4e-3 * unit["angle"] * math.sqrt(worse)
    mu = np.exp(-1j * angle) / (1.0 + (1j * FREQUENCIES_HZ / relaxation) ** 0.95)
    resistance = winding.resistance_ohm * unit["resistance"]
    extra = resistance * (severity - 1.0) if kind == "joint" else 0.0
    rises = _foil_factor(omega, winding.wire_m * unit["thickness"], winding.fields * unit["layers"])
    branch = (resistance / n * rises)[:, None, None] * np.eye(n)
    branch = branch + 1j * omega[:, None, None] * (size * air + mu[:, None, None] * core)
    joins = np.eye(n) - np.eye(n, k=-1)  # branch k runs from node k to node k + 1; the last: ground
    nodal = np.zeros((len(omega), n + 1, n + 1), dtype=complex)
    nodal[:, :n, :n] = joins @ np.linalg.inv(branch) @ joins.T
    farad, ohms = np.zeros((n + 1, n + 1)), np.zeros((n + 1, n + 1))
    for k in range(n):
        _join(farad, k, k + 1 if k + 1 < n else None, 1e-12 * unit["capacitance"])
        _join(farad, k, n, 1.2e-12 * unit["capacitance"])
    _join(farad, 0, None, 1.5e-12)
    if kind == "short":
        k = int(rng.integers(0, n))
        _join(ohms, k, k + 1 if k + 1 < n else None, 1.0 / severity)
    elif kind == "fused":
        for k in range(n):
            _join(ohms, k, k + 1 if k + 1 < n else None, 10.0 ** rng.uniform(1.0, 3.0))
    nodal = nodal + 1j * omega[:, None, None] * farad + ohms
    at_dc = joins @ (n / resistance * np.eye(n)) @ joins.T + ohms[:n, :n]
    return np.linalg.inv(nodal)[:, 0, 0] + extra, float(np.linalg.inv(at_dc)[0, 0]) + extra


def _join(matrix: FloatArray, i: int, j: int | None, value: float) -> None:
    matrix[i, i] += value
    if j is not None:
        matrix[j, j] += value
        matrix[i, j] -= value
        matrix[j, i] -= value


def draw_lot(
    winding: Winding,
    kinds: Sequence[tuple[str, float]],
    *,
    seed: Sequence[int],
    spread: float = 1.0,
) -> list[tuple[ComplexArray, float]]:
    """Draw one lot: a part for each (kind, severity); a sound one is ("sound", 0)."""
    rng = np.random.default_rng(list(seed))
    lot = {k: s[0] * spread * rng.standard_normal() for k, s in _SPREADS.items()}
    return [
        measure_network(winding, _unit(lot, spread, rng), kind, severity, rng)
        for kind, severity in kinds
    ]


def _unit(lot: dict[str, float], spread: float, rng: np.random.Generator) -> dict[str, float]:
    """Draw a part that was within tolerance when it was made."""
    while True:
        unit = {
            k: math.exp(lot[k] + s[1] * spread * rng.standard_normal())
            for k, s in _SPREADS.items()
        }  # fmt: skip
        if abs(unit["inductance"] - 1.0) < 0.2 and abs(unit["resistance"] - 1.0) < 0.1:
            return unit
        lot["inductance"] *= 0.95
        lot["resistance"] *= 0.95


def read_lot(
    parts: Sequence[tuple[ComplexArray, float]],
    meter: Meter,
    *,
    type_: str,
    lot: str,
    siblings: int,
    seed: Sequence[int],
) -> list[Readings]:
    """Measure a lot in one session, open and short compensated; the first parts are siblings."""
    rng = np.random.default_rng(list(seed))
    f = meter.frequency_hz
    omega = 2.0 * np.pi * f
    ohm, henry, farad = meter.fixture
    gain = 0.5 * (_smooth(f, rng) + _smooth(f, rng))
    zero = _smooth(f, rng)

    def limit(z: ComplexArray) -> FloatArray:
        size = np.abs(z)
        return np.asarray(
            meter.basic * (1.0 + np.minimum(0.02 / size, 10.0) + size / 1e5 + f / f[-1])
        )

    def raw(z: ComplexArray) -> ComplexArray:
        contact = meter.contact_ohm * rng.standard_normal()
        contact += 1j * omega * meter.contact_h * rng.standard_normal()
        z = 1.0 / (1.0 / (z + ohm + 1j * omega * henry + contact) + 1j * omega * farad)
        noise = rng.standard_normal((2, len(f)))
        noise *= 0.05 * meter.floor_ohm + 0.02 * meter.basic * np.abs(z)
        floor = meter.floor_ohm * zero.real + 1j * omega * meter.floor_h * zero.imag
        return np.asarray(
            z * (1.0 + 0.5 * limit(z) * gain) + 0.55 * floor + noise[0] + 1j * noise[1]
        )

    short, opened = raw(np.full(len(f), 1e-9 + 0j)), 1.0 / (1j * omega * farad)
    common = rng.standard_normal()
    found = []
    for k, (impedance, dc) in enumerate(parts):
        difference = raw(impedance[: meter.points]) - short
        z = difference / (1.0 - difference / (opened - short))
        half = 0.5 * limit(z)
        noise = 0.05 * meter.floor_ohm
        u_r = np.sqrt(
            (half * np.abs(z)) ** 2 + (0.55 * meter.floor_ohm) ** 2
            + 2.0 * meter.contact_ohm**2 + noise**2
        )  # fmt: skip
        u_x = np.sqrt(
            (half * np.abs(z)) ** 2 + noise**2
            + omega**2 * ((0.55 * meter.floor_h) ** 2 + 2.0 * meter.contact_h**2)
        )  # fmt: skip
        u_dc = math.hypot(0.0045 * dc, 4e-6)
        read_dc = dc + u_dc * (common + rng.standard_normal()) / math.sqrt(2.0)
        role: Role = "sibling" if k < siblings else "test"
        found.append(
            Readings(
                specimen=f"{lot}-{k}", type=type_, lot=lot, role=role, temperature_c=25.0,
                session=lot,
                impedance=Impedance(
                    tuple(f.tolist()), tuple(z.real.tolist()), tuple(z.imag.tolist()),
                    tuple(u_r.tolist()), tuple(u_x.tolist()), tuple(half.tolist()),
                ),
                contact=Contact(
                    math.sqrt(2.0) * meter.contact_ohm, math.sqrt(2.0) * meter.contact_h
                ),
                dc_resistance=DcResistance(float(read_dc), u_dc, 25.0, method="multimeter-on-off"),
            )
        )  # fmt: skip
    return found


def _smooth(f: FloatArray, rng: np.random.Generator) -> ComplexArray:
    """Draw a complex curve that is smooth over decades, sd about 1."""
    knots = rng.standard_normal((2, 6))
    at = np.log10(f) - 2.0
    return np.asarray(
        np.interp(at, np.arange(6), knots[0]) + 1j * np.interp(at, np.arange(6), knots[1])
    )
