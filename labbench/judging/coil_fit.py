"""Fit the reduced model to a sweep: all starting points of all hypotheses solved together.

The objective of a start is chi2 = sum of squared residuals of the data + sum of squared distances
from the prior mean, both in standard deviations: its minimum is the MAP estimate. The unknowns
are the distances from the prior, so that all have the same scale. Levenberg-Marquardt (Marquardt,
J. SIAM 11 (1963) 431: from memory) runs on the whole batch with numpy, because a start costs
almost nothing beside the overhead of the calls.
"""

from __future__ import annotations

__all__ = [
    "MODEL_REACTANCE",
    "MODEL_RESISTANCE",
    "CoilData",
    "Fit",
    "FloatArray",
    "coil_data",
    "fit_hypotheses",
    "log_evidence",
    "sensitivities",
]

import math
from collections.abc import Sequence

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from labbench.judging import coil_model as model
from labbench.judging.coil_priors import Hypothesis

FloatArray = NDArray[np.float64]

# The model is no coil: this much of R and X it may be wrong, at every frequency by itself. Chosen
# so that healthy simulated coils leave the residual that their degrees of freedom allow.
MODEL_RESISTANCE = 0.03
MODEL_REACTANCE = 0.003
# No bench meter knows an impedance better than this; uncertainties below are a slip of the pen.
_LEAST_RELATIVE = 3e-5
_LEAST_OHM = 1e-7
# Starts of the loop's corner (Hz) and logit of k2: over the range of contacts, and a weak loop.
_LOOP_STARTS = ((4e3, None), (40e3, None), (400e3, None), (4e6, None), (300e3, -2.9))
# Without a loop, in prior standard deviations from the prior mean: as expected, core loss far too
# high, and winding and core loss too high. A sweep of a shorted coil has a minimum near each.
_PLAIN_STARTS: tuple[tuple[tuple[int, float], ...], ...] = (
    (),
    ((model.FR, -4.0), (model.DH, 2.0)),
    ((model.FS, 3.0), (model.PROXIMITY, 4.0), (model.FR, -4.0)),
)
_ITERATIONS = 60
_TOLERANCE = 1e-3


@frozen(eq=False)
class CoilData:
    """Hold what is fitted: f (Hz), R and X (ohm) with standard uncertainties, and R at dc.

    The uncertainties contain the allowance for the model and leave out the contact, which the
    model carries as dR and dL.
    """

    frequency_hz: FloatArray
    resistance_ohm: FloatArray
    reactance_ohm: FloatArray
    sigma_resistance_ohm: FloatArray
    sigma_reactance_ohm: FloatArray
    dc_resistance_ohm: float | None
    sigma_dc_ohm: float | None

    @property
    def count(self) -> int:
        """Tell the number of data."""
        return 2 * len(self.frequency_hz) + (self.dc_resistance_ohm is not None)


@frozen(eq=False)
class Fit:
    """Hold the best start of one hypothesis: parameters, chi2, log determinant, covariance."""

    hypothesis: Hypothesis
    theta: FloatArray
    chi2: float
    chi2_data: float
    log_det: float
    #: posterior standard deviation of each parameter, in its normal form (Laplace)
    sd: FloatArray


def coil_data(
    frequency_hz: FloatArray,
    resistance_ohm: FloatArray,
    reactance_ohm: FloatArray,
    u_resistance_ohm: FloatArray,
    u_reactance_ohm: FloatArray,
    *,
    contact_resistance_ohm: float = 0.0,
    contact_inductance_h: float = 0.0,
    dc_resistance_ohm: float | None = None,
    u_dc_ohm: float | None = None,
    model_resistance: float = MODEL_RESISTANCE,
    model_reactance: float = MODEL_REACTANCE,
) -> CoilData:
    """Prepare data: take the contact out of the total uncertainties, add the model's own."""
    omega = 2.0 * np.pi * frequency_hz

    def remaining(total: FloatArray, contact: FloatArray | float) -> FloatArray:
        # a total smaller than its part is contradictory; a tenth of it is kept
        left = np.maximum(total**2 - np.asarray(contact) ** 2, 0.01 * total**2)
        return np.asarray(left)

    least = _LEAST_RELATIVE * np.hypot(resistance_ohm, reactance_ohm) + _LEAST_OHM
    own_r = remaining(u_resistance_ohm, contact_resistance_ohm) + least**2
    own_x = remaining(u_reactance_ohm, omega * contact_inductance_h) + least**2
    if dc_resistance_ohm is not None and u_dc_ohm is not None:
        u_dc_ohm = math.hypot(u_dc_ohm, _LEAST_RELATIVE * dc_resistance_ohm + _LEAST_OHM)
    return CoilData(
        frequency_hz=frequency_hz,
        resistance_ohm=resistance_ohm,
        reactance_ohm=reactance_ohm,
        sigma_resistance_ohm=np.sqrt(own_r + (model_resistance * resistance_ohm) ** 2),
        sigma_reactance_ohm=np.sqrt(own_x + (model_reactance * reactance_ohm) ** 2),
        dc_resistance_ohm=dc_resistance_ohm,
        sigma_dc_ohm=u_dc_ohm,
    )


def fit_hypotheses(data: CoilData, hypotheses: Sequence[Hypothesis]) -> tuple[Fit, ...]:
    """Find the MAP of every hypothesis; a loop is tried from five starts. In the given order."""
    owner, starts = _starts(hypotheses)
    mean = np.array([hypotheses[i].prior.mean for i in owner])
    sd = np.array([hypotheses[i].prior.sd for i in owner])
    loop = np.array([hypotheses[i].loop for i in owner])
    z = (starts - mean) / sd
    z, chi2, normal = _minimise(data, z, mean, sd, loop)

    sign, log_det = np.linalg.slogdet(normal)
    # Of the starts of one hypothesis the one with most evidence, not the deepest: a broad valley
    # explains better than a needle.
    evidence = np.where(sign > 0, -0.5 * chi2 - 0.5 * log_det, -np.inf)
    fits = []
    for i, hypothesis in enumerate(hypotheses):
        rows = np.flatnonzero(owner == i)
        best = rows[np.argmax(evidence[rows])]
        variance = np.diag(np.linalg.inv(normal[best]))
        fits.append(
            Fit(
                hypothesis=hypothesis,
                theta=mean[best] + sd[best] * z[best],
                chi2=float(chi2[best]),
                chi2_data=float(chi2[best] - z[best] @ z[best]),
                log_det=float(log_det[best]),
                sd=np.sqrt(variance) * sd[best],
            )
        )
    return tuple(fits)


def log_evidence(fit: Fit) -> float:
    """Compute ln of the evidence by Laplace's method, up to a constant of the data.

    The unknowns are distances in prior standard deviations, whose prior is standard normal, so
    the factor of the prior widths is in the determinant. ln B of two fits of the same data is the
    difference of their ln evidences.
    """
    return -0.5 * fit.chi2 - 0.5 * fit.log_det


def sensitivities(data: CoilData, fit: Fit) -> FloatArray:
    """Compute d(residual)/d(parameter) at a fit, both in standard deviations: (data, 13).

    The order of the data is R at each frequency, X at each frequency, and the dc resistance.
    """
    prior = fit.hypothesis.prior
    z = ((fit.theta - prior.mean) / prior.sd)[None, :]
    loop = np.array([fit.hypothesis.loop])
    jacobian = _linearise(data, z, prior.mean[None, :], prior.sd[None, :], loop)[1]
    return np.asarray(jacobian[0])


def _starts(hypotheses: Sequence[Hypothesis]) -> tuple[NDArray[np.intp], FloatArray]:
    owner: list[int] = []
    rows: list[FloatArray] = []
    for i, hypothesis in enumerate(hypotheses):
        if not hypothesis.loop:
            for distances in _PLAIN_STARTS:
                row = hypothesis.prior.mean.copy()
                for index, distance in distances:
                    row[index] += distance * hypothesis.prior.sd[index]
                owner.append(i)
                rows.append(row)
            continue
        for corner_hz, logit in _LOOP_STARTS:
            row = hypothesis.prior.mean.copy()
            row[model.FC] = np.log(corner_hz)
            if logit is not None:
                row[model.K2] = logit
            owner.append(i)
            rows.append(row)
    return np.array(owner), np.array(rows)


def _minimise(
    data: CoilData, z: FloatArray, mean: FloatArray, sd: FloatArray, loop: NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Run Levenberg-Marquardt on all rows; return distances, objectives, J'J + 1."""
    damping = np.full(len(z), 1e-2)
    identity = np.eye(z.shape[1])
    residual, jacobian = _linearise(data, z, mean, sd, loop)
    chi2 = _objective(residual, z)
    running = np.ones(len(z), dtype=bool)
    for _ in range(_ITERATIONS):
        rows = np.flatnonzero(running)
        if not len(rows):
            break
        transposed = jacobian[rows].transpose(0, 2, 1)
        normal = transposed @ jacobian[rows] + identity
        gradient = (transposed @ residual[rows, :, None])[..., 0] + z[rows]
        diagonal = np.einsum("bii->bi", normal)
        damped = normal + identity * (damping[rows, None] * diagonal)[:, None, :]
        step = np.linalg.solve(damped, -gradient[..., None])[..., 0]
        # a step of many standard deviations leaves the region where the derivative means much
        length = np.sqrt(np.sum(step**2, axis=1, keepdims=True))
        step *= np.minimum(1.0, 4.0 / np.maximum(length, 1e-300))
        trial = z[rows] + step
        new_residual, new_jacobian = _linearise(data, trial, mean[rows], sd[rows], loop[rows])
        new_chi2 = _objective(new_residual, trial)
        better = new_chi2 <= chi2[rows]
        gain = chi2[rows] - new_chi2
        damping[rows] = np.where(better, np.maximum(damping[rows] * 0.2, 1e-9), damping[rows] * 6.0)
        done = (better & (gain < _TOLERANCE + 1e-5 * new_chi2)) | (damping[rows] > 1e8)
        taken = rows[better]
        z[taken] = trial[better]
        chi2[taken] = new_chi2[better]
        residual[taken] = new_residual[better]
        jacobian[taken] = new_jacobian[better]
        running[rows[done]] = False
    return z, chi2, jacobian.transpose(0, 2, 1) @ jacobian + identity


def _objective(residual: FloatArray, z: FloatArray) -> FloatArray:
    total = np.sum(residual**2, axis=1) + np.sum(z**2, axis=1)
    return np.where(np.isfinite(total), total, np.inf)


def _linearise(
    data: CoilData, z: FloatArray, mean: FloatArray, sd: FloatArray, loop: NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray]:
    """Compute residuals (rows, data) and their derivatives by z (rows, data, 13)."""
    theta = mean + sd * z
    with np.errstate(over="ignore", invalid="ignore"):
        impedance, derivative = model.impedance_and_derivatives(theta, data.frequency_hz, loop)
        derivative *= sd[:, None, :]
    sigma_r, sigma_x = data.sigma_resistance_ohm, data.sigma_reactance_ohm
    residuals = [
        (impedance.real - data.resistance_ohm) / sigma_r,
        (impedance.imag - data.reactance_ohm) / sigma_x,
    ]
    jacobians = [derivative.real / sigma_r[:, None], derivative.imag / sigma_x[:, None]]
    if data.dc_resistance_ohm is not None and data.sigma_dc_ohm is not None:
        winding = np.exp(theta[:, model.R0])
        residuals.append(((winding - data.dc_resistance_ohm) / data.sigma_dc_ohm)[:, None])
        row = np.zeros((len(z), 1, z.shape[1]))
        row[:, 0, model.R0] = winding * sd[:, model.R0] / data.sigma_dc_ohm
        jacobians.append(row)
    return np.concatenate(residuals, axis=1), np.concatenate(jacobians, axis=1)
