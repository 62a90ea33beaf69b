"""Compute the full covariance of a compensated sweep with numpy, all points at once.

Beside `labbench.metrology.impedance`, which does the same point by point with GTC and keeps the
labels: this is for long sweeps, whose points share gain, contacts and stray capacitance. Both are
checked against each other; the model and the table of influences stand there.

The covariance is kept as what it is made of: columns that all points share, and a block of two by
two for each point. A thousand points are then some 80 kB instead of 32 MB.
"""

from __future__ import annotations

__all__ = [
    "CompensationArrays",
    "ComplexArray",
    "FloatArray",
    "SweepCovariance",
    "compensation_arrays",
    "sweep_covariance",
]

import math

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from labbench.errors import InputError
from labbench.metrology.accuracy import ImpedanceAccuracy
from labbench.metrology.compensation import Compensation, load_factor, open_admittance
from labbench.metrology.impedance import contact_figures

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

_ROOT_3 = math.sqrt(3.0)


@frozen(eq=False)
class CompensationArrays:
    """Hold a compensation as arrays over its n frequencies, made once for many sweeps."""

    frequency_hz: FloatArray
    short_ohm: ComplexArray
    #: 1/(Zo - Zs) (S), zero for an open beyond the range
    open_s: ComplexArray
    #: variances of real and imaginary part, (n, 2): short (ohm), open as an admittance (S)
    short_variance: FloatArray
    open_variance: FloatArray
    factor: ComplexArray
    u_load: float
    u_load_phase: FloatArray
    contact_ohm: float
    contact_h: float
    placements: int


@frozen(eq=False)
class SweepCovariance:
    """Hold impedances and their covariance: `shared` (2n, k) and `own` (n, 2, 2).

    Rows are the n resistances, then the n reactances (ohm).
    """

    impedance_ohm: ComplexArray
    shared: FloatArray
    own: FloatArray

    def u(self) -> tuple[FloatArray, FloatArray]:
        """Return the standard uncertainties of resistance and reactance, (n,) each."""
        n = len(self.impedance_ohm)
        total = np.einsum("ij,ij->i", self.shared, self.shared)
        return (
            np.sqrt(total[:n] + self.own[:, 0, 0]),
            np.sqrt(total[n:] + self.own[:, 1, 1]),
        )

    def matrix(self) -> FloatArray:
        """Return the covariance as one array, (2n, 2n) in ohm squared."""
        n = len(self.impedance_ohm)
        full: FloatArray = self.shared @ self.shared.T
        i = np.arange(n)
        full[i, i] += self.own[:, 0, 0]
        full[n + i, n + i] += self.own[:, 1, 1]
        full[i, n + i] += self.own[:, 0, 1]
        full[n + i, i] += self.own[:, 1, 0]
        return full


def compensation_arrays(
    compensation: Compensation, accuracy: ImpedanceAccuracy
) -> CompensationArrays:
    """Turn a compensation into arrays; its own class errors are in the variances."""
    n = len(compensation.frequency_hz)
    f = np.array(compensation.frequency_hz)
    short = np.array(compensation.short_ohm)
    open_s = np.array([open_admittance(compensation, i) for i in range(n)])
    class_short = (accuracy.relative_limits(np.abs(short), f) * np.abs(short) / _ROOT_3) ** 2
    short_variance = np.array(compensation.u_short_ohm) ** 2 + class_short[:, None]
    there = np.array([z is not None for z in compensation.open_ohm])
    opened = np.array([1.0 if z is None else z for z in compensation.open_ohm], dtype=complex)
    class_open = (accuracy.relative_limits(np.abs(opened), f) * np.abs(opened) / _ROOT_3) ** 2
    open_variance = np.where(
        there[:, None], np.array(compensation.u_open_ohm) ** 2 + class_open[:, None], 0.0
    )
    beyond = (1.0 / accuracy.impedance_max_ohm / _ROOT_3) ** 2
    # an open within range is an influence in ohm, one beyond it in siemens
    open_variance[~there] = beyond
    contact_ohm, contact_h = contact_figures(compensation, accuracy)
    phase = compensation.u_load_phase
    return CompensationArrays(
        frequency_hz=f, short_ohm=short, open_s=open_s,
        short_variance=short_variance, open_variance=open_variance,
        factor=np.array([load_factor(compensation, i) for i in range(n)]),
        u_load=compensation.u_load_relative or 0.0,
        u_load_phase=np.zeros(n) if phase is None else np.array(phase),
        contact_ohm=contact_ohm, contact_h=contact_h, placements=compensation.placements,
    )  # fmt: skip


def sweep_covariance(
    raw_ohm: ComplexArray,
    u_raw_ohm: FloatArray,
    arrays: CompensationArrays,
    accuracy: ImpedanceAccuracy,
) -> SweepCovariance:
    """Compensate raw readings at the frequencies of the compensation, with full covariance.

    `raw_ohm` (n,), `u_raw_ohm` (n, 2): standard uncertainties of the means from repeatability.
    Raises InputError for arrays of another length.
    """
    f = arrays.frequency_hz
    n = len(f)
    if raw_ohm.shape != (n,) or u_raw_ohm.shape != (n, 2):
        raise InputError(
            f"a sweep of {raw_ohm.shape} readings does not fit a compensation of {n} frequencies"
        )
    omega = 2.0 * np.pi * f
    d = raw_ohm - arrays.short_ohm
    remaining = 1.0 - d * arrays.open_s
    z = arrays.factor * d / remaining
    by_d = arrays.factor / remaining**2
    by_y = by_d * d**2
    touch = math.sqrt(1.0 + 1.0 / arrays.placements)
    gain = accuracy.relative_limits(np.abs(z), f) / _ROOT_3
    columns = (
        gain * z,
        1j * gain * z,
        touch * arrays.contact_ohm * by_d,
        touch * arrays.contact_h * 1j * omega * by_d,
        accuracy.stray_capacitance_f * 1j * omega * by_y,
        arrays.u_load * z,
    )
    shared = np.empty((2 * n, len(columns)))
    for k, column in enumerate(columns):
        shared[:n, k] = column.real
        shared[n:, k] = column.imag
    beyond = arrays.open_s == 0.0
    by_open = by_y * np.where(beyond, 1.0, -(arrays.open_s**2))
    by_short = -by_d + by_y * np.where(beyond, 0.0, arrays.open_s**2)
    zero = np.empty((n, 2))
    zero[:, 0] = accuracy.floor_resistance_ohm**2 / 3.0
    zero[:, 1] = (omega * accuracy.floor_inductance_h) ** 2 / 3.0
    own = _blocks(by_d, u_raw_ohm**2 + zero)
    own += _blocks(by_short, arrays.short_variance)
    own += _blocks(by_open, arrays.open_variance)
    phase = np.zeros((n, 2))
    phase[:, 1] = arrays.u_load_phase**2
    own += _blocks(z, phase)
    return SweepCovariance(z, shared, own)


def _blocks(by: ComplexArray, variance: FloatArray) -> FloatArray:
    """Return the (n, 2, 2) covariance of a complex influence with this derivative."""
    a, b = by.real, by.imag
    v, w = variance[:, 0], variance[:, 1]
    found = np.empty((len(by), 2, 2))
    found[:, 0, 0] = a * a * v + b * b * w
    found[:, 1, 1] = b * b * v + a * a * w
    found[:, 0, 1] = found[:, 1, 0] = a * b * (v - w)
    return found
