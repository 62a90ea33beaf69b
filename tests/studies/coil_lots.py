"""Lots of simulated coils and what LCR meters of several classes read of them, for studies.

The coils are those of the simulator's own populations. The meter is written here anew, without
sockets and for many parts at once, with the figures of the simulator's instrument classes: a gain
error that stays for a session and is smooth in frequency, a zero error that wanders with what is
measured, contacts that are made anew at every placement, and one short reading a session. The
uncertainties stated beside the readings are those of the metrology of the core for that class.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.special import erf

from labbench.metrology.accuracy import IMPEDANCE_CLASSES
from labbench.parts.coil_type import CoilType, InductanceLimit, ResistanceLimit, Saturation
from labbench.results import Contact, DcResistance, Impedance, Readings
from sim.instruments.classes import IMPEDANCE_METERS
from sim.physics.coil import Coil
from sim.physics.construction import Construction
from sim.physics.construction_file import construction
from sim.physics.faults import (
    BadJoint,
    CrackedCore,
    Fault,
    FusedWinding,
    LossyCore,
    ShortedTurn,
)
from sim.physics.population import Lot, draw_coil, draw_lot

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

#: every frequency at which a study looks (Hz)
GRID_HZ = np.array(
    [1e3, 3e3, 1e4, 2e4, 3e4, 5e4, 1e5, 2e5, 3e5, 5e5, 7e5, 1e6, 2e6, 5e6]
)  # fmt: skip
#: the usual sweep of each class (Hz)
SWEEPS_HZ: Mapping[str, tuple[float, ...]] = {
    "hand-100kHz": (1e3, 1e4, 1e5),
    "bench-300kHz": (1e3, 1e4, 1e5, 3e5),
    "bench-1MHz": (1e3, 1e4, 1e5, 3e5, 1e6),
    "bench-5MHz": (1e3, 1e4, 1e5, 3e5, 1e6, 5e6),
}
SHORTS_OHM = (5e-5, 5e-4, 5e-3, 0.05, 0.2, 0.5, 1.0, 3.0, 10.0, 30.0)
CRACKS = (0.86, 0.80, 0.66)
LOSSY = (2.0, 4.0, 10.0)
JOINTS = (1.10, 1.20, 1.25)

# the multimeter's on/off method: 0.45 % and 4 uohm, standard, half of it common to a session
_DC_RELATIVE, _DC_OHM = 0.0045, 4e-6
_APERTURE_S, _SOURCE_OHM, _LEVEL_V = 0.2, 100.0, 0.1


def fault_names(has_core: bool) -> tuple[str, ...]:
    """Name the faults of a study, one part of each a lot."""
    names = [f"short {ohm:g}" for ohm in SHORTS_OHM] + ["fused"]
    if has_core:
        names += [f"crack {share:g}" for share in CRACKS] + [f"lossy {x:g}" for x in LOSSY]
    return (*names, *(f"joint {x:g}" for x in JOINTS))


@dataclass(frozen=True)
class Lots:
    """Hold lots of one construction: impedances (lots, parts, GRID_HZ) and dc resistances.

    The parts of a lot are `siblings`, then `healthy`, then one of each fault in `faults`.
    """

    name: str
    siblings: int
    healthy: int
    faults: tuple[str, ...]
    impedance_ohm: ComplexArray
    dc_ohm: FloatArray

    def part_index(self, fault: str) -> int:
        """Find the part of a lot that has a fault."""
        return self.siblings + self.healthy + self.faults.index(fault)


def wider(built: Construction, factor: float) -> Construction:
    """Give a construction whose spreads are so many times as declared, its tolerance too."""
    nominal = built.nominal
    return replace(
        built,
        lot_spread={k: v * factor for k, v in built.lot_spread.items()},
        unit_spread={k: v * factor for k, v in built.unit_spread.items()},
        nominal=nominal,
    )


def draw_lots(
    name: str,
    count: int,
    *,
    seed: int,
    siblings: int = 3,
    healthy: int = 6,
    faulty: bool = True,
    spread: float = 1.0,
    only: tuple[str, ...] | None = None,
) -> Lots:
    """Draw lots of a construction, with some faults only if so told; one seed, the same parts."""
    built = wider(construction(name), spread)
    faults = fault_names(built.material is not None) if faulty else ()
    faults = tuple(f for f in faults if only is None or f in only)
    parts = siblings + healthy + len(faults)
    impedance = np.empty((count, parts, len(GRID_HZ)), dtype=complex)
    dc = np.empty((count, parts))
    for i in range(count):
        rng = np.random.default_rng([seed, i])
        lot = draw_lot(built, rng)
        coils = [draw_coil(built, lot, rng) for _ in range(siblings + healthy)]
        coils += _faulty(built, lot, rng, faults)
        for j, coil in enumerate(coils):
            impedance[i, j] = coil.impedance_ohm(GRID_HZ)
            dc[i, j] = coil.dc_resistance_ohm()
    return Lots(name, siblings, healthy, faults, impedance, dc)


def kept_lots(
    folder: Path | None, draw: Callable[..., Lots], name: str, count: int, **how: object
) -> Lots:
    """Draw lots, or read them from a folder where these, or more of the same, were kept before."""
    if folder is None:
        return draw(name, count, **how)
    options = "_".join(f"{k}-{v}" for k, v in sorted(how.items()))
    stem = f"{draw.__name__}_{name}_{options}_x"
    kept_before = {int(p.stem.rpartition("_x")[2]): p for p in folder.glob(f"{stem}*.npz")}
    enough = [n for n in kept_before if n >= count]
    path = kept_before[min(enough)] if enough else folder / f"{stem}{count}.npz"
    if not enough:
        lots = draw(name, count, **how)
        folder.mkdir(parents=True, exist_ok=True)
        np.savez(
            path,
            z=lots.impedance_ohm,
            dc=lots.dc_ohm,
            faults=np.array(lots.faults, dtype=str),
            counts=(lots.siblings, lots.healthy),
        )
    with np.load(path) as kept:
        siblings, healthy = (int(x) for x in kept["counts"])
        return Lots(
            name, siblings, healthy, tuple(map(str, kept["faults"])), kept["z"][:count],
            kept["dc"][:count],
        )  # fmt: skip


def _faulty(
    built: Construction, lot: Lot, rng: np.random.Generator, faults: Sequence[str]
) -> list[Coil]:
    turns = built.winding.turns
    found = []
    for name in faults:
        kind, _, text = name.partition(" ")
        fault: Fault
        if kind == "short":
            start = int(rng.integers(1, turns + 1))
            fault = ShortedTurn((start, start + 1), float(text))
        elif kind == "fused":
            fault = FusedWinding(float(np.exp(rng.uniform(np.log(1e-3), np.log(0.1)))), 0.3)
        elif kind == "crack":
            fault = CrackedCore(inductance_share=float(text))
        elif kind == "lossy":
            fault = LossyCore(float(text))
        else:
            fault = BadJoint(factor=float(text))
        found.append(_possible(built, lot, rng, fault))
    return found


def _possible(built: Construction, lot: Lot, rng: np.random.Generator, fault: Fault) -> Coil:
    """Draw a coil with a fault; a rod that cannot lose so much loses what it can."""
    coil = draw_coil(built, lot, rng)
    try:
        return coil.with_fault(fault)
    except ValueError:
        return coil.with_fault(CrackedCore(flux_share=0.0))


@cache
def study_type(name: str, *, with_saturation: bool = False) -> CoilType:
    """Give the part type of a construction, as its maker would state it."""
    built = construction(name)
    nominal = built.nominal
    inductance, resistance = nominal.inductance_h, nominal.dc_resistance_ohm
    l_room, r_room = nominal.inductance_tolerance, nominal.dc_resistance_tolerance
    material = "air" if built.material is None else built.material.__class__.__name__
    return CoilType(
        name=name,
        material={"PowderCore": "powder", "FerriteCore": "ferrite", "air": "air"}[material],  # type: ignore[arg-type]
        turns=built.winding.turns,
        inductance=(
            InductanceLimit(
                inductance, inductance * (1 - l_room), inductance * (1 + l_room),
                nominal.frequency_hz,
            ),
        ),
        dc_resistance=(
            ResistanceLimit(
                resistance, resistance * (1 - r_room), resistance * (1 + r_room), 25.0
            ),
        ),
        saturation=Saturation(nominal.saturation_a, nominal.saturation_drop)
        if with_saturation and nominal.saturation_a
        else None,
    )  # fmt: skip


def read_lots(
    lots: Lots,
    meter: str,
    *,
    seed: int,
    frequency_hz: Sequence[float] | None = None,
) -> list[list[Readings]]:
    """Measure every part of every lot, one session a lot; give readings (lots, parts)."""
    frequencies = np.array(SWEEPS_HZ[meter] if frequency_hz is None else frequency_hz)
    columns = [int(np.argmin(np.abs(np.log(GRID_HZ / f)))) for f in frequencies]
    found = []
    for i in range(len(lots.dc_ohm)):
        rng = np.random.default_rng([seed, i, len(frequencies)])
        z, u_r, u_x, u_gain = _swept(lots.impedance_ohm[i][:, columns], frequencies, meter, rng)
        common = rng.standard_normal()
        found.append([])
        for j, dc in enumerate(lots.dc_ohm[i]):
            u_dc = math.hypot(_DC_RELATIVE * dc, _DC_OHM)
            error = (common + rng.standard_normal()) / math.sqrt(2.0)
            found[-1].append(
                _readings(
                    f"{lots.name}-{i}-{j}", lots.name, f"lot-{i}", frequencies,
                    z[j], u_r[j], u_x[j], u_gain[j], meter, float(dc + u_dc * error), u_dc,
                    "sibling" if j < lots.siblings else "test",
                )
            )  # fmt: skip
    return found


def _readings(
    specimen: str, type_: str, lot: str, f: FloatArray, z: ComplexArray, u_r: FloatArray,
    u_x: FloatArray, u_gain: FloatArray, meter: str, dc: float, u_dc: float, role: str,
) -> Readings:  # fmt: skip
    accuracy = IMPEDANCE_CLASSES[meter]
    return Readings(
        specimen=specimen, type=type_, lot=lot, role=role,  # type: ignore[arg-type]
        temperature_c=25.0, session=lot,
        impedance=Impedance(
            tuple(f.tolist()), tuple(z.real.tolist()), tuple(z.imag.tolist()),
            tuple(u_r.tolist()), tuple(u_x.tolist()), tuple(u_gain.tolist()),
        ),
        contact=Contact(
            math.sqrt(2.0) * accuracy.contact_resistance_ohm,
            math.sqrt(2.0) * accuracy.contact_inductance_h,
        ),
        dc_resistance=DcResistance(dc, u_dc, 25.0, method="multimeter-on-off"),
    )  # fmt: skip


def _swept(
    z: ComplexArray, f: FloatArray, meter: str, rng: np.random.Generator
) -> tuple[ComplexArray, FloatArray, FloatArray, FloatArray]:
    """Read parts (parts, frequencies) in one session and compensate; give values and u."""
    figures, stated = IMPEDANCE_METERS[meter], IMPEDANCE_CLASSES[meter]
    omega = 2.0 * np.pi * f
    parts = len(z)
    gain_knots = _knots(rng, 2)
    floor_knots = rng.standard_normal((14, 9)) + 1j * rng.standard_normal((14, 9))

    def contact(count: int) -> ComplexArray:
        ohm = figures.contact_sd_ohm * rng.standard_normal((count, 1))
        henry = figures.contact_sd_h * rng.standard_normal((count, 1))
        return ohm + 1j * omega * henry

    def raw(true: ComplexArray) -> ComplexArray:
        size = np.abs(true)
        limit = figures.basic * (
            1.0 + np.minimum(figures.low_ohm / size, figures.low_cap) + size / figures.high_ohm
            + f / figures.top_hz
        )  # fmt: skip
        blend = (gain_knots @ _along(f, 0, 9).T).sum(axis=0) / math.sqrt(2.0)
        gain = 0.866 * limit * _even(blend)
        sizes = _along(size.ravel(), -5, 14)
        floor = np.einsum(
            "kz,zf,kf->k", sizes, floor_knots, np.tile(_along(f, 0, 9), (len(true), 1))
        ).reshape(true.shape)
        floor = 0.953 * _even(floor)
        current = _LEVEL_V / np.abs(_SOURCE_OHM + true)
        noise = np.sqrt(
            (figures.voltage_noise_v / current) ** 2
            + (size * figures.current_noise_a / current) ** 2
            + (0.02 * figures.basic * np.maximum(size, 0.01)) ** 2
        ) / math.sqrt(_APERTURE_S)  # fmt: skip
        draws = rng.standard_normal((2, *true.shape))
        return (
            true * (1.0 + gain)
            + figures.floor_ohm * floor.real + 1j * omega * figures.floor_h * floor.imag
            + noise * (draws[0] + 1j * draws[1])
        )  # fmt: skip

    fixture = figures.fixture_ohm + 1j * omega * figures.fixture_h
    stray = 0.2e-12 * rng.standard_normal((parts, 1))
    seen = z / (1.0 + 1j * omega * stray * z)
    short = raw(fixture + contact(1))
    measured = raw(fixture + contact(parts) + seen) - short
    size = np.abs(measured)
    u_gain = _limit(stated, size, f) / math.sqrt(3.0)
    u_short = _limit(stated, np.abs(short), f) * np.abs(short) / math.sqrt(3.0)
    noise = np.sqrt(
        (stated.noise_relative * size) ** 2 + stated.noise_resistance_ohm**2
    ) / math.sqrt(_APERTURE_S)  # fmt: skip
    common = (u_gain * size) ** 2 + u_short**2 + noise**2
    common += (size**2 * omega * stated.stray_capacitance_f) ** 2
    u_r = np.sqrt(
        common + stated.floor_resistance_ohm**2 / 3.0 + 2.0 * stated.contact_resistance_ohm**2
    )
    u_x = np.sqrt(
        common + omega**2 * (stated.floor_inductance_h**2 / 3.0
                             + 2.0 * stated.contact_inductance_h**2)
    )  # fmt: skip
    return measured, u_r, u_x, u_gain


def _limit(stated: object, size: FloatArray, f: FloatArray) -> FloatArray:
    s = IMPEDANCE_CLASSES[stated.class_name]  # type: ignore[attr-defined]
    low = np.minimum(s.impedance_low_ohm / np.maximum(size, 1e-12), 10.0)
    return np.asarray(
        s.basic_relative * (1.0 + low + size / s.impedance_high_ohm + f / s.frequency_high_hz)
    )


def _knots(rng: np.random.Generator, count: int) -> ComplexArray:
    return rng.standard_normal((count, 9)) + 1j * rng.standard_normal((count, 9))


def _along(value: FloatArray, first: int, count: int) -> FloatArray:
    """Blend knots, one a decade: weights (values, knots) of unit length."""
    distance = (np.log10(value)[:, None] - (first + np.arange(count))) / 0.8
    weights = np.exp(-0.5 * distance**2)
    return np.asarray(weights / np.sqrt(np.sum(weights**2, axis=1, keepdims=True)))


def _even(value: ComplexArray) -> ComplexArray:
    root = math.sqrt(2.0)
    return np.asarray(erf(value.real / root) + 1j * erf(value.imag / root))
