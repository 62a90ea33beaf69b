"""Compute what a plot of a sweep is drawn against: the healthy band and the best explanation."""

from __future__ import annotations

__all__ = ["FloatArray", "band_for_plot", "healthy_band"]

from typing import Any

import numpy as np
from numpy.typing import NDArray

from labbench.judging import coil_model as model
from labbench.judging.coil_fit import Fit
from labbench.judging.coil_priors import Prior

FloatArray = NDArray[np.float64]

_POINTS = 61
_Z95 = 1.959963984540054
# past resonance the linear propagation has no end
_WIDEST = 10.0


def band_for_plot(prior: Prior, measured_hz: FloatArray, best: Fit, label: str) -> dict[str, Any]:
    """Lay a grid over the sweep and a little beyond; return the band and the explanation on it.

    Keys: `frequency_hz`, `inductance_h`, `resistance_ohm` and `loss_tangent` (each `lower` and
    `upper`), and `explanation` with `label`, `inductance_h`, `resistance_ohm`, `loss_tangent`.
    """
    grid = np.geomspace(float(measured_hz.min()) / 1.5, float(measured_hz.max()) * 1.5, _POINTS)
    z = model.impedance(best.theta[None, :], grid, best.hypothesis.loop)[0]
    return {
        "frequency_hz": grid.tolist(),
        **healthy_band(prior, grid),
        "explanation": {
            "label": label,
            "inductance_h": (z.imag / (2.0 * np.pi * grid)).tolist(),
            "resistance_ohm": z.real.tolist(),
            "loss_tangent": (z.real / z.imag).tolist(),
        },
    }


def healthy_band(prior: Prior, frequency_hz: FloatArray) -> dict[str, dict[str, list[float]]]:
    """Compute where 95 % of healthy parts of a type lie at each frequency.

    Linear propagation of the prior to ln L, ln R and ln tan d; the contacts are left out.
    """
    z, dz = model.impedance_and_derivatives(prior.mean[None, :], frequency_hz, False)
    z, dz = z[0], dz[0]
    sd = prior.sd.copy()
    sd[[model.DR, model.DL]] = 0.0
    d_log_x = dz.imag / z.imag[:, None]
    d_log_r = dz.real / z.real[:, None]

    def edges(centre: FloatArray, derivative: FloatArray) -> dict[str, list[float]]:
        half = np.minimum(_Z95 * np.sqrt(np.sum((derivative * sd) ** 2, axis=1)), _WIDEST)
        return {
            "lower": (centre * np.exp(-half)).tolist(),
            "upper": (centre * np.exp(half)).tolist(),
        }

    return {
        "inductance_h": edges(z.imag / (2.0 * np.pi * frequency_hz), d_log_x),
        "resistance_ohm": edges(z.real, d_log_r),
        "loss_tangent": edges(z.real / z.imag, d_log_r - d_log_x),
    }
