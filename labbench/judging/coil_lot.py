"""Describe what the parts of one lot have in common, from siblings that may not all be sound.

A part and its siblings share a core material, a wire and a winding machine, so they resemble each
other far more than a part type foretells, and a session's meter errs for all of them alike. The
reference is the mean of the siblings' readings; how far a sound part of the lot may lie from it
follows from the model: its derivatives at the siblings' own fit times the scatter of parts within
a lot (so that a coil near its resonance may scatter there as its capacitance does), the contacts,
and what the meter does not do to both alike. One bad sibling is found by leaving each out in turn.

The scatters are assumptions (nobody has measured them on a population of real parts), chosen on
lots of simulated coils that no study scores, some tenths wider than there.
"""

from __future__ import annotations

__all__ = [
    "FloatArray",
    "LotReference",
    "SiblingData",
    "Unlike",
    "find_reference",
    "readings_vector",
]

import math
from collections.abc import Sequence

import numpy as np
from attrs import frozen
from numpy.typing import NDArray
from scipy.special import chdtrc

from labbench.judging import coil_model as model
from labbench.judging.coil_fit import MODEL_HOLDS_TO_HZ, CoilData, Fit, coil_data, fit_many
from labbench.judging.coil_priors import HEALTHY, Hypothesis, Prior
from labbench.judging.sweep_points import SweepPoints
from labbench.parts.coil_type import CoilType, Population

FloatArray = NDArray[np.float64]

# Standard deviations of the parameters in their normal form, between the parts of a lot, and
# between the typical parts of two lots.
_WITHIN_LOT = {
    model.L0: 0.038, model.R0: 0.033, model.FS: 0.06, model.PROXIMITY: 0.06, model.FR: 0.10,
    model.DH: 0.13, model.CAPACITANCE: 0.15, model.BETA: 0.005,
}  # fmt: skip
_BETWEEN_LOTS = {
    model.L0: 0.045, model.R0: 0.030, model.FS: 0.10, model.PROXIMITY: 0.08, model.FR: 0.35,
    model.DH: 0.33, model.CAPACITANCE: 0.22, model.BETA: 0.01,
}  # fmt: skip
# Two sound parts differ by this much of R and X in ways that the model does not know.
_UNLIKE_R, _UNLIKE_X = 0.004, 0.0012
# In one session the meter's gain, its zero and the short reading err for all parts of a lot
# alike: of the gain this much does not cancel, of the rest (noise, digits) this.
_GAIN_LEFT, _REST_LEFT = 0.15, 0.6
# Siblings of which one is this improbable among the others are not all sound.
_BAD_SIBLING = 5e-4
#: two sweeps have a frequency in common within this
_SAME_FREQUENCY = 1e-3


@frozen
class Unlike:
    """Name siblings that were left out because they differ from the others."""

    specimens: tuple[str, ...]
    #: nothing could be learned: the siblings do not agree and none of them is the odd one
    all_differ: bool = False


@frozen(eq=False)
class LotReference:
    """Hold the mean readings of a lot and how a sound part of it may differ from them.

    Vectors hold R and X at each frequency, then the dc resistance (ohm): 2 F + 1. `covariance` is
    that of the difference of a sound part of the lot; for one of another lot `between_lots` is
    added. `derivatives` (2 F + 1, 13) are those of the model at `fit`.
    """

    frequency_hz: FloatArray
    mean: FloatArray
    fit: Fit
    derivatives: FloatArray
    covariance: FloatArray
    between_lots: FloatArray
    specimens: tuple[str, ...]
    unlike: Unlike

    def prior(self) -> Prior:
        """State what is expected of a sound part of this lot, for fits of the model."""
        n = len(self.specimens)
        prior = self.fit.hypothesis.prior
        mean, sd = prior.mean.copy(), prior.sd.copy()
        for index, within in _WITHIN_LOT.items():
            # what the siblings' own fit leaves unknown of the lot stays unknown; but it must not
            # count again where the reference is compared in readings
            mean[index] = self.fit.theta[index]
            sd[index] = min(sd[index], within * math.sqrt(1.0 + 1.0 / n))
        return Prior(mean, sd)


def readings_vector(points: SweepPoints, dc_ohm: float) -> FloatArray:
    """Put a sweep and a dc resistance into one vector: R, X, dc (2 F + 1,)."""
    return np.concatenate([points.resistance_ohm, points.reactance_ohm, [dc_ohm]])


@frozen(eq=False)
class SiblingData:
    """Hold what is used of a sibling: its points, dc resistance at the sweep's temperature, u."""

    specimen: str
    points: SweepPoints
    dc_ohm: float
    u_dc_ohm: float
    contact_ohm: float
    contact_h: float
    gain_relative: FloatArray | None
    session: str | None


def find_reference(
    siblings: Sequence[SiblingData],
    frequency_hz: FloatArray,
    prior: Prior,
    part: CoilType,
    *,
    session: str | None,
) -> tuple[LotReference | None, Unlike]:
    """Find the reference for a part measured at these frequencies; None from fewer than two.

    `prior` is that of the type. Frequencies that a sibling lacks are left out for all; siblings
    that lack more than half of them are left out. `session` is the part's.
    """
    usable, common = _with_common_frequencies(siblings, frequency_hz)
    if len(usable) < 2 or not len(common):
        return None, Unlike(())
    usable = [_at(s, common) for s in usable]
    data = [_data(s) for s in usable]
    fits = fit_many([(d, (Hypothesis(HEALTHY, prior, loop=False),)) for d in data])
    vectors = np.array([readings_vector(s.points, s.dc_ohm) for s in usable])
    keep = list(range(len(usable)))
    unlike: list[str] = []
    while len(keep) >= 2:
        theta = np.mean([fits[i][0].theta for i in keep], axis=0)
        worst, p = _least_probable(vectors, usable, keep, theta, part)
        if p >= _BAD_SIBLING / len(keep):
            break
        if len(keep) == 2:
            return None, Unlike(tuple(s.specimen for s in usable), all_differ=True)
        unlike.append(usable[worst].specimen)
        keep.remove(worst)
    # a majority has to agree
    if len(keep) * 2 <= len(usable) or len(keep) < 2:
        return None, Unlike(tuple(s.specimen for s in usable), all_differ=True)
    kept = [usable[i] for i in keep]
    mean = vectors[keep].mean(axis=0)
    fit = fit_many([(_mean_data(kept, mean), (Hypothesis(HEALTHY, prior, loop=False),))])[0][0]
    derivatives = _derivatives(fit.theta, common)
    own = _covariance(derivatives, mean, kept, part, _same_session(kept, session))
    factor = 1.0 + 1.0 / len(kept)
    lots = _scaled(derivatives, _BETWEEN_LOTS, part.population, "lot_to_lot")
    left_out = Unlike(tuple(unlike))
    return (
        LotReference(
            frequency_hz=common,
            mean=mean,
            fit=fit,
            derivatives=derivatives,
            covariance=factor * own,
            between_lots=2.0 * (lots @ lots.T),
            specimens=tuple(s.specimen for s in kept),
            unlike=left_out,
        ),
        left_out,
    )


def _with_common_frequencies(
    siblings: Sequence[SiblingData], frequency_hz: FloatArray
) -> tuple[list[SiblingData], FloatArray]:
    def has(sibling: SiblingData) -> NDArray[np.bool_]:
        ratio = np.abs(np.log(frequency_hz[:, None] / sibling.points.frequency_hz[None, :]))
        return np.asarray((ratio < _SAME_FREQUENCY).any(axis=1))

    usable = [s for s in siblings if len(s.points) and 2 * has(s).sum() >= len(frequency_hz)]
    if not usable:
        return [], frequency_hz[:0]
    return usable, frequency_hz[np.all([has(s) for s in usable], axis=0)]


def _at(sibling: SiblingData, frequency_hz: FloatArray) -> SiblingData:
    p = sibling.points
    rows = [int(np.argmin(np.abs(np.log(p.frequency_hz / f)))) for f in frequency_hz]
    gain = sibling.gain_relative
    return SiblingData(
        sibling.specimen, p.chosen(rows), sibling.dc_ohm, sibling.u_dc_ohm, sibling.contact_ohm,
        sibling.contact_h, gain[rows] if gain is not None else None, sibling.session,
    )  # fmt: skip


def _data(s: SiblingData) -> CoilData:
    p = s.points
    return coil_data(
        p.frequency_hz, p.resistance_ohm, p.reactance_ohm, p.u_resistance_ohm, p.u_reactance_ohm,
        contact_resistance_ohm=s.contact_ohm, contact_inductance_h=s.contact_h,
        dc_resistance_ohm=s.dc_ohm, u_dc_ohm=s.u_dc_ohm,
    )  # fmt: skip


def _mean_data(kept: Sequence[SiblingData], mean: FloatArray) -> CoilData:
    first = kept[0]
    count = len(first.points)
    p = first.points.with_values(mean[:count], mean[count:-1])
    return _data(
        SiblingData(
            "", p, float(mean[-1]), first.u_dc_ohm, first.contact_ohm, first.contact_h,
            first.gain_relative, first.session,
        )
    )  # fmt: skip


def _derivatives(theta: FloatArray, frequency_hz: FloatArray) -> FloatArray:
    dz = model.impedance_and_derivatives(theta[None, :], frequency_hz, False)[1][0]
    dc = np.zeros((1, dz.shape[1]))
    dc[0, model.R0] = math.exp(theta[model.R0])
    return np.concatenate([dz.real, dz.imag, dc])


def _scaled(
    derivatives: FloatArray,
    scatter: dict[int, float],
    population: Population | None,
    which: str,
) -> FloatArray:
    """Scale derivatives by standard deviations, those of the type's own population if known."""
    sd = np.zeros(derivatives.shape[1])
    for index, value in scatter.items():
        sd[index] = value
    if population is not None:
        for index, spread in ((model.L0, population.inductance),
                              (model.R0, population.dc_resistance)):  # fmt: skip
            known = getattr(spread, which) if spread is not None else None
            if known:
                sd[index] = known
    return np.asarray(derivatives * sd)


def _covariance(
    derivatives: FloatArray,
    mean: FloatArray,
    siblings: Sequence[SiblingData],
    part: CoilType,
    same_session: bool,
) -> FloatArray:
    """Compute the covariance of one sound part of the lot about the lot's mean."""
    scaled = _scaled(derivatives, _WITHIN_LOT, part.population, "part_to_part")
    count = len(siblings[0].points)
    omega = 2.0 * np.pi * siblings[0].points.frequency_hz
    r, x = mean[:count], mean[count:-1]
    contact_ohm = max(s.contact_ohm for s in siblings)
    contact_h = max(s.contact_h for s in siblings)
    total_r = np.max([s.points.u_resistance_ohm for s in siblings], axis=0)
    total_x = np.max([s.points.u_reactance_ohm for s in siblings], axis=0)
    gain = np.zeros(count)
    gains = [s.gain_relative for s in siblings if s.gain_relative is not None]
    if len(gains) == len(siblings):
        gain = np.max(gains, axis=0) * np.hypot(r, x)
    left = (_GAIN_LEFT, _REST_LEFT) if same_session else (1.0, 1.0)

    def own(total: FloatArray, contact: FloatArray | float, unlike: FloatArray) -> FloatArray:
        rest = np.maximum(total**2 - np.asarray(contact) ** 2 - gain**2, 0.01 * total**2)
        return np.asarray((left[1] ** 2) * rest + (left[0] * gain) ** 2 + unlike**2)

    # the scatter that the model does not know is that of what it does not describe
    beyond = np.maximum(1.0, siblings[0].points.frequency_hz / MODEL_HOLDS_TO_HZ) ** 2
    diagonal = np.concatenate([
        own(total_r, contact_ohm, _UNLIKE_R * beyond * r),
        own(total_x, omega * contact_h, _UNLIKE_X * beyond * x),
        [max(s.u_dc_ohm for s in siblings) ** 2],
    ])  # fmt: skip
    contacts = np.zeros((len(mean), 2))
    contacts[:count, 0] = contact_ohm
    contacts[count:-1, 1] = omega * contact_h
    return np.asarray(scaled @ scaled.T + contacts @ contacts.T + np.diag(diagonal))


def _same_session(siblings: Sequence[SiblingData], session: str | None) -> bool:
    return session is not None and all(s.session == session for s in siblings)


def _least_probable(
    vectors: FloatArray,
    siblings: Sequence[SiblingData],
    keep: Sequence[int],
    theta: FloatArray,
    part: CoilType,
) -> tuple[int, float]:
    """Find the sibling that is farthest from the mean of the others, and how probable that is."""
    frequency_hz = siblings[0].points.frequency_hz
    derivatives = _derivatives(theta, frequency_hz)
    kept = [siblings[i] for i in keep]
    same = len({s.session for s in kept}) == 1 and kept[0].session is not None
    centre = np.median(vectors[list(keep)], axis=0)
    covariance = _covariance(derivatives, centre, kept, part, same)
    factor = np.linalg.cholesky(covariance * (1.0 + 1.0 / (len(keep) - 1)))
    distances = []
    for i in keep:
        others = vectors[[j for j in keep if j != i]].mean(axis=0)
        white = np.linalg.solve(factor, vectors[i] - others)
        distances.append(float(white @ white))
    worst = int(np.argmax(distances))
    # of three of which one is bad all three differ from the mean of the others, the bad one most
    return keep[worst], float(chdtrc(vectors.shape[1], distances[worst]))
