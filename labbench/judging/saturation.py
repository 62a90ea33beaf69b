"""Judge how inductance falls under direct current: saturation current and core class.

    L(I)/L0 = b + (1 - b) / (1 + (I/Is)^a)                                                  (R3)

A gapped ferrite core holds and then falls off an edge (a from 7 to 14, b near 0); in a powder core
every grain has a field of its own, so it falls gently from the start (a near 2, b some percent).
Three currents tell one from the other. Nothing at zero bias shows a core that is too small.

Exponents and spreads are assumptions: from field models of both cores, not from real parts.
"""

from __future__ import annotations

__all__ = ["FloatArray", "SaturationData", "SaturationWord", "judge_saturation"]

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from attrs import frozen
from numpy.typing import NDArray
from scipy.special import ndtr

from labbench.judging.characteristics import SAME_CURRENT, decide_saturation
from labbench.judging.least_squares import minimise
from labbench.parts.coil_type import CoilType
from labbench.quantities import format_si
from labbench.results import BiasPoint, Characteristic, Finding, Readings

FloatArray = NDArray[np.float64]

# class -> (mean, sd) of ln a, and of logit b
_CLASSES = {
    "powder": ((math.log(1.9), 0.12), (math.log(0.06 / 0.94), 0.5)),
    "ferrite": ((math.log(10.0), 0.3), (math.log(0.005 / 0.995), 0.7)),
}
# Sound parts: ln of the saturation current about the type's, and about that of their siblings.
_SD_TYPE, _SD_LOT = 0.075, 0.048
_FREE = 1.0
# A ratio of two inductances in one placement repeats this well at best.
_REPEATS = 0.002
_OF_U = 0.3
#: below this fall (relative) the core has shown nothing of where it saturates
_LEAST_FALL = 0.02
_SURE_CLASS = math.log(100.0)
_Z95 = 1.959963984540054
_CURVE_POINTS = 41


@frozen(eq=False)
class SaturationWord:
    """Hold what is said of saturation; every part may be absent."""

    characteristic: Characteristic | None
    finding: Finding | None
    remark: str | None
    band: Mapping[str, Any] | None


@frozen(eq=False)
class _ClassFit:
    """Hold the fit of one core class: x = (ln L0, ln Is, ln a, logit b) and its covariance."""

    name: str
    x: FloatArray
    covariance: FloatArray
    ln_evidence: float

    def current_at(self, drop: float) -> tuple[float, float]:
        """Find ln of the current of a drop, and its standard uncertainty."""
        gradient = np.zeros(4)
        value = _ln_current_at(self.x, drop)
        for i in range(1, 4):
            moved = self.x.copy()
            moved[i] += 1e-5
            gradient[i] = (_ln_current_at(moved, drop) - value) / 1e-5
        return value, math.sqrt(float(gradient @ self.covariance @ gradient))


@frozen(eq=False)
class SaturationData:
    """Hold the fits of a part's bias points, ready to be decided."""

    part: CoilType
    bias: tuple[BiasPoint, ...]
    unbiased: tuple[float, float] | None
    fits: tuple[_ClassFit, ...]
    sibling_fits: tuple[_ClassFit, ...]

    @property
    def tests(self) -> int:
        """Tell how many tests can call a sound part unfit."""
        return 2 if self.part.saturation is not None else 0

    def decide(self, *, risk: float, rejection_risk: float) -> SaturationWord:
        """Decide the characteristic, and say whether the core is the one that was marked."""
        limit = self.part.saturation
        characteristic = None
        if limit is not None:
            characteristic = decide_saturation(
                limit, self.bias, self.unbiased, risk=risk, rejection_risk=rejection_risk
            )
        if not self.fits:
            text = "saturation was not checked: no inductance without bias beside it"
            return SaturationWord(characteristic, None, text, None)
        best = max(self.fits, key=lambda fit: fit.ln_evidence)
        fall = self._fall(best)
        if fall < _LEAST_FALL:
            text = (
                f"saturation was not checked: inductance falls only {100.0 * fall:.1f} % "
                f"at {self._top_a():g} A"
            )
            return SaturationWord(characteristic, None, text, self._band(best))
        finding = self._finding(best, rejection_risk)
        return SaturationWord(characteristic, finding, None, self._band(best))

    def _top_a(self) -> float:
        return max(abs(p.current_a) for p in self.bias)

    def _fall(self, fit: _ClassFit) -> float:
        return 1.0 - float(_ratio(fit.x[None, :], np.array([self._top_a()]))[0, 0])

    def _finding(self, best: _ClassFit, rejection_risk: float) -> Finding | None:
        limit = self.part.saturation
        if limit is None:
            return None
        drop = limit.drop
        ln_current, u = best.current_at(drop)
        expected, sd = math.log(limit.current_a), _SD_TYPE
        if self.sibling_fits:
            values = [fit.current_at(drop)[0] for fit in self.sibling_fits]
            expected = float(np.median(values))
            # the median of n has pi/2 times the variance of their mean
            sd = _SD_LOT * math.sqrt(1.0 + 0.5 * math.pi / len(values))
        p = float(ndtr((ln_current - expected) / math.hypot(u, sd)))
        wrong_class = self._other_class(best)
        if p >= rejection_risk and not wrong_class:
            return None
        current = math.exp(ln_current)
        interval = {
            "value": current,
            "lower": current * math.exp(-_Z95 * u),
            "upper": current * math.exp(_Z95 * u),
        }
        because = f"saturates at {format_si(current, 'A', 2)}, " + (
            f"siblings at {format_si(math.exp(expected), 'A', 2)}"
            if self.sibling_fits
            else f"should be {format_si(math.exp(expected), 'A', 2)}"
        )
        if p >= rejection_risk:
            because = f"falls under bias as {best.name} does, not {self.part.material}"
        return Finding(
            fault="not-as-marked",
            path=None,
            grade="sure" if p < rejection_risk else "suspect",
            probability=1.0 - p if p < rejection_risk else 0.99,
            alternatives=("cracked-core",) if p < rejection_risk else (),
            because=because,
            details={
                "saturation_current_a": interval,
                "core_class": best.name,
                "currents_used_a": [p.current_a for p in self.bias],
            },
        )

    def _other_class(self, best: _ClassFit) -> bool:
        by_name = {fit.name: fit.ln_evidence for fit in self.fits}
        stated = self.part.material
        if stated not in by_name or best.name == stated:
            return False
        return by_name[best.name] - by_name[stated] > _SURE_CLASS

    def _band(self, best: _ClassFit) -> dict[str, Any]:
        """Compute the curve that fits and, where the type tells, where a sound part lies."""
        current = np.linspace(0.0, 1.1 * self._top_a(), _CURVE_POINTS)
        l0 = math.exp(best.x[0])
        band: dict[str, Any] = {
            "current_a": current.tolist(),
            "fitted_inductance_h": (l0 * _ratio(best.x[None, :], current)[0]).tolist(),
            "core_class": best.name,
        }
        limit = self.part.saturation
        if limit is not None:
            curves = []
            for sign in (-1.0, 1.0):
                moved = best.x.copy()
                at_drop = _ln_current_at(best.x, limit.drop)
                moved[1] += math.log(limit.current_a) - at_drop + sign * _Z95 * _SD_TYPE
                curves.append((l0 * _ratio(moved[None, :], current)[0]).tolist())
            band["inductance_h"] = {"lower": curves[0], "upper": curves[1]}
        return band


def judge_saturation(
    bias: Sequence[BiasPoint],
    part: CoilType,
    unbiased: tuple[float, float] | None,
    siblings: Sequence[Readings] = (),
) -> SaturationData | None:
    """Fit the bias points of a part (and of its siblings); None where there are none.

    `unbiased` is the inductance (H) of the sweep and its standard uncertainty, against which the
    limit of the type is decided where the bias points have none near zero.
    """
    if not bias:
        return None
    fits = _fit(bias, part)
    sibling_fits = []
    for sibling in siblings:
        if sibling.bias and fits:
            found = _fit(sibling.bias, part)
            if found:
                # of the part's own class, so that like is compared with like
                best = max(fits, key=lambda fit: fit.ln_evidence).name
                sibling_fits.append(next(fit for fit in found if fit.name == best))
    return SaturationData(
        part, tuple(bias), unbiased, fits, tuple(sibling_fits) if len(sibling_fits) >= 2 else ()
    )


def _fit(bias: Sequence[BiasPoint], part: CoilType) -> tuple[_ClassFit, ...]:
    """Fit (R3) with the exponents of every class; empty without a point near zero current."""
    rows = [
        (abs(p.current_a), p.inductance_h, p.u_inductance_h)
        for p in bias
        if p.inductance_h > 0.0 and p.u_inductance_h > 0.0
    ]
    top = max((row[0] for row in rows), default=0.0)
    # the sweep was taken in another hookup: its inductance is no reference for a fall of percents
    if not any(row[0] <= SAME_CURRENT * top for row in rows) or top <= 0.0:
        return ()
    current, inductance, u = np.array(rows).T
    # of the uncertainty most is gain, common to all currents: what counts is how ratios repeat
    weight = 1.0 / np.maximum(_OF_U * u / inductance, _REPEATS)
    nominal_a = part.saturation.current_a if part.saturation is not None else top
    names = list(_CLASSES)
    size = [math.log(float(inductance.max())), math.log(nominal_a)]
    mean = np.array([[*size, _CLASSES[n][0][0], _CLASSES[n][1][0]] for n in names])
    sd = np.array([[_FREE, _FREE, _CLASSES[n][0][1], _CLASSES[n][1][1]] for n in names])

    def linearise(z: FloatArray, which: NDArray[np.intp]) -> tuple[FloatArray, FloatArray]:
        x = mean[which] + sd[which] * z
        value, derivative = _log_model(x, current)
        residual = (value - np.log(inductance)) * weight
        return residual, derivative * weight[:, None] * sd[which][:, None, :]

    found = minimise(
        linearise, np.zeros((len(names), 4)), unit_prior=True, longest_step=2.0, iterations=100,
        absolute=1e-9,
    )  # fmt: skip
    inverse = np.linalg.inv(found.normal)
    log_det = np.linalg.slogdet(found.normal)[1]
    return tuple(
        _ClassFit(
            name,
            mean[i] + sd[i] * found.x[i],
            inverse[i] * sd[i][:, None] * sd[i][None, :],
            float(-0.5 * found.objective[i] - 0.5 * log_det[i]),
        )
        for i, name in enumerate(names)
    )


def _log_model(x: FloatArray, current: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Compute ln L of (R3) and its derivatives by x (rows, currents, 4)."""
    b = 1.0 / (1.0 + np.exp(-x[:, 3, None]))
    a = np.exp(x[:, 2, None])
    with np.errstate(divide="ignore"):
        ln_ratio = np.log(current)[None, :] - x[:, 1, None]
    power = np.exp(np.clip(a * ln_ratio, -700.0, 200.0))
    share = 1.0 / (1.0 + power)
    ratio = b + (1.0 - b) * share
    slope = -(1.0 - b) * share * power / (1.0 + power) / ratio  # d ln L / d ln power
    log_part = np.where(np.isfinite(ln_ratio), a * ln_ratio, 0.0)
    derivative = np.stack(
        [
            np.ones_like(ratio),
            -a * slope,
            slope * log_part,
            b * (1.0 - b) * (1.0 - share) / ratio,
        ],
        axis=-1,
    )
    return x[:, 0, None] + np.log(ratio), derivative


def _ratio(x: FloatArray, current: FloatArray) -> FloatArray:
    return np.exp(_log_model(x, current)[0] - x[:, 0, None])


def _ln_current_at(x: FloatArray, drop: float) -> float:
    """Find ln of the current at which inductance has dropped by a share (b below 1 - drop)."""
    b = 1.0 / (1.0 + math.exp(-float(x[3])))
    share = max((1.0 - drop - b) / (1.0 - b), 1e-6)
    return float(x[1]) + math.log(1.0 / share - 1.0) / math.exp(float(x[2]))
