"""Judge how inductance falls under direct current: saturation current and core class.

    L(I)/L0 = [b + (1 - b) / (1 + (I/Is)^a)] / (1 + q (I/Is)^2)                             (R3)

A gapped ferrite core falls off an edge (a from 7 to 14, b near 0), and a little before it, with the
square of the current (q some percent: the first term of any curve that is even in the current); in
a powder core every grain has a field of its own, so it falls gently from the start (a near 2, b
some percent, q nothing). Three currents tell one from the other. Nothing at zero bias shows a core
that is too small.

Exponents and spreads are assumptions: from field models of both cores, not from real parts.

What a type states is the current at which a typical part has dropped by so much. A sound part may
do so a tolerance below, so the characteristic is that current of this part, read off the curve
through its points, against the least that the type allows. Where the points end before it, nothing
is decided about it; whether the core is smaller than its siblings' is compared at the fall that
was reached, where the exponent, common to a kind of core, hardly enters.
"""

from __future__ import annotations

__all__ = ["FloatArray", "SaturationData", "SaturationWord", "judge_saturation"]

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from attrs import evolve, frozen
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import ndtr

from labbench.judging.characteristics import SAME_CURRENT, decide_saturation
from labbench.judging.conformity import decide
from labbench.judging.least_squares import minimise
from labbench.parts.coil_type import CoilType, Saturation
from labbench.quantities import format_si
from labbench.results import BiasPoint, Characteristic, Finding, Readings

FloatArray = NDArray[np.float64]

# class -> (mean, sd) of ln a, of logit b, and of ln q
_CLASSES = {
    "powder": ((math.log(1.9), 0.12), (math.log(0.06 / 0.94), 0.5), (math.log(1e-9), 0.01)),
    "ferrite": ((math.log(11.0), 0.3), (math.log(0.005 / 0.995), 0.7), (math.log(0.045), 0.5)),
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
_POSSIBLE = math.log(20.0)
_Z95 = 1.959963984540054
_CURVE_POINTS = 41
#: a smaller core shows nowhere else, so its test has the shares of so many characteristics
_CORE_SHARES = 4
_PARAMETERS = 5
#: what the law itself lacks, in ln of the current of a drop: against field models of both cores
_LAW_SD = {"powder": 0.008, "ferrite": 0.05}
#: ln of a current over Is beyond which nothing is looked for
_FARTHEST = 8.0


@frozen(eq=False)
class SaturationWord:
    """Hold what is said of saturation; every part may be absent."""

    characteristic: Characteristic | None
    finding: Finding | None
    remark: str | None
    band: Mapping[str, Any] | None


@frozen(eq=False)
class _ClassFit:
    """Hold the fit of one core class: x = (ln L0, ln Is, ln a, logit b, ln q), its covariance."""

    name: str
    x: FloatArray
    covariance: FloatArray
    ln_evidence: float
    #: the largest current of its points
    top_a: float

    def fall(self, current_a: float) -> float:
        """Compute the share of its inductance that is lost at a current."""
        return 1.0 - float(_ratio(self.x[None, :], np.array([current_a]))[0, 0])

    def current_at(self, drop: float, *, of_law: bool = True) -> tuple[float, float]:
        """Find ln of the current of a drop, and its standard uncertainty.

        With `of_law` what the law lacks is in it; two parts of one kind share that.
        """
        gradient = np.zeros(_PARAMETERS)
        value = _ln_current_at(self.x, drop)
        for i in range(1, _PARAMETERS):
            moved = self.x.copy()
            moved[i] += 1e-5
            gradient[i] = (_ln_current_at(moved, drop) - value) / 1e-5
        u = math.sqrt(float(gradient @ self.covariance @ gradient))
        return value, math.hypot(u, _LAW_SD[self.name]) if of_law else u


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
        """Tell how many tests can call a sound part unfit: shares of the false rejects."""
        return 1 + _CORE_SHARES if self.part.saturation is not None else 0

    def decide(self, *, risk: float, rejection_risk: float) -> SaturationWord:
        """Decide the characteristic, and say whether the core is the one that was marked."""
        limit = self.part.saturation
        if not self.fits:
            characteristic = None
            if limit is not None:
                characteristic = decide_saturation(
                    limit, self.bias, self.unbiased, risk=risk, rejection_risk=rejection_risk
                )
            text = "saturation was not checked: no inductance without bias beside it"
            return SaturationWord(characteristic, None, text, None)
        best = _best(self.fits, self.part)
        fall = self._fall(best)
        if fall < _LEAST_FALL and not self._reached(fall):
            text = (
                f"saturation was not checked: inductance falls only {100.0 * fall:.1f} % "
                f"at {self._top_a():g} A"
            )
            return SaturationWord(None, None, text, self._band(best))
        characteristic, remark = None, None
        if limit is not None and self._reached(fall):
            characteristic = self._characteristic(limit, best, risk, rejection_risk)
        elif limit is not None:
            remark = (
                f"saturation was seen up to {self._top_a():g} A only, where inductance has fallen "
                f"{100.0 * fall:.0f} %: {limit.lowest_a:g} A would decide it"
            )
        finding = self._finding(best, _CORE_SHARES * rejection_risk)
        return SaturationWord(characteristic, finding, remark, self._band(best))

    def _top_a(self) -> float:
        return max(abs(p.current_a) for p in self.bias)

    def _fall(self, fit: _ClassFit) -> float:
        return fit.fall(self._top_a())

    def _reached(self, fall: float) -> bool:
        """Tell whether the points reach the drop, or the current up to which it must not come."""
        limit = self.part.saturation
        if limit is None:
            return False
        return fall >= limit.drop or self._top_a() >= limit.lowest_a * (1.0 - SAME_CURRENT)

    def _characteristic(
        self, limit: Saturation, best: _ClassFit, risk: float, rejection_risk: float
    ) -> Characteristic:
        """Decide the current of the drop against the least one.

        The value is that of the best kind of core. Another kind that the points leave possible has
        to come to the same word, else it is undecided: a curve drawn on beyond the last point goes
        on differently in each.
        """
        ln_low = math.log(limit.lowest_a)
        ln_current, u = best.current_at(limit.drop)
        decision = decide(
            ln_current, u, ln_low, None, risk=risk, rejection_risk=rejection_risk
        )  # fmt: skip
        for other in _possible(self.fits, self.part):
            word = decide(
                *other.current_at(limit.drop), ln_low, None, risk=risk,
                rejection_risk=rejection_risk,
            ).verdict  # fmt: skip
            if word != decision.verdict:
                decision = evolve(decision, verdict="undecided")
        value = math.exp(ln_current)
        expanded = decision.expanded_uncertainty
        return Characteristic(
            name="saturation",
            conditions={"drop": limit.drop},
            value=value,
            unit="A",
            expanded_uncertainty=None if expanded is None else value * expanded,
            coverage=decision.coverage,
            lower=limit.lowest_a,
            upper=None,
            verdict=decision.verdict,
            probability_conforming=decision.probability_conforming,
        )

    def _finding(self, best: _ClassFit, rejection_risk: float) -> Finding | None:
        limit = self.part.saturation
        if limit is None:
            return None
        ln_current, u = best.current_at(limit.drop)
        expected = math.log(limit.current_a)
        if self.sibling_fits:
            expected = float(np.median([f.current_at(limit.drop)[0] for f in self.sibling_fits]))
            # siblings tell more where they have fallen, the type where only this part has: the
            # smaller of both, at the price of having looked twice (Bonferroni)
            p = min(1.0, 2.0 * min(self._p_beside_siblings(best), self._p_of_type(ln_current, u)))
        else:
            p = self._p_of_type(ln_current, u)
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

    def _p_of_type(self, ln_current: float, u: float) -> float:
        """Return how probable so small a current is for a sound part of the type."""
        assert self.part.saturation is not None
        expected = math.log(self.part.saturation.current_a)
        return float(ndtr((ln_current - expected) / math.hypot(u, _SD_TYPE)))

    def _p_beside_siblings(self, best: _ClassFit) -> float:
        """Return how probable so small a current is beside its siblings', all at the same fall."""
        limit = self.part.saturation
        assert limit is not None
        top_a = min(self._top_a(), *(fit.top_a for fit in self.sibling_fits))
        reached = float(np.median([fit.fall(top_a) for fit in self.sibling_fits]))
        drop = min(limit.drop, max(reached, _LEAST_FALL))
        ln_current, u = best.current_at(drop, of_law=False)
        values, us = np.array([f.current_at(drop, of_law=False) for f in self.sibling_fits]).T
        # the median of n has pi/2 times the variance of their mean
        share = 0.5 * math.pi / len(values)
        sd = math.sqrt(_SD_LOT**2 * (1.0 + share) + share * float(np.mean(us**2)))
        return float(ndtr((ln_current - float(np.median(values))) / math.hypot(u, sd)))

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
                best = _best(fits, part).name
                sibling_fits.append(next(fit for fit in found if fit.name == best))
    return SaturationData(
        part, tuple(bias), unbiased, fits, tuple(sibling_fits) if len(sibling_fits) >= 2 else ()
    )


def _likely(fit: _ClassFit, part: CoilType) -> float:
    """Return ln of how likely a kind of core is: the stated one a hundred times more, to begin."""
    return fit.ln_evidence + _SURE_CLASS * (fit.name == part.material)


def _best(fits: Sequence[_ClassFit], part: CoilType) -> _ClassFit:
    """Choose the kind of core: the stated one, unless the points say surely that it is another."""
    return max(fits, key=lambda fit: _likely(fit, part))


def _possible(fits: Sequence[_ClassFit], part: CoilType) -> list[_ClassFit]:
    """Return the kinds of core that are less than twenty times less likely than the best."""
    most = max(_likely(fit, part) for fit in fits)
    return [fit for fit in fits if _likely(fit, part) > most - _POSSIBLE]


def _fit(bias: Sequence[BiasPoint], part: CoilType) -> tuple[_ClassFit, ...]:
    """Fit (R3) with the exponents of every class; empty without a point near zero current."""
    # of the uncertainty most is gain, common to all currents: what counts is how ratios repeat
    rows = [
        (
            abs(p.current_a),
            p.inductance_h,
            p.u_ratio_relative or _OF_U * p.u_inductance_h / p.inductance_h,
        )
        for p in bias
        if p.inductance_h > 0.0 and p.u_inductance_h > 0.0
    ]
    top = max((row[0] for row in rows), default=0.0)
    # the sweep was taken in another hookup: its inductance is no reference for a fall of percents
    if not any(row[0] <= SAME_CURRENT * top for row in rows) or top <= 0.0:
        return ()
    current, inductance, u_ratio = np.array(rows).T
    weight = 1.0 / np.maximum(_of_point(u_ratio, current <= SAME_CURRENT * top), _REPEATS)
    nominal_a = part.saturation.current_a if part.saturation is not None else top
    names = list(_CLASSES)
    size = [math.log(float(inductance.max())), math.log(nominal_a)]
    mean = np.array([[*size, *(m for m, _ in _CLASSES[n])] for n in names])
    sd = np.array([[_FREE, _FREE, *(s for _, s in _CLASSES[n])] for n in names])

    def linearise(z: FloatArray, which: NDArray[np.intp]) -> tuple[FloatArray, FloatArray]:
        x = mean[which] + sd[which] * z
        value, derivative = _log_model(x, current)
        residual = (value - np.log(inductance)) * weight
        return residual, derivative * weight[:, None] * sd[which][:, None, :]

    found = minimise(
        linearise, np.zeros((len(names), _PARAMETERS)), unit_prior=True, longest_step=2.0,
        iterations=100, absolute=1e-6,
    )  # fmt: skip
    inverse = np.linalg.inv(found.normal)
    log_det = np.linalg.slogdet(found.normal)[1]
    return tuple(
        _ClassFit(
            name,
            mean[i] + sd[i] * found.x[i],
            inverse[i] * sd[i][:, None] * sd[i][None, :],
            float(-0.5 * found.objective[i] - 0.5 * log_det[i]),
            top,
        )
        for i, name in enumerate(names)
    )


def _of_point(u_ratio: FloatArray, is_zero: NDArray[np.bool_]) -> FloatArray:
    """Take what the reading without current has for itself out of the ratios to it.

    The fit has that reading as a point of its own. What is left is at least half: the ratio of two
    like readings leaves 0.71 of it to each.
    """
    zero = float(u_ratio[is_zero].min())
    alone = np.sqrt(np.maximum(u_ratio**2 - zero**2, (0.5 * u_ratio) ** 2))
    return np.where(is_zero, u_ratio, alone)


def _log_model(x: FloatArray, current: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Compute ln L of (R3) and its derivatives by x (rows, currents, parameters)."""
    b = 1.0 / (1.0 + np.exp(-x[:, 3, None]))
    a = np.exp(x[:, 2, None])
    with np.errstate(divide="ignore"):
        ln_ratio = np.log(current)[None, :] - x[:, 1, None]
    power = np.exp(np.clip(a * ln_ratio, -700.0, 200.0))
    share = 1.0 / (1.0 + power)
    ratio = b + (1.0 - b) * share
    slope = -(1.0 - b) * share * power / (1.0 + power) / ratio  # d ln L / d ln power
    log_part = np.where(np.isfinite(ln_ratio), a * ln_ratio, 0.0)
    before = np.exp(np.clip(x[:, 4, None] + 2.0 * ln_ratio, -700.0, 200.0))
    lost = before / (1.0 + before)
    derivative = np.stack(
        [
            np.ones_like(ratio),
            -a * slope + 2.0 * lost,
            slope * log_part,
            b * (1.0 - b) * (1.0 - share) / ratio,
            -lost,
        ],
        axis=-1,
    )
    return x[:, 0, None] + np.log(ratio) - np.log1p(before), derivative


def _ratio(x: FloatArray, current: FloatArray) -> FloatArray:
    return np.exp(_log_model(x, current)[0] - x[:, 0, None])


def _ln_current_at(x: FloatArray, drop: float) -> float:
    """Find ln of the current at which inductance has dropped by a share (b below 1 - drop)."""
    _, ln_is, ln_a, logit_b, ln_q = (float(value) for value in x)
    a, b, q = math.exp(ln_a), 1.0 / (1.0 + math.exp(-logit_b)), math.exp(ln_q)

    def excess(ln_ratio: float) -> float:
        power = math.exp(min(a * ln_ratio, 200.0))
        ratio = (b + (1.0 - b) / (1.0 + power)) / (1.0 + q * math.exp(2.0 * ln_ratio))
        return ratio - (1.0 - drop)

    if excess(_FARTHEST) > 0.0:
        return ln_is + _FARTHEST
    return ln_is + float(brentq(excess, -_FARTHEST, _FARTHEST, xtol=1e-10))
