"""Weigh a sweep: is it a healthy coil, and if not, which fault explains it best.

Two steps that use the same model. *Tests* ask whether a healthy coil of this type would look
like this, each with a probability under that assumption, so that the false reject limit can be
shared among them. *Naming* compares the faults with each other, and is only done once a test or
a characteristic has spoken.
"""

from __future__ import annotations

__all__ = ["TEST_WEIGHTS", "Evidence", "Explanation", "explain", "highest_visible_corner", "weigh"]

import math

import numpy as np
from attrs import frozen
from scipy.special import chdtrc, expit, ndtr, ndtri

from labbench.judging import coil_model as model
from labbench.judging.coil_fit import (
    CoilData,
    Fit,
    coil_data,
    fit_hypotheses,
    log_evidence,
    sensitivities,
)
from labbench.judging.coil_priors import (
    HEALTHY,
    Hypothesis,
    Prior,
    fault_hypotheses,
    loop_hypothesis,
)
from labbench.judging.sweep_points import SweepPoints
from labbench.parts.coil_type import CoilType

# The false reject limit is shared by weight: a characteristic counts 1. Core loss spreads most
# among healthy parts and hides the shorts that are hardest to see, so its test gets most.
_LOSS_WEIGHT, _LOOP_WEIGHT, _RESIDUAL_WEIGHT = 4.0, 2.0, 1.0
#: sum of the weights of the tests of a sweep
TEST_WEIGHTS = _LOSS_WEIGHT + _LOOP_WEIGHT + _RESIDUAL_WEIGHT

# Prob(ln B > t) of a healthy coil, for t above 0, is taken as this times exp(-t). In a study on
# simulated coils 0.02 to 0.1 % of healthy ones exceeded 0, so it is cautious there. Were the
# priors exact, 1 times would hold for certain (the expected Bayes factor of a true hypothesis is
# 1, and Markov's inequality).
_LOOP_FALSE_RATE = 0.02
# Faulty coils follow the model less closely than healthy ones (the skin effect of a shorted loop,
# a cracked core's field), so explanations are compared with a wider allowance.
_NAMING_RESISTANCE = 0.10
_NAMING_REACTANCE = 0.02
# An explanation this improbable beside the best is not worth a word.
_ALTERNATIVE = 0.02
_NINE_OF_TEN = 1.2815515655446004


@frozen(eq=False)
class Evidence:
    """Hold the fits of a sweep and, per test, the probability that a healthy coil looks so."""

    data: CoilData
    points: SweepPoints
    healthy: Fit
    loop: Fit
    lossy: Fit
    #: ln of the Bayes factor for a loop of shorted turns
    ln_bayes: float
    p_loop: float
    p_loss: float
    p_residual: float

    @property
    def p_smallest(self) -> float:
        """Give the smallest of the three probabilities, each over the weight of its test."""
        return min(self.p_specific, self.p_residual / _RESIDUAL_WEIGHT)

    @property
    def p_specific(self) -> float:
        """Give the smaller one of the two tests that look for something, over its weight."""
        return min(self.p_loop / _LOOP_WEIGHT, self.p_loss / _LOSS_WEIGHT)


@frozen(eq=False)
class Explanation:
    """Hold the best explanation: the fault, its fit, what cannot be told from it, probability."""

    fault: str
    fit: Fit
    alternatives: tuple[str, ...]
    probability: float


def weigh(
    points: SweepPoints,
    healthy: Prior,
    *,
    contact_resistance_ohm: float,
    contact_inductance_h: float,
    dc_resistance_ohm: float | None,
    u_dc_ohm: float | None,
) -> Evidence:
    """Test a sweep (at least one point) against a healthy coil.

    `dc_resistance_ohm` is at the temperature of the sweep. The tests: a loop of shorted turns
    (Bayes factor), core loss beyond the prior (likelihood ratio with one free parameter,
    one-sided), anything else (chi2 of the data under the prior; with normal priors and a linear
    model it has as many degrees of freedom as there are data).
    """
    data = _data(points, contact_resistance_ohm, contact_inductance_h, dc_resistance_ohm, u_dc_ohm)
    free_loss = Hypothesis(
        "loss", healthy.shifted(model.FR, -1.5, 6.0 * float(healthy.sd[model.FR])), loop=False
    )
    none, loop, lossy = fit_hypotheses(
        data, (Hypothesis(HEALTHY, healthy, loop=False), loop_hypothesis(healthy), free_loss)
    )
    ln_bayes = log_evidence(loop) - log_evidence(none)
    return Evidence(
        data=data,
        points=points,
        healthy=none,
        loop=loop,
        lossy=lossy,
        ln_bayes=ln_bayes,
        p_loop=min(1.0, _LOOP_FALSE_RATE * math.exp(-max(-50.0, min(700.0, ln_bayes)))),
        p_loss=_loss_probability(none, lossy, healthy),
        p_residual=float(chdtrc(data.count, max(none.chi2, 0.0))),
    )


def explain(
    evidence: Evidence,
    healthy: Prior,
    *,
    part: CoilType,
    contact_resistance_ohm: float,
    contact_inductance_h: float,
) -> Explanation:
    """Compare the faults on the same data and return the best explanation."""
    data = _data(
        evidence.points,
        contact_resistance_ohm,
        contact_inductance_h,
        evidence.data.dc_resistance_ohm,
        evidence.data.sigma_dc_ohm,
        model_resistance=_NAMING_RESISTANCE,
        model_reactance=_NAMING_REACTANCE,
    )
    faults = fault_hypotheses(healthy, part.turns, part.material)
    fits = fit_hypotheses(data, (Hypothesis(HEALTHY, healthy, loop=False), *faults))
    logs = np.array(
        [log_evidence(fits[0])]
        + [
            log_evidence(fit) + math.log(fault.weight)
            for fit, fault in zip(fits[1:], faults, strict=True)
        ]
    )
    shares = np.exp(logs[1:] - logs[1:].max())
    order = np.argsort(-shares)
    shares /= shares.sum()
    best = int(order[0])
    alternatives = [faults[int(i)].name for i in order[1:3] if shares[int(i)] >= _ALTERNATIVE]
    ln_odds = float(np.logaddexp.reduce(logs[1:]) - logs[0])
    return Explanation(
        fault=faults[best].name,
        fit=fits[1 + best],
        alternatives=tuple(alternatives),
        probability=float(expit(ln_odds)),
    )


def highest_visible_corner(evidence: Evidence, *, share: float) -> float:
    """Compute the corner (Hz) up to which a loop would have been called unfit in this sweep.

    `share` is the false reject limit of a test of weight 1. Far below its corner a loop adds
    k2 f/fc to the loss tangent, like a core with relaxation fc/k2. It shows once both together
    leave the healthy prior by as much as the test asks and the loss tangents are known that well;
    nine of ten such loops are then seen.
    """
    prior = evidence.healthy.hypothesis.prior
    z = -float(ndtri(min(0.5, share * _LOSS_WEIGHT)))
    limit_hz = math.exp(float(prior.mean[model.FR] - z * prior.sd[model.FR]))
    own_hz = math.exp(float(evidence.healthy.theta[model.FR]))
    data, f = evidence.data, evidence.points.frequency_hz
    # what one unit of k2/fc adds to R, in standard deviations, against everything else that
    # adds to R: winding loss, contact, the uncertainty of the readings
    adds = np.zeros(data.count)
    inductance = math.exp(float(evidence.healthy.theta[model.L0]))
    adds[: len(f)] = 2.0 * np.pi * f * inductance * f / data.sigma_resistance_ohm
    others = np.delete(sensitivities(data, evidence.healthy), model.FR, axis=1)
    covariance = np.eye(data.count) + others @ others.T
    u_slope = 1.0 / math.sqrt(float(adds @ np.linalg.solve(covariance, adds)))
    needed = max(0.0, 1.0 / limit_hz - 1.0 / own_hz) + (z + _NINE_OF_TEN) * u_slope
    coupling = float(expit(prior.mean[model.K2]))
    return coupling / needed


def _loss_probability(healthy: Fit, lossy: Fit, prior: Prior) -> float:
    if lossy.theta[model.FR] >= prior.mean[model.FR]:
        return 1.0
    # the distance of fr from a prior six times wider hardly counts: taken out of both
    wide = lossy.hypothesis.prior
    free = (
        lossy.chi2 - float((lossy.theta[model.FR] - wide.mean[model.FR]) / wide.sd[model.FR]) ** 2
    )
    return float(ndtr(-math.sqrt(max(0.0, healthy.chi2 - free))))


def _data(
    points: SweepPoints,
    contact_resistance_ohm: float,
    contact_inductance_h: float,
    dc_resistance_ohm: float | None,
    u_dc_ohm: float | None,
    **allowances: float,
) -> CoilData:
    return coil_data(
        points.frequency_hz,
        points.resistance_ohm,
        points.reactance_ohm,
        points.u_resistance_ohm,
        points.u_reactance_ohm,
        contact_resistance_ohm=contact_resistance_ohm,
        contact_inductance_h=contact_inductance_h,
        dc_resistance_ohm=dc_resistance_ohm,
        u_dc_ohm=u_dc_ohm,
        **allowances,
    )
