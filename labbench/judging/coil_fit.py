"""Fit the reduced model to sweeps: all starts of all hypotheses of all coils solved together.

The objective of a start is chi2 = sum of squared residuals of the data + sum of squared distances
from the prior mean, both in standard deviations: its minimum is the MAP estimate. The unknowns
are the distances from the prior, so that all have the same scale.
"""

from __future__ import annotations

__all__ = [
    "MODEL_HOLDS_TO_HZ",
    "MODEL_REACTANCE",
    "MODEL_RESISTANCE",
    "CoilData",
    "ComplexArray",
    "Fit",
    "FloatArray",
    "coil_data",
    "fit_hypotheses",
    "fit_many",
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
from labbench.judging.least_squares import minimise

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

# The model is no coil: this much of R and X it may be wrong, at every frequency by itself. Chosen
# so that healthy simulated coils leave the residual that their degrees of freedom allow.
MODEL_RESISTANCE = 0.03
MODEL_REACTANCE = 0.003
# Above this the core's relaxation and the stray capacitances count, of which the model has one
# each: the allowance grows in proportion to frequency.
MODEL_HOLDS_TO_HZ = 1e6
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
_TOLERANCE, _RELATIVE_TOLERANCE = 1e-3, 1e-5
# a step of many standard deviations leaves the region where the derivative means much
_LONGEST_STEP = 4.0


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
    beyond = np.maximum(1.0, frequency_hz / MODEL_HOLDS_TO_HZ)
    return CoilData(
        frequency_hz=frequency_hz,
        resistance_ohm=resistance_ohm,
        reactance_ohm=reactance_ohm,
        sigma_resistance_ohm=np.sqrt(own_r + (model_resistance * beyond * resistance_ohm) ** 2),
        sigma_reactance_ohm=np.sqrt(own_x + (model_reactance * beyond * reactance_ohm) ** 2),
        dc_resistance_ohm=dc_resistance_ohm,
        sigma_dc_ohm=u_dc_ohm,
    )


def fit_hypotheses(data: CoilData, hypotheses: Sequence[Hypothesis]) -> tuple[Fit, ...]:
    """Find the MAP of every hypothesis; a loop is tried from five starts. In the given order."""
    return fit_many([(data, hypotheses)])[0]


def fit_many(
    problems: Sequence[tuple[CoilData, Sequence[Hypothesis]]],
) -> list[tuple[Fit, ...]]:
    """Find the MAP of every hypothesis of many sweeps, all starts of all of them together."""
    owner, starts = _starts([h for _, hypotheses in problems for h in hypotheses])
    flat = [(data, h) for data, hypotheses in problems for h in hypotheses]
    rows = _Rows.of([flat[i] for i in owner])
    found = minimise(
        rows.linearise, (starts - rows.mean) / rows.sd, unit_prior=True,
        longest_step=_LONGEST_STEP, iterations=_ITERATIONS,
        absolute=_TOLERANCE, relative=_RELATIVE_TOLERANCE,
    )  # fmt: skip
    sign, log_det = np.linalg.slogdet(found.normal)
    # Of the starts of one hypothesis the one with most evidence, not the deepest: a broad valley
    # explains better than a needle.
    evidence = np.where(sign > 0, -0.5 * found.objective - 0.5 * log_det, -np.inf)
    first = np.flatnonzero(np.diff(owner, prepend=-1))
    best = np.array([
        a + int(np.argmax(evidence[a:b]))
        for a, b in zip(first, [*first[1:], len(owner)], strict=True)
    ])  # fmt: skip
    z, chi2 = found.x[best], found.objective[best]
    variance = np.einsum("bii->bi", np.linalg.inv(found.normal[best]))
    theta = rows.mean[best] + rows.sd[best] * z
    sd = np.sqrt(variance) * rows.sd[best]
    chi2_data = chi2 - np.sum(z**2, axis=1)
    fits = [
        Fit(flat[i][1], theta[i], float(chi2[i]), float(chi2_data[i]), float(log_det[k]), sd[i])
        for i, k in enumerate(best)
    ]
    taken = iter(fits)
    return [tuple(next(taken) for _ in hypotheses) for _, hypotheses in problems]


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
    rows = _Rows.of([(data, fit.hypothesis)])
    return np.asarray(rows.linearise(z, np.zeros(1, dtype=np.intp))[1][0][: data.count])


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


@frozen(eq=False)
class _Rows:
    """Hold the data and the prior of every row; sweeps of unequal length are padded."""

    mean: FloatArray
    sd: FloatArray
    loop: NDArray[np.bool_]
    frequency_hz: FloatArray
    measured: ComplexArray
    # 1/sigma: a padded point or a missing dc resistance has none
    weight_r: FloatArray
    weight_x: FloatArray
    dc_ohm: FloatArray
    weight_dc: FloatArray

    @classmethod
    def of(cls, rows: Sequence[tuple[CoilData, Hypothesis]]) -> _Rows:
        """Stack rows; a datum used by many rows is prepared once."""
        longest = max(len(data.frequency_hz) for data, _ in rows)
        tables: dict[int, tuple[FloatArray, FloatArray]] = {}
        for data, _ in rows:
            if id(data) in tables:
                continue
            n = len(data.frequency_hz)
            table = np.zeros((5, longest))
            table[0] = 1e3
            table[:, :n] = (
                data.frequency_hz, data.resistance_ohm, data.reactance_ohm,
                1.0 / data.sigma_resistance_ohm, 1.0 / data.sigma_reactance_ohm,
            )  # fmt: skip
            known = data.dc_resistance_ohm is not None and data.sigma_dc_ohm is not None
            dc = (data.dc_resistance_ohm, 1.0 / data.sigma_dc_ohm) if known else (0.0, 0.0)  # type: ignore[operator]
            tables[id(data)] = table, np.array(dc)
        stacked = np.array([tables[id(data)][0] for data, _ in rows])
        dc_table = np.array([tables[id(data)][1] for data, _ in rows])
        return cls(
            mean=np.array([h.prior.mean for _, h in rows]),
            sd=np.array([h.prior.sd for _, h in rows]),
            loop=np.array([h.loop for _, h in rows]),
            frequency_hz=stacked[:, 0],
            measured=stacked[:, 1] + 1j * stacked[:, 2],
            weight_r=stacked[:, 3],
            weight_x=stacked[:, 4],
            dc_ohm=dc_table[:, 0],
            weight_dc=dc_table[:, 1],
        )

    def linearise(self, z: FloatArray, rows: NDArray[np.intp]) -> tuple[FloatArray, FloatArray]:
        """Compute residuals (rows, data) and their derivatives by z (rows, data, 13)."""
        sd = self.sd[rows]
        theta = self.mean[rows] + sd * z
        points = self.frequency_hz.shape[1]
        residual = np.empty((len(rows), 2 * points + 1))
        jacobian = np.zeros((len(rows), 2 * points + 1, z.shape[1]))
        with np.errstate(over="ignore", invalid="ignore"):
            impedance, derivative = model.impedance_and_derivatives(
                theta, self.frequency_hz[rows], self.loop[rows]
            )
            derivative *= sd[:, None, :]
            off = impedance - self.measured[rows]
            weight_r, weight_x = self.weight_r[rows], self.weight_x[rows]
            residual[:, :points] = off.real * weight_r
            residual[:, points:-1] = off.imag * weight_x
            jacobian[:, :points] = derivative.real * weight_r[:, :, None]
            jacobian[:, points:-1] = derivative.imag * weight_x[:, :, None]
            winding, weight = np.exp(theta[:, model.R0]), self.weight_dc[rows]
            residual[:, -1] = (winding - self.dc_ohm[rows]) * weight
            jacobian[:, -1, model.R0] = winding * sd[:, model.R0] * weight
        return residual, jacobian
