"""A second population of coils and meters for studies, which shares nothing with the simulator.

Each turn is a branch of its own with resistance, skin and proximity effect, and mutual inductance
to every other turn, part of it through the core:

    Zb = diag(R/N F) + jw (M_air + mu M_core),  mu = exp(-j dh) / (1 + (jf/fr)^beta)
    F  = m coth m + (p^2 - 1)/3 2 m tanh(m/2),  m = (1+j) t / skin depth

Capacitances lie between neighbours, from each turn to the core, and across the terminals. A short
is a resistor between two nodes; a crack takes part of the flux that all turns share; burned binder
lowers the relaxation of the core. The meter errs in gain (smooth in frequency, the same for a
session), in its floors, at every contact and in the one short reading of a session, and is
corrected with open and short. All figures and spreads are assumed.

The wire factor is Dowell's (Proc. IEE 113 (1966) 1387) for one layer with a field of both sides.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from labbench.parts.coil_type import CoilType, InductanceLimit, ResistanceLimit
from labbench.results import Contact, DcResistance, Impedance, Readings
from tests.studies.coil_lots import GRID_HZ, SWEEPS_HZ, Lots, fault_names

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]


@dataclass(frozen=True)
class TurnType:
    """Hold a type: turns, coupling of neighbours, what is nominal, core and wire (SI)."""

    turns: int
    inductance_h: float
    resistance_ohm: float
    neighbours: float
    material: str
    relaxation_hz: float
    wire_m: float
    #: how many times the field of one turn lies on the wire
    layers: float
    hysteresis: float = 4e-3


TURN_TYPES = {
    "150n": TurnType(3, 150e-9, 0.48e-3, 0.946, "powder", 30e6, 0.35e-3, 2.15),
    "470n": TurnType(4, 470e-9, 1.32e-3, 0.915, "powder", 30e6, 0.35e-3, 2.3),
    "1u0": TurnType(6, 1e-6, 3.1e-3, 0.948, "powder", 30e6, 0.35e-3, 2.25),
    "4u7": TurnType(12, 4.7e-6, 15.7e-3, 0.944, "powder", 30e6, 0.35e-3, 1.75),
    "22u": TurnType(25, 22e-6, 57e-3, 0.915, "powder", 75e6, 0.35e-3, 1.5),
    "100u": TurnType(45, 100e-6, 0.217, 0.943, "powder", 75e6, 0.35e-3, 1.0),
    "gapped-10u": TurnType(10, 10e-6, 8.9e-3, 0.956, "ferrite", 100e6, 0.35e-3, 1.8),
    "1m": TurnType(110, 1e-3, 1.8, 0.941, "ferrite", 100e6, 0.2e-3, 1.2),
}
#: standard deviations between lots and between the parts of one, of the logarithm
_SPREADS = {
    "inductance": (0.045, 0.04), "resistance": (0.03, 0.036), "relaxation": (0.35, 0.07),
    "hysteresis": (0.35, 0.10), "coupling": (0.05, 0.01), "wire": (0.05, 0.02),
    "layers": (0.08, 0.02), "capacitance": (0.25, 0.08),
}  # fmt: skip
_BETA = 0.95
# leakage through air, and how the inductance through the core falls with the distance of two turns
_AIR_SHARE, _OWN_SHARE, _FALL_CORE, _FALL_AIR = 0.05, 0.02, 0.6, 0.75
_TO_NEIGHBOUR_F, _TO_CORE_F, _TERMINALS_F = 1e-12, 1.2e-12, 1.5e-12
_COPPER_OHM_M, _MU_0 = 1.72e-8, 4e-7 * math.pi
_INDUCTANCE_ROOM, _RESISTANCE_ROOM = 0.20, 0.10
_DC_RELATIVE, _DC_OHM = 0.0045, 4e-6


@dataclass(frozen=True)
class _Meter:
    basic: float
    floor_ohm: float
    floor_h: float
    contact_ohm: float
    contact_h: float
    fixture: tuple[float, float, float]
    low_ohm: float = 50.0
    high_ohm: float = 1e5
    noise_share: float = 0.05


_METERS = {
    "hand-100kHz": _Meter(3e-3, 1e-3, 15e-9, 1e-3, 3e-9, (20e-3, 30e-9, 5e-12)),
    "bench-300kHz": _Meter(1e-3, 0.2e-3, 3e-9, 0.4e-3, 2e-9, (8e-3, 15e-9, 2e-12)),
    "bench-1MHz": _Meter(0.5e-3, 0.1e-3, 1e-9, 0.2e-3, 1e-9, (5e-3, 10e-9, 1.5e-12)),
    "bench-5MHz": _Meter(0.8e-3, 0.1e-3, 1e-9, 0.2e-3, 1e-9, (5e-3, 10e-9, 1.5e-12)),
}


def turn_type(name: str) -> CoilType:
    """Give the part type as its maker would state it."""
    t = TURN_TYPES[name]
    room_l, room_r = _INDUCTANCE_ROOM, _RESISTANCE_ROOM
    return CoilType(
        name=f"turns-{name}", material=t.material, turns=t.turns,  # type: ignore[arg-type]
        inductance=(
            InductanceLimit(
                t.inductance_h, t.inductance_h * (1 - room_l), t.inductance_h * (1 + room_l), 1e5
            ),
        ),
        dc_resistance=(
            ResistanceLimit(
                t.resistance_ohm, t.resistance_ohm * (1 - room_r),
                t.resistance_ohm * (1 + room_r), 25.0,
            ),
        ),
        saturation=None,
    )  # fmt: skip


def draw_turn_lots(
    name: str,
    count: int,
    *,
    seed: int,
    siblings: int = 3,
    healthy: int = 6,
    faulty: bool = True,
    spread: float = 1.0,
    frequency_hz: Sequence[float] = SWEEPS_HZ["bench-5MHz"],
) -> Lots:
    """Draw lots of a type, in the order of `Lots`; what lies off `frequency_hz` stays unknown."""
    kind = TURN_TYPES[name]
    faults = fault_names(True) if faulty else ()
    columns = [int(np.argmin(np.abs(np.log(GRID_HZ / f)))) for f in frequency_hz]
    impedance = np.full((count, siblings + healthy + len(faults), len(GRID_HZ)), np.nan + 0j)
    dc = np.empty(impedance.shape[:2])
    for i in range(count):
        rng = np.random.default_rng([seed, i, kind.turns])
        lot = {k: spread * between * rng.standard_normal() for k, (between, _) in _SPREADS.items()}
        for j, fault in enumerate([""] * (siblings + healthy) + list(faults)):
            unit = _unit(lot, spread, rng)
            z, dc[i, j] = _solve(kind, unit, fault, GRID_HZ[columns], rng)
            impedance[i, j, columns] = z
    return Lots(name, siblings, healthy, faults, impedance, dc)


def _unit(lot: dict[str, float], spread: float, rng: np.random.Generator) -> dict[str, float]:
    """Draw a part that its maker's final test lets pass."""
    while True:
        unit = {
            k: math.exp(lot[k] + spread * within * rng.standard_normal())
            for k, (_, within) in _SPREADS.items()
        }
        if (
            abs(unit["inductance"] - 1.0) < _INDUCTANCE_ROOM
            and abs(unit["resistance"] - 1.0) < _RESISTANCE_ROOM
        ):
            return unit
        # a lot that fails as a whole is not sold
        lot["inductance"] *= 0.95
        lot["resistance"] *= 0.95


def _distance(turns: int) -> FloatArray:
    """Compute the distance of turns in pitches, wound in layers to and fro."""
    layers = 1 if turns <= 6 else 2 if turns <= 25 else 3
    rows = math.ceil(turns / layers)
    index = np.arange(turns)
    layer, row = index // rows, index % rows
    row = np.where(layer % 2, rows - 1 - row, row)
    return np.asarray(np.hypot(layer[:, None] - layer, row[:, None] - row))


def _wire(frequency_hz: FloatArray, thickness_m: float, layers: float) -> ComplexArray:
    depth = np.sqrt(_COPPER_OHM_M / (math.pi * frequency_hz * _MU_0))
    m = (1.0 + 1.0j) * thickness_m / depth
    return np.asarray(m / np.tanh(m) + (layers**2 - 1.0) / 3.0 * 2.0 * m * np.tanh(m / 2.0))


def _solve(
    kind: TurnType,
    unit: dict[str, float],
    fault: str,
    f: FloatArray,
    rng: np.random.Generator,
) -> tuple[ComplexArray, float]:
    """Solve the nodes of one part: impedance at f (ohm) and dc resistance (ohm)."""
    n, omega = kind.turns, 2.0 * np.pi * f
    what, _, text = fault.partition(" ")
    size = float(text) if text else 0.0
    distance = _distance(n)
    common = (kind.neighbours - (1.0 - _OWN_SHARE) * _FALL_CORE) / (1.0 - _FALL_CORE)
    common = min(common * unit["coupling"], 0.96)
    in_core = (
        (1.0 - common - _OWN_SHARE) * _FALL_CORE**distance + _OWN_SHARE * np.eye(n)
    ) * (1.0 - _AIR_SHARE)  # fmt: skip
    shared = common * (1.0 - _AIR_SHARE) * np.ones((n, n))
    air = _AIR_SHARE * _FALL_AIR**distance
    whole = float((in_core + shared + air).sum())
    scale = kind.inductance_h * unit["inductance"] / whole
    left = 1.0
    if what == "crack":
        left = max(0.0, 1.0 - (1.0 - size) * whole / float(shared.sum()))
    elif what == "fused":
        left = 0.5
    burned = size if what == "lossy" else 1.0
    relaxation = kind.relaxation_hz * unit["relaxation"] / burned
    hysteresis = kind.hysteresis * unit["hysteresis"] * math.sqrt(burned)
    mu = np.exp(-1j * hysteresis) / (1.0 + (1j * f / relaxation) ** _BETA)
    winding = kind.resistance_ohm * unit["resistance"]
    wire = _wire(f, kind.wire_m * unit["wire"], kind.layers * unit["layers"])
    core = scale * (in_core + left * shared)
    branch = 1j * omega[:, None, None] * (scale * air + mu[:, None, None] * core)
    branch = branch + (winding / n) * wire[:, None, None] * np.eye(n)
    # nodes by branches: each turn leads from its node to the next, the last to ground
    incidence = np.eye(n) - np.eye(n, k=-1)
    contacts = _contacts(n, what, size, rng)
    admittance = np.zeros((len(f), n + 1, n + 1), dtype=complex)
    admittance[:, :n, :n] = incidence @ np.linalg.inv(branch) @ incidence.T
    admittance += 1j * omega[:, None, None] * _capacitances(n, unit["capacitance"])
    admittance[:, :n, :n] += contacts
    at_dc = incidence @ np.diag(np.full(n, n / winding)) @ incidence.T + contacts
    extra = winding * (size - 1.0) if what == "joint" else 0.0
    return (
        np.linalg.inv(admittance)[:, 0, 0] + extra,
        float(np.linalg.inv(at_dc)[0, 0]) + extra,
    )


def _contacts(n: int, what: str, size: float, rng: np.random.Generator) -> FloatArray:
    """Compute the conductances between nodes that a fault adds (S); the last node is ground."""
    found = np.zeros((n + 1, n + 1))

    def join(i: int, siemens: float) -> None:
        found[i, i] += siemens
        found[i + 1, i + 1] += siemens
        found[i, i + 1] -= siemens
        found[i + 1, i] -= siemens

    if what == "short":
        join(int(rng.integers(n)), 1.0 / size)
    elif what == "fused":
        for i in range(n):
            join(i, 10.0 ** rng.uniform(1.0, 3.0))
    return found[:n, :n]


def _capacitances(n: int, factor: float) -> FloatArray:
    """Compute the capacitance matrix (F) of n nodes and the core, which floats."""
    found = np.zeros((n + 1, n + 1))
    for i in range(n):
        found[i, i] += _TO_CORE_F * factor + (2.0 if i else 1.0) * _TO_NEIGHBOUR_F * factor
        found[n, n] += _TO_CORE_F * factor
        found[i, n] -= _TO_CORE_F * factor
        found[n, i] -= _TO_CORE_F * factor
        if i + 1 < n:
            found[i, i + 1] -= _TO_NEIGHBOUR_F * factor
            found[i + 1, i] -= _TO_NEIGHBOUR_F * factor
    found[0, 0] += _TERMINALS_F
    return found


def read_turn_lots(lots: Lots, meter: str, *, seed: int) -> list[list[Readings]]:
    """Measure every part of every lot, one session a lot; give readings (lots, parts)."""
    frequencies = np.array(SWEEPS_HZ[meter])
    columns = [int(np.argmin(np.abs(np.log(GRID_HZ / f)))) for f in frequencies]
    found = []
    for i, dc_ohm in enumerate(lots.dc_ohm):
        rng = np.random.default_rng([seed, i])
        z, u_r, u_x, relative = _read(lots.impedance_ohm[i][:, columns], frequencies, meter, rng)
        contact = Contact(
            math.sqrt(2.0) * _METERS[meter].contact_ohm, math.sqrt(2.0) * _METERS[meter].contact_h
        )
        common = rng.standard_normal()
        found.append([])
        for j, dc in enumerate(dc_ohm):
            u_dc = math.hypot(_DC_RELATIVE * dc, _DC_OHM)
            error = (common + rng.standard_normal()) / math.sqrt(2.0)
            found[-1].append(
                Readings(
                    specimen=f"{lots.name}-{i}-{j}", type=f"turns-{lots.name}", lot=f"lot-{i}",
                    role="sibling" if j < lots.siblings else "test", temperature_c=25.0,
                    session=f"lot-{i}",
                    impedance=Impedance(
                        tuple(frequencies.tolist()), tuple(z[j].real.tolist()),
                        tuple(z[j].imag.tolist()), tuple(u_r[j].tolist()),
                        tuple(u_x[j].tolist()), tuple((0.5 * relative[j]).tolist()),
                    ),
                    contact=contact,
                    dc_resistance=DcResistance(
                        float(dc + u_dc * error), u_dc, 25.0, method="multimeter-on-off"
                    ),
                )
            )  # fmt: skip
    return found


def _read(
    z: ComplexArray, f: FloatArray, meter: str, rng: np.random.Generator
) -> tuple[ComplexArray, FloatArray, FloatArray, FloatArray]:
    """Read parts (parts, frequencies) in one session; corrected values, u of R and X, gain."""
    m, omega = _METERS[meter], 2.0 * np.pi * f
    decades = np.log10(f) - 2.0

    def smooth() -> ComplexArray:
        knots = rng.standard_normal(6) + 1j * rng.standard_normal(6)
        return np.asarray(
            np.interp(decades, range(6), knots.real) + 1j * np.interp(decades, range(6), knots.imag)
        )

    common, floor = smooth(), smooth()
    ranges = np.array([smooth() for _ in range(12)])

    def relative(size: FloatArray) -> FloatArray:
        low = np.minimum(1.0 / m.low_ohm / size, 10.0)
        return np.asarray(m.basic * (1.0 + low + size / m.high_ohm + f / f[-1]))

    def raw(true: ComplexArray) -> ComplexArray:
        count = len(true)
        placed = m.contact_ohm * rng.standard_normal((count, 1)) + 1j * omega * (
            m.contact_h * rng.standard_normal((count, 1))
        )
        seen = true + m.fixture[0] + 1j * omega * m.fixture[1] + placed
        seen = 1.0 / (1.0 / seen + 1j * omega * m.fixture[2])
        size = np.abs(seen)
        decade = np.clip(np.floor(np.log10(size)).astype(int) + 6, 0, 11)
        own = np.take_along_axis(ranges, decade, axis=0)
        gain = 0.5 * relative(size) * (common + own) / math.sqrt(2.0)
        noise = m.noise_share * m.floor_ohm + 0.02 * m.basic * size
        draws = rng.standard_normal((2, *true.shape))
        return np.asarray(
            seen * (1.0 + gain)
            + 0.55 * (m.floor_ohm * floor.real + 1j * omega * m.floor_h * floor.imag)
            + noise * (draws[0] + 1j * draws[1])
        )

    short = raw(np.zeros((1, len(f)), dtype=complex))
    opened = 1.0 / (1j * omega * m.fixture[2])
    difference = raw(z) - short
    corrected = difference / (1.0 - difference / (opened - short))
    size = np.abs(corrected)
    known = relative(size)
    rest = (0.5 * known * size) ** 2 + (m.noise_share * m.floor_ohm) ** 2
    u_r = np.sqrt(rest + (0.55 * m.floor_ohm) ** 2 + 2.0 * m.contact_ohm**2)
    u_x = np.sqrt(rest + (0.55 * omega * m.floor_h) ** 2 + 2.0 * (omega * m.contact_h) ** 2)
    return corrected, u_r, u_x, known
