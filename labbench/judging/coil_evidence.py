"""Weigh a sweep: is it a healthy coil, and if not, which fault explains it best.

Two steps that use the same model. *Tests* ask whether a healthy coil of this type would look
like this, each with a probability under that assumption, so that the false reject limit can be
shared among them. *Naming* compares the faults with each other, and is only done once a test or
a characteristic has spoken.
"""

from __future__ import annotations

__all__ = [
    "Evidence",
    "Explanation",
    "Shares",
    "SweepData",
    "explain_many",
    "highest_visible_corner",
    "weigh_many",
]

import math
from collections.abc import Sequence

import numpy as np
from attrs import frozen
from scipy.special import chdtrc, expit, ndtr, ndtri

from labbench.judging import coil_model as model
from labbench.judging.coil_fit import (
    CoilData,
    Fit,
    coil_data,
    fit_many,
    log_evidence,
    sensitivities,
)
from labbench.judging.coil_lot_tests import LOT_TEST_WEIGHTS
from labbench.judging.coil_priors import (
    HEALTHY,
    Hypothesis,
    Prior,
    fault_hypotheses,
    loop_hypothesis,
)
from labbench.judging.sweep_points import SweepPoints
from labbench.parts.coil_type import CoilType

# The false reject limit is shared by weight. Limits of a characteristic lie where few healthy
# parts come near them. Core loss spreads most among healthy parts and hides the shorts that are
# hardest to see, so its test gets most. Where siblings say what this lot's core loss is, the type
# has nothing to add to it; only the test for an unmistakable loop stays.
_CHARACTERISTIC_WEIGHT = 0.5
_LOSS_WEIGHT, _LOOP_WEIGHT, _RESIDUAL_WEIGHT = 5.0, 1.5, 0.5
_LOOP_BESIDE_LOT_WEIGHT = 0.5

# What the tests say of healthy coils, as found on 8,000 simulated ones that no study scores (two
# kinds of simulator, nine types, four classes of meter) and as many with spreads 1.4 times as
# assumed. The priors allow for types that nobody has seen; a type has its place within them and
# scatters about it by less, so the tests say too much for a healthy coil:
# - Prob(ln B > t) is taken as a rate times exp(-t), 1 would hold for certain were the priors exact
#   (the expected Bayes factor of a true hypothesis is 1, and Markov's inequality); a coil without
#   a core follows the model less well, so less is claimed;
# - Prob(chi2 gains g by a loop) as a rate times exp(-fall g);
# - Prob(p of core loss < t) as a rate times t: no type had more than 0.8 % below 0.018;
# - without a core the residual is as improbable as 1/10 of it.
_LOOP_FALSE_RATE = {"powder": 0.0012, "ferrite": 0.0012, "air": 0.08, None: 0.006}
_GAIN_FALSE_RATE, _GAIN_FALL = 0.02, 1.05
_LOSS_FALSE_RATE = {"powder": 0.4, "ferrite": 0.4, "air": 0.4, None: 1.0}
_RESIDUAL_FALSE_RATE: dict[str | None, float] = {"air": 10.0}
# Faulty coils follow the model less closely than healthy ones (the skin effect of a shorted loop,
# a cracked core's field), so explanations are compared with a wider allowance.
_NAMING_RESISTANCE = 0.10
_NAMING_REACTANCE = 0.02
# An explanation this improbable beside the best is not worth a word.
_ALTERNATIVE = 0.02
_NINE_OF_TEN = 1.2815515655446004
_FREE_LOSS = 8.0
_HARDLY = 0.2
# a loop's corner this many times the highest frequency only adds to the loss
_FAR_ABOVE = 3.0
_BLOCK = 48


@frozen
class Shares:
    """Hold the largest probability with which each test may call a healthy specimen unfit.

    They add up to the false reject limit. None: the test is not made. `lot` is that of a test
    against the lot with weight 1.
    """

    characteristic: float
    loop: float | None
    loss: float | None
    residual: float | None
    lot: float | None

    @classmethod
    def of(cls, false_reject: float, *, sweep: bool, lot: bool, characteristics: int) -> Shares:
        """Share the false reject limit among the tests that are made."""
        weights = {
            "loop": (_LOOP_BESIDE_LOT_WEIGHT if lot else _LOOP_WEIGHT) if sweep else None,
            "loss": _LOSS_WEIGHT if sweep and not lot else None,
            "residual": _RESIDUAL_WEIGHT if sweep and not lot else None,
        }
        total = _CHARACTERISTIC_WEIGHT * characteristics + sum(w or 0.0 for w in weights.values())
        total += LOT_TEST_WEIGHTS if lot else 0.0
        unit = false_reject / max(total, _CHARACTERISTIC_WEIGHT)
        return cls(
            characteristic=_CHARACTERISTIC_WEIGHT * unit,
            lot=unit if lot else None,
            **{name: unit * w if w is not None else None for name, w in weights.items()},
        )


@frozen(eq=False)
class SweepData:
    """Hold a sweep (at least one point), what is expected of it, and the dc resistance.

    `dc_resistance_ohm` is at the temperature of the sweep.
    """

    points: SweepPoints
    prior: Prior
    contact_ohm: float
    contact_h: float
    dc_resistance_ohm: float | None
    u_dc_ohm: float | None
    #: of the core: powder, ferrite, air, or None where it is not known
    material: str | None = None

    def for_fit(self, **allowances: float) -> CoilData:
        """Prepare the data for a fit."""
        p = self.points
        return coil_data(
            p.frequency_hz,
            p.resistance_ohm,
            p.reactance_ohm,
            p.u_resistance_ohm,
            p.u_reactance_ohm,
            contact_resistance_ohm=self.contact_ohm,
            contact_inductance_h=self.contact_h,
            dc_resistance_ohm=self.dc_resistance_ohm,
            u_dc_ohm=self.u_dc_ohm,
            **allowances,
        )


@frozen(eq=False)
class Evidence:
    """Hold the fits of a sweep and, per test, the probability that a healthy coil looks so."""

    sweep: SweepData
    data: CoilData
    healthy: Fit
    loop: Fit
    lossy: Fit
    #: ln of the Bayes factor for a loop of shorted turns
    ln_bayes: float
    p_loop: float
    p_loss: float
    p_residual: float

    @property
    def points(self) -> SweepPoints:
        """Give the points of the sweep."""
        return self.sweep.points

    def ratio(self, shares: Shares) -> float:
        """Give the smallest probability over its share, of all tests made."""
        return min(self.ratio_specific(shares), _over(self.p_residual, shares.residual))

    def ratio_specific(self, shares: Shares) -> float:
        """Give the smaller one of the two tests that look for something, over its share."""
        return min(_over(self.p_loop, shares.loop), _over(self.p_loss, shares.loss))


def _over(p: float, share: float | None) -> float:
    return math.inf if share is None else p / share


@frozen(eq=False)
class Explanation:
    """Hold the best explanation: the fault, its fit, what cannot be told from it, probability.

    `short` is the fit with a loop of shorted turns, whatever explains best.
    """

    fault: str
    fit: Fit
    alternatives: tuple[str, ...]
    probability: float
    short: Fit


def weigh_many(sweeps: Sequence[SweepData]) -> list[Evidence]:
    """Test sweeps against healthy coils.

    The tests: a loop of shorted turns (Bayes factor), core loss beyond the prior (likelihood
    ratio with one free parameter, one-sided), anything else (chi2 of the data under the prior;
    with normal priors and a linear model it has as many degrees of freedom as there are data).
    """
    problems = []
    for sweep in sweeps:
        prior = sweep.prior
        free_loss = prior.shifted(model.FR, -1.5, _FREE_LOSS * float(prior.sd[model.FR]))
        hypotheses = (
            Hypothesis(HEALTHY, prior, loop=False),
            loop_hypothesis(prior),
            Hypothesis("loss", free_loss, loop=False),
        )
        problems.append((sweep.for_fit(), hypotheses))
    found = []
    for sweep, (data, _), (none, loop, lossy) in zip(
        sweeps, problems, _fit_in_blocks(problems), strict=True
    ):
        ln_bayes = log_evidence(loop) - log_evidence(none)
        found.append(
            Evidence(
                sweep=sweep,
                data=data,
                healthy=none,
                loop=loop,
                lossy=lossy,
                ln_bayes=ln_bayes,
                p_loop=1.0
                if _loop_without_loss(sweep, loop, lossy)
                else _loop_probability(ln_bayes, none.chi2 - loop.chi2, sweep.material),
                p_loss=_LOSS_FALSE_RATE.get(sweep.material, 1.0)
                * _loss_probability(none, lossy, sweep.prior),
                p_residual=min(
                    1.0,
                    _RESIDUAL_FALSE_RATE.get(sweep.material, 1.0)
                    * float(chdtrc(data.count, max(none.chi2, 0.0))),
                ),
            )
        )
    return found


def explain_many(
    doubtful: Sequence[tuple[Evidence, Prior, CoilType]],
) -> list[Explanation]:
    """Compare the faults on the same data and return the best explanation of each.

    The prior is that of a healthy part: of the type, or of the lot where siblings show it.
    """
    problems = []
    for evidence, prior, part in doubtful:
        data = evidence.sweep.for_fit(
            model_resistance=_NAMING_RESISTANCE, model_reactance=_NAMING_REACTANCE
        )
        faults = fault_hypotheses(prior, part.turns, part.material)
        problems.append((data, (Hypothesis(HEALTHY, prior, loop=False), *faults)))
    return [
        _best(fits, [h for h in hypotheses if h.name != HEALTHY])
        for (_, hypotheses), fits in zip(problems, _fit_in_blocks(problems), strict=True)
    ]


def _best(fits: Sequence[Fit], faults: Sequence[Hypothesis]) -> Explanation:
    logs = np.array(
        [log_evidence(fits[0])]
        + [
            log_evidence(fit) + math.log(fault.weight)
            for fit, fault in zip(fits[1:], faults, strict=True)
        ]
    )
    shares = np.exp(logs[1:] - logs[1:].max())
    order = [int(i) for i in np.argsort(-shares)]
    shares /= shares.sum()
    # far below its corner a loop and a core that relaxes too low are one function: where the
    # sweep hardly prefers the core the loop is named first, because it is met more often
    names = [faults[i].name for i in order]
    if names[0] == "lossy-core" and "shorted-turn" in names:
        short = order[names.index("shorted-turn")]
        if shares[short] >= _HARDLY * shares[order[0]]:
            order.remove(short)
            order.insert(0, short)
    best = order[0]
    alternatives = [faults[i].name for i in order[1:3] if shares[i] >= _ALTERNATIVE]
    ln_odds = float(np.logaddexp.reduce(logs[1:]) - logs[0])
    return Explanation(
        fault=faults[best].name,
        fit=fits[1 + best],
        alternatives=tuple(alternatives),
        probability=float(expit(ln_odds)),
        short=next(
            fit for fit, h in zip(fits[1:], faults, strict=True) if h.name == "shorted-turn"
        ),
    )


def _fit_in_blocks(
    problems: Sequence[tuple[CoilData, Sequence[Hypothesis]]],
) -> list[tuple[Fit, ...]]:
    """Fit many problems in blocks that stay in a processor's cache."""
    found: list[tuple[Fit, ...]] = []
    for first in range(0, len(problems), _BLOCK):
        found += fit_many(problems[first : first + _BLOCK])
    return found


def highest_visible_corner(
    evidence: Evidence, *, shares: Shares, lot_corner_hz: float | None = None
) -> float:
    """Compute the corner (Hz) up to which a loop would have been called unfit in this sweep.

    Far below its corner a loop adds k2 f/fc to the loss tangent, like a core with relaxation
    fc/k2. It shows once both together leave the healthy prior by as much as the test asks and the
    loss tangents are known that well; nine of ten such loops are then seen. Where the part was
    compared with its lot, `lot_corner_hz` is the corner that showed there.
    """
    if shares.loss is None:
        return lot_corner_hz if lot_corner_hz is not None else 0.0
    prior = evidence.healthy.hypothesis.prior
    rate = _LOSS_FALSE_RATE.get(evidence.sweep.material, 1.0)
    z = -float(ndtri(min(0.5, shares.loss / rate)))
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


def _loop_probability(ln_bayes: float, gain: float, material: str | None) -> float:
    rate = _LOOP_FALSE_RATE.get(material, _LOOP_FALSE_RATE[None])
    by_odds = rate * math.exp(-max(-50.0, min(700.0, ln_bayes)))
    # Few or poor readings leave ln B near 0 whatever the part is; but then a loop explains hardly
    # more than none does.
    by_gain = _GAIN_FALSE_RATE * math.exp(-_GAIN_FALL * max(-50.0, min(700.0, gain)))
    return min(1.0, max(by_odds, by_gain))


def _loop_without_loss(sweep: SweepData, loop: Fit, lossy: Fit) -> bool:
    """Tell whether the best loop has its corner far above the sweep, and no loss is too much.

    Such a loop would do nothing but add to the loss tangent; it then bends to what the model lacks
    of a coil with less loss than any of its type, which is no sign of a short.
    """
    top_hz = float(np.max(sweep.points.frequency_hz))
    far = float(loop.theta[model.FC]) > math.log(_FAR_ABOVE * top_hz)
    return far and bool(lossy.theta[model.FR] >= sweep.prior.mean[model.FR])


def _loss_probability(healthy: Fit, lossy: Fit, prior: Prior) -> float:
    if lossy.theta[model.FR] >= prior.mean[model.FR]:
        return 1.0
    # the distance of fr from a prior many times wider hardly counts: taken out of both
    wide = lossy.hypothesis.prior
    free = (
        lossy.chi2 - float((lossy.theta[model.FR] - wide.mean[model.FR]) / wide.sd[model.FR]) ** 2
    )
    return float(ndtr(-math.sqrt(max(0.0, healthy.chi2 - free))))
