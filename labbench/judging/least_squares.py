"""Solve many nonlinear least squares problems together: Levenberg-Marquardt on a batch.

Every row of the batch is a problem (or a start of one) of its own; numpy works on all of them at
once, because a row costs almost nothing beside the overhead of a call. Damping in proportion to
the diagonal of J'J (Marquardt, J. SIAM 11 (1963) 431: from memory).
"""

from __future__ import annotations

__all__ = ["FloatArray", "IndexArray", "Linearise", "Minimum", "minimise"]

from collections.abc import Callable

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IndexArray = NDArray[np.intp]
#: (x of some rows, which rows) -> residuals (rows, data), derivatives (rows, data, parameters)
Linearise = Callable[[FloatArray, IndexArray], tuple[FloatArray, FloatArray]]

_HOPELESS = 1e12


@frozen(eq=False)
class Minimum:
    """Hold where each row ended: x (rows, parameters), objective (rows,), its curvature.

    `normal` is J'J, plus 1 on the diagonal with `unit_prior`: the inverse covariance of x where
    the residuals are in standard deviations. `converged` is False where the iterations ran out.
    """

    x: FloatArray
    objective: FloatArray
    normal: FloatArray
    converged: NDArray[np.bool_]


def minimise(
    linearise: Linearise,
    start: FloatArray,
    *,
    unit_prior: bool = False,
    longest_step: float | None = None,
    iterations: int = 60,
    absolute: float = 0.0,
    relative: float = 1e-14,
) -> Minimum:
    """Minimise the sum of squared residuals of every row from its start (rows, parameters).

    With `unit_prior` the sum of squared parameters is added: a standard normal prior. A step
    longer than `longest_step` is shortened. A row is done once a step gains less than
    `absolute` + `relative` times its objective. Rows whose objective is not finite stay where they
    are.
    """
    x = np.array(start, dtype=float)
    count, parameters = x.shape
    every = np.arange(count)
    ridge = np.eye(parameters) * float(unit_prior)
    residual, jacobian = linearise(x, every)
    objective = _objective(residual, x, unit_prior)
    damping = np.full(count, 1e-2)
    converged = np.zeros(count, dtype=bool)
    running = every[np.isfinite(objective)]
    normal, gradient = _normal(residual, jacobian, x, ridge)
    for _ in range(iterations):
        if not len(running):
            break
        step = _step(normal[running], gradient[running], damping[running], longest_step)
        trial = x[running] + step
        new_residual, new_jacobian = linearise(trial, running)
        new_objective = _objective(new_residual, trial, unit_prior)
        better = new_objective <= objective[running]
        gain = objective[running] - new_objective
        # far along a bad direction the damping must rise faster than it falls
        damping[running] = np.where(
            better, np.maximum(damping[running] * 0.2, 1e-12), damping[running] * 6.0
        )
        small = better & (gain <= absolute + relative * new_objective)
        taken = running[better]
        x[taken], objective[taken] = trial[better], new_objective[better]
        normal[taken], gradient[taken] = _normal(
            new_residual[better], new_jacobian[better], trial[better], ridge
        )
        stuck = damping[running] > _HOPELESS
        converged[running[small | stuck]] = True
        running = running[~(small | stuck)]
    return Minimum(x, objective, normal, converged)


def _normal(
    residual: FloatArray, jacobian: FloatArray, x: FloatArray, ridge: FloatArray
) -> tuple[FloatArray, FloatArray]:
    transposed = jacobian.transpose(0, 2, 1)
    normal = transposed @ jacobian + ridge
    gradient = (transposed @ residual[..., None])[..., 0] + x @ ridge
    return normal, gradient


def _step(
    normal: FloatArray, gradient: FloatArray, damping: FloatArray, longest: float | None
) -> FloatArray:
    diagonal = np.einsum("bii->bi", normal)
    # unit diagonal first: parameters may differ by many orders of magnitude
    scale = 1.0 / np.sqrt(np.where(diagonal > 0.0, diagonal, 1.0))
    scaled = normal * scale[:, :, None] * scale[:, None, :]
    damped = scaled + np.eye(scaled.shape[1]) * damping[:, None, None]
    step = -scale * np.linalg.solve(damped, (scale * gradient)[..., None])[..., 0]
    step[~np.isfinite(step)] = 0.0
    if longest is not None:
        length = np.sqrt(np.sum(step**2, axis=1, keepdims=True))
        step *= np.minimum(1.0, longest / np.maximum(length, 1e-300))
    return step


def _objective(residual: FloatArray, x: FloatArray, unit_prior: bool) -> FloatArray:
    total = np.sum(residual**2, axis=1)
    if unit_prior:
        total = total + np.sum(x**2, axis=1)
    return np.where(np.isfinite(total), total, np.inf)
