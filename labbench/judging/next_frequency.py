"""Choose the next frequency of a sweep: the one that tells most of what is not known yet.

What the part may be: healthy, or with one shorted turn whose contact lies in one of eight bins. Of
each the model foretells the reading at a frequency that was not taken yet, with its uncertainty:
the posterior of the bin's fit to the readings so far, and the meter. How much such a reading tells
of which bin is true is the mutual information of a mixture of normal distributions,

    I >= - sum_i p_i ln sum_j p_j exp(-D_ij)

with the Bhattacharyya distances D_ij (Kolchinsky and Tracey, Entropy 19 (2017) 361: from memory).
The sweep ends once a test has called the part faulty, or no frequency left tells enough; those at
which the type has limits are taken in any case before a part is called fit.
"""

from __future__ import annotations

__all__ = ["ExpectedMeter", "FloatArray", "first_frequency", "next_frequency"]

import math
from collections.abc import Callable, Sequence

import numpy as np
from attrs import evolve, frozen
from numpy.typing import NDArray

from labbench.judging import coil_model as model
from labbench.judging.coil import Case, judge_coils
from labbench.judging.coil_fit import CoilData, coil_data, fit_many, log_evidence
from labbench.judging.coil_lot_book import LotBook
from labbench.judging.coil_measured import believed
from labbench.judging.coil_priors import HEALTHY, Hypothesis, Prior
from labbench.judging.sweep_points import usable_points
from labbench.parts.coil_type import CoilType
from labbench.results import Contact, Finding, Impedance, Readings

FloatArray = NDArray[np.float64]

#: (|Z| in ohm, frequency in Hz) -> standard uncertainties of R and X (ohm) of one reading
ExpectedMeter = Callable[[float, float], tuple[float, float]]

# Contacts of a shorted turn, ohm: the middles of eight bins with the same share.
_CONTACTS_OHM = np.geomspace(1e-4, 15.0, 8)
_SHARE_HEALTHY = 0.5
_SD_LN_CORNER = 0.75
#: nats; of ln 2 = 0.69 for healthy or not
_WORTH_A_FREQUENCY = 0.03
# Looking often is choosing often: an early look may end the sweep as faulty only with this share
# of the false reject limit, so that the few looks together add a fifth of it at most.
_EARLY_SHARE = 0.05
# A part that would be suspect at so many times the limit is looked at further.
_WIDER, _MOST_FALSE_REJECT = 4.0, 0.2
_SAME_FREQUENCY = 0.01
_USUAL_TURNS = 8
_MODEL_R, _MODEL_X = 0.03, 0.003


@frozen(eq=False)
class _Bins:
    """Hold the fits of the bins: parameters (bins, 13), their covariances, probabilities."""

    theta: FloatArray
    covariance: FloatArray
    loop: NDArray[np.bool_]
    probability: FloatArray


def first_frequency(
    part: CoilType, candidates_hz: Sequence[float], meter: ExpectedMeter, contact: Contact
) -> float:
    """Choose the first frequency (Hz) of a sweep from those that the bench can take."""
    empty = Readings(specimen="", type=part.name, contact=contact)
    chosen = next_frequency(empty, part, candidates_hz, meter)
    return chosen if chosen is not None else max(candidates_hz)


def next_frequency(
    readings: Readings,
    part: CoilType,
    candidates_hz: Sequence[float],
    meter: ExpectedMeter,
    *,
    siblings: Sequence[Readings] = (),
    risk: float = 0.05,
    false_reject: float = 0.01,
    book: LotBook | None = None,
) -> float | None:
    """Choose the next frequency (Hz) of a sweep, or None where the sweep may end.

    `readings` hold what was taken so far (its sweep and contact). Candidates within 1 % of one
    already taken are left out. The dc resistance need not be there yet. `book` keeps what was
    learned of the lot from one call to the next.
    """
    book = book if book is not None else LotBook()
    points = usable_points(readings.impedance)
    taken = list(readings.impedance.frequency_hz) if readings.impedance is not None else []
    left = [
        f for f in candidates_hz if all(abs(f / t - 1.0) > _SAME_FREQUENCY for t in taken)
    ]  # fmt: skip
    if not left:
        return None
    suspect = False
    if taken:
        early = _EARLY_SHARE * false_reject
        found = _findings(readings, part, siblings, risk, early, book)
        sure = [f for f in found if f.grade == "sure"]
        # one frequency finds most faults, but it takes a second to tell which one it is
        if sure and (len(taken) > 1 or not sure[0].alternatives):
            return None
        wide = min(_MOST_FALSE_REJECT, _WIDER * false_reject)
        suspect = bool(found or _findings(readings, part, siblings, risk, wide, book))
        if not len(points):
            # nothing usable came back: the next in line, the lowest first
            return min(left)
    prior = _prior(readings, part, siblings, book)
    bins = _bins(readings, part, prior, bool(taken))
    told = [_information(bins, f, meter, readings.contact) for f in left]
    best = int(np.argmax(told))
    if not taken or suspect or told[best] > _WORTH_A_FREQUENCY:
        return left[best]
    limits = [limit.frequency_hz for limit in part.inductance]
    due = [f for f in left if any(abs(f / at - 1.0) <= 0.05 for at in limits)]
    return due[0] if due else None


def _findings(
    readings: Readings,
    part: CoilType,
    siblings: Sequence[Readings],
    risk: float,
    false_reject: float,
    book: LotBook,
) -> tuple[Finding, ...]:
    case = Case(readings, part, siblings)
    return judge_coils([case], risk=risk, false_reject=false_reject, book=book, with_band=False)[
        0
    ].findings


def _prior(
    readings: Readings, part: CoilType, siblings: Sequence[Readings], book: LotBook
) -> Prior:
    """State what is expected of a healthy part: by its lot where its siblings can be used."""
    measured = believed(readings, part)
    if len(measured.points):
        prior = measured.prior(part)
        return book.look(measured, part, siblings).prior(prior)
    # before the first reading: the lot as it is seen at the siblings' own frequencies
    for sibling in siblings:
        like = believed(evolve(sibling, specimen="", session=readings.session), part)
        if len(like.points):
            prior = like.prior(part)
            return book.look(like, part, siblings).prior(prior)
    nominal = part.nominal_inductance_h or 1e-6
    made_up = Impedance((1e5,), (1e-3,), (2e5 * math.pi * nominal,), (1.0,), (1.0,))
    return believed(evolve(readings, impedance=made_up), part).prior(part)


def _bins(readings: Readings, part: CoilType, prior: Prior, taken: bool) -> _Bins:
    turns = part.turns or _USUAL_TURNS
    inductance = math.exp(float(prior.mean[model.L0]))
    # one turn of a closed core, as for the resistance of a short
    corners = _CONTACTS_OHM * turns**2 / (2.0 * math.pi * 1.15 * inductance)
    own = math.exp(float(prior.mean[model.FW]))
    hypotheses = [Hypothesis(HEALTHY, prior, loop=False)] + [
        Hypothesis(
            "shorted-turn",
            prior.moved(model.FC, math.log(max(corner, own)), _SD_LN_CORNER),
            loop=True,
        )
        for corner in corners
    ]
    share = np.array([_SHARE_HEALTHY] + [(1.0 - _SHARE_HEALTHY) / len(corners)] * len(corners))
    if not taken:
        theta = np.array([h.prior.mean for h in hypotheses])
        covariance = np.array([np.diag(h.prior.sd**2) for h in hypotheses])
        probability = share
    else:
        fits = fit_many([(_data(readings), hypotheses)])[0]
        theta = np.array([fit.theta for fit in fits])
        covariance = np.array([_covariance(_data(readings), h, t) for h, t in
                               zip(hypotheses, theta, strict=True)])  # fmt: skip
        logs = np.array([log_evidence(fit) for fit in fits]) + np.log(share)
        probability = np.exp(logs - logs.max())
        probability /= probability.sum()
    loop = np.array([h.loop for h in hypotheses])
    return _Bins(theta, covariance, loop, probability)


def _data(readings: Readings) -> CoilData:
    p = usable_points(readings.impedance)
    contact = readings.contact
    return coil_data(
        p.frequency_hz, p.resistance_ohm, p.reactance_ohm, p.u_resistance_ohm, p.u_reactance_ohm,
        contact_resistance_ohm=contact.u_resistance_ohm if contact else 0.0,
        contact_inductance_h=contact.u_inductance_h if contact else 0.0,
    )  # fmt: skip


def _covariance(data: CoilData, hypothesis: Hypothesis, theta: FloatArray) -> FloatArray:
    """Compute the posterior covariance of the parameters at a fit (Laplace)."""
    dz = model.impedance_and_derivatives(theta[None, :], data.frequency_hz, hypothesis.loop)[1][0]
    rows = np.concatenate([
        dz.real / data.sigma_resistance_ohm[:, None], dz.imag / data.sigma_reactance_ohm[:, None]
    ])  # fmt: skip
    return np.asarray(np.linalg.inv(rows.T @ rows + np.diag(hypothesis.prior.sd**-2.0)))


def _information(
    bins: _Bins, frequency_hz: float, meter: ExpectedMeter, contact: Contact | None
) -> float:
    """Bound the information (nats) of a reading at a frequency about which bin is true."""
    f = np.array([frequency_hz])
    z, dz = model.impedance_and_derivatives(bins.theta, f, bins.loop)
    z, dz = z[:, 0], dz[:, 0]
    # in ln of R and X the readings of so different coils are nearest to normal
    size = np.abs(z)
    r, x = np.maximum(z.real, 1e-3 * size), np.maximum(np.abs(z.imag), 1e-3 * size)
    mean = np.stack([np.log(r), np.log(x)], axis=1)
    slopes = np.stack([dz.real / r[:, None], dz.imag / x[:, None]], axis=1)
    covariance = slopes @ bins.covariance @ slopes.transpose(0, 2, 1)
    for i in range(len(z)):
        u_r, u_x = meter(float(size[i]), frequency_hz)
        if contact is not None:
            # the contacts are in the model
            u_r = math.sqrt(max(u_r**2 - contact.u_resistance_ohm**2, 0.01 * u_r**2))
            own = 2.0 * math.pi * frequency_hz * contact.u_inductance_h
            u_x = math.sqrt(max(u_x**2 - own**2, 0.01 * u_x**2))
        covariance[i, 0, 0] += (u_r / r[i]) ** 2 + _MODEL_R**2
        covariance[i, 1, 1] += (u_x / x[i]) ** 2 + _MODEL_X**2
    return _mixture_information(mean, covariance, bins.probability)


def _mixture_information(mean: FloatArray, covariance: FloatArray, p: FloatArray) -> float:
    pooled = 0.5 * (covariance[:, None] + covariance[None, :])
    off = mean[:, None] - mean[None, :]
    solved = np.linalg.solve(pooled, off[..., None])[..., 0]
    log_det = np.linalg.slogdet(covariance)[1]
    distance = 0.125 * np.sum(off * solved, axis=-1) + 0.5 * (
        np.linalg.slogdet(pooled)[1] - 0.5 * (log_det[:, None] + log_det[None, :])
    )
    return float(-np.sum(p * np.log(np.maximum(np.exp(-distance) @ p, 1e-300))))
