"""Coils from closed forms that share nothing with the reduced model, and readings of them.

Two coupled inductors with series resistance (any circuits text: from memory) in a core that
relaxes as Debye has it, wound from foil whose ac resistance is Dowell's, Proc. IEE 113 (1966)
1387. Values are invented.
"""

from __future__ import annotations

import math

import numpy as np
from attrs import evolve, frozen

from labbench.parts.coil_type import CoilType, InductanceLimit, ResistanceLimit
from labbench.results import Contact, DcResistance, Impedance, Readings

BENCH_HZ = (1e3, 1e4, 1e5, 3e5, 1e6)


@frozen
class ClosedFormCoil:
    """Hold a coil of `turns` turns; `short_ohm` is the contact of one shorted turn, if any."""

    inductance_h: float
    resistance_ohm: float
    turns: int
    relaxation_hz: float = 28e6
    loss_angle: float = 2.5e-3
    foil_m: float = 0.5e-3
    layers: int = 2
    series_ohm: float = 0.0
    coupling: float = 0.96
    short_ohm: float | None = None

    def dc_resistance_ohm(self) -> float:
        turn = self.resistance_ohm / self.turns
        if self.short_ohm is None:
            return self.resistance_ohm + self.series_ohm
        bridged = turn * self.short_ohm / (turn + self.short_ohm)
        return self.resistance_ohm - turn + bridged + self.series_ohm

    def impedance_ohm(self, frequency_hz: np.ndarray) -> np.ndarray:
        f = np.asarray(frequency_hz, dtype=float)
        omega = 2 * np.pi * f
        core = np.exp(-1j * self.loss_angle) / (1 + 1j * f / self.relaxation_hz)
        winding = self.resistance_ohm * dowell(self.foil_m / skin_depth_m(f), self.layers)
        own = 1j * omega * self.inductance_h * core
        z = self.series_ohm + winding + own
        if self.short_ohm is not None:
            turn_h = 1.1 * self.inductance_h / self.turns**2 * core
            turn_ohm = winding / self.turns + self.short_ohm
            mutual = self.coupling * np.sqrt(self.inductance_h * core * turn_h)
            z = z + (omega * mutual) ** 2 / (turn_ohm + 1j * omega * turn_h)
        return z


def skin_depth_m(frequency_hz: np.ndarray) -> np.ndarray:
    """Skin depth of copper of 1/58 ohm mm2/m (IEC 60028), mu0 = 4e-7 pi."""
    return np.sqrt(1 / 58e6 / (np.pi * frequency_hz * 4e-7 * np.pi))


def dowell(d: np.ndarray, layers: int) -> np.ndarray:
    """Complex ratio of impedance to dc resistance of `layers` foils of d skin depths.

    Real part: Dowell 1966. The imaginary part belongs to it: a winding whose resistance rises
    without its internal inductance falling does not exist.
    """
    m = (1 + 1j) * d
    return m / np.tanh(m) + (layers**2 - 1) / 3 * 2 * m * np.tanh(m / 2)


SMALL = ClosedFormCoil(470e-9, 1.5e-3, 4)
LARGE = ClosedFormCoil(4.7e-6, 16e-3, 12, coupling=0.945)

SMALL_TYPE = CoilType(
    name="buoy-470n", material="powder", turns=4,
    inductance=(InductanceLimit(470e-9, 376e-9, 564e-9, 100e3),),
    dc_resistance=(ResistanceLimit(1.5e-3, 1.35e-3, 1.65e-3, 25.0),),
)  # fmt: skip
LARGE_TYPE = CoilType(
    name="buoy-4u7", material="powder", turns=12,
    inductance=(InductanceLimit(4.7e-6, 3.76e-6, 5.64e-6, 100e3),),
    dc_resistance=(ResistanceLimit(16e-3, 14.4e-3, 17.6e-3, 25.0),),
)  # fmt: skip


def sweep(
    z: np.ndarray, frequency_hz: tuple[float, ...], *, random: np.random.Generator | None = None
) -> tuple[Impedance, Contact]:
    """Give a sweep the uncertainties of a bench LCR meter, and errors drawn from them."""
    f = np.array(frequency_hz)
    omega = 2 * np.pi * f
    gain = 5e-4 * np.abs(z)
    contact_ohm, contact_h = 2.5e-4, 1.2e-9
    u_r = np.sqrt(gain**2 + (6e-5) ** 2 + contact_ohm**2)
    u_x = np.sqrt(gain**2 + (omega * 6e-10) ** 2 + (omega * contact_h) ** 2 + (3e-5) ** 2)
    r, x = z.real.copy(), z.imag.copy()
    if random is not None:
        r += contact_ohm * random.normal() + np.hypot(gain, 6e-5) * random.normal(size=len(f))
        x += omega * contact_h * random.normal()
        x += np.hypot(gain, 3e-5) * random.normal(size=len(f))
    impedance = Impedance(
        frequency_hz=tuple(f.tolist()),
        resistance_ohm=tuple(r.tolist()),
        reactance_ohm=tuple(x.tolist()),
        u_resistance_ohm=tuple(u_r.tolist()),
        u_reactance_ohm=tuple(u_x.tolist()),
    )
    return impedance, Contact(contact_ohm, contact_h)


def readings_of(
    coil: ClosedFormCoil,
    part: CoilType,
    *,
    frequency_hz: tuple[float, ...] = BENCH_HZ,
    seed: int | None = None,
    specimen: str = "D1",
) -> Readings:
    """Give the readings of a closed-form coil at 25 degrees, by multimeter and LCR meter."""
    random = None if seed is None else np.random.default_rng(seed)
    impedance, contact = sweep(
        coil.impedance_ohm(np.array(frequency_hz)), frequency_hz, random=random
    )
    dc = coil.dc_resistance_ohm()
    u = math.hypot(0.0045 * dc, 4e-6)
    value = dc if random is None else dc + u * random.normal()
    return Readings(
        specimen=specimen, type=part.name, lot="buoy-board-12", temperature_c=25.0,
        impedance=impedance, contact=contact,
        dc_resistance=DcResistance(
            value_ohm=value, u_ohm=u, temperature_c=25.0, method="multimeter-on-off"
        ),
    )  # fmt: skip


def with_impedance(readings: Readings, **columns: tuple) -> Readings:
    """Replace columns of the sweep."""
    assert readings.impedance is not None
    return evolve(readings, impedance=evolve(readings.impedance, **columns))


def with_resistance(readings: Readings, **fields: object) -> Readings:
    """Replace fields of the dc resistance."""
    assert readings.dc_resistance is not None
    return evolve(readings, dc_resistance=evolve(readings.dc_resistance, **fields))
