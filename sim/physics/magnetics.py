"""Core materials: permeability over frequency, bias and temperature, relative to small and slow.

``scale`` multiplies the core part of the inductance matrix. It is 1 at low frequency (but for
the loss angle), without bias, at 25 C.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq

from sim.physics.conductors import ComplexArray, FloatArray

REFERENCE_TEMPERATURE_C = 25.0


def debye(
    frequency_hz: ArrayLike, static: float, residual: float, relaxation_hz: float
) -> ComplexArray:
    """Give the permeability of a single relaxation: residual + (static - residual)/(1 + jwT)."""
    ratio = np.asarray(frequency_hz, dtype=np.float64) / relaxation_hz
    return np.asarray(residual + (static - residual) / (1 + 1j * ratio))


def constant_angle(
    frequency_hz: ArrayLike, loss_angle_rad: float, reference_hz: float
) -> ComplexArray:
    """Give a factor with the same loss angle at every frequency, magnitude 1 at the reference.

    ``(jf/f0)^(-2 angle/pi)``: a constant angle forces the magnitude to fall by 1.47 times the
    angle per decade (Kramers and Kronig), about 0.3 % for 2 mrad.
    """
    ratio = np.asarray(frequency_hz, dtype=np.float64) / reference_hz
    return np.asarray((1j * ratio) ** (-2 * loss_angle_rad / np.pi))


def sphere_shielding(squared: ArrayLike) -> ComplexArray:
    """Give the apparent permeability of a conducting sphere over its static permeability.

    ``squared`` is (k a)^2, complex, k^2 = -j w mu sigma. A sphere with eddy currents looks from
    outside like one without, of permeability ``2 (1 - z cot z) / (z^2 - 1 + z cot z)`` times its
    own, z = k a (match B_r and H_theta at the surface; Landau and Lifshitz, Electrodynamics of
    Continuous Media, section 59, from memory).
    """
    z2 = np.asarray(squared, dtype=np.complex128)
    z = np.sqrt(z2)
    z = np.where(z.imag < 0, -z, z)  # even in z; this root keeps the exponential small
    decay = np.exp(2j * z)
    small = np.abs(z2) < 0.05
    with np.errstate(divide="ignore", invalid="ignore"):
        turn = 1j * z * (1 + decay) / (decay - 1)
        closed = 2 * (1 - turn) / (z2 - 1 + turn)
    # the closed form cancels for small z: z cot z = 1 - z^2/3 - z^4/45 - 2 z^6/945 - z^8/4725
    tail = z2 / 45 + 2 * z2**2 / 945 + z2**3 / 4725 + 2 * z2**4 / 93555
    series = 2 * (1 / 3 + tail) / (2 / 3 - tail)
    return np.asarray(np.where(small, series, closed))


def _log_normal(spread: float) -> tuple[FloatArray, FloatArray]:
    """Give nodes and weights of an average over a log-normal with median 1 (Gauss-Hermite)."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(9)
    return np.exp(spread * nodes), weights / weights.sum()


def langevin_slope(field: ArrayLike) -> FloatArray:
    """Give three times the slope of the Langevin function, 1 at zero field."""
    x = np.abs(np.asarray(field, dtype=np.float64))
    small = x < 0.03
    safe = np.where(small, 1.0, np.minimum(x, 300.0))
    closed = 3 * (1 / np.where(small, 1.0, x) ** 2 - 1 / np.sinh(safe) ** 2)
    return np.asarray(np.where(small, 1 - x**2 / 5 + 2 * x**4 / 63, closed))


@dataclass(frozen=True)
class PowderCore:
    """Metal grains in binder: eddy currents in each grain, and grains that saturate one by one.

    ``relaxation_hz`` is where the low-frequency eddy loss angle of the median grain would
    reach 1 rad; ``grain_spread`` and ``field_spread`` are log-normal sds of grain size and of
    the field that a grain sees.
    """

    relaxation_hz: float
    grain_spread: float
    loss_angle_rad: float
    reference_hz: float
    field_spread: float
    temperature_coefficient_per_k: float
    saturation_a: float = np.inf  # winding current at which the Langevin argument is 1

    def scale(self, frequency_hz: ArrayLike, bias_a: float, temperature_c: float) -> ComplexArray:
        """Give the permeability relative to small and slow. Shape: that of the frequency."""
        frequency = np.asarray(frequency_hz, dtype=np.float64)
        sizes, weights = _log_normal(self.grain_spread)
        squared = -10j * frequency[..., None] / self.relaxation_hz * sizes**2
        grains = sphere_shielding(squared) @ weights
        angle = constant_angle(frequency, self.loss_angle_rad, self.reference_hz)
        warm = 1 + self.temperature_coefficient_per_k * (temperature_c - REFERENCE_TEMPERATURE_C)
        return np.asarray(grains * angle * warm * self.reversible(bias_a))

    def reversible(self, bias_a: float) -> float:
        """Give the slope of the magnetisation at this bias over that without."""
        fields, weights = _log_normal(self.field_spread)
        return float(langevin_slope(bias_a / self.saturation_a * fields) @ weights)


@dataclass(frozen=True)
class FerriteCore:
    """Ferrite in series with a gap (or with a rod's open ends, which act as one).

    The gap dilutes the ferrite's loss and takes most of the magnetising current, so that the
    inductance stays flat until the ferrite itself saturates. ``gap_ratio`` is gap length over
    core length; for a rod it is the demagnetising factor.
    """

    initial_permeability: float
    residual_permeability: float
    relaxation_hz: float
    loss_angle_rad: float
    reference_hz: float
    gap_ratio: float
    temperature_coefficient_per_k: float
    saturation_a: float = np.inf  # winding current that fills the gap with the saturation flux

    def scale(self, frequency_hz: ArrayLike, bias_a: float, temperature_c: float) -> ComplexArray:
        """Give the permeability relative to small and slow. Shape: that of the frequency."""
        static = self.initial_permeability
        warm = 1 + self.temperature_coefficient_per_k * (temperature_c - REFERENCE_TEMPERATURE_C)
        ferrite = debye(frequency_hz, static, self.residual_permeability, self.relaxation_hz)
        ferrite = ferrite * constant_angle(frequency_hz, self.loss_angle_rad, self.reference_hz)
        ferrite = ferrite * (warm * self.reversible(bias_a))
        return np.asarray(
            ferrite / (1 + ferrite * self.gap_ratio) * (1 + static * self.gap_ratio) / static
        )

    def reversible(self, bias_a: float) -> float:
        """Give the ferrite's own slope dB/dH at this bias over that without (tanh curve).

        The field h in the ferrite follows from Ampere's law around core and gap:
        ``h / g + tanh h = x (1 + 1/g)`` with g = permeability times gap ratio.
        """
        drive = abs(bias_a) / self.saturation_a
        if drive == 0:
            return 1.0
        gain = self.initial_permeability * self.gap_ratio
        goal = drive * (1 + 1 / gain)
        field = brentq(lambda h: h / gain + np.tanh(h) - goal, 0.0, goal * gain + 1.0, xtol=1e-12)
        return float(1 / np.cosh(min(field, 300.0)) ** 2)
