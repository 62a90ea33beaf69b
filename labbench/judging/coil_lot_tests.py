"""Test a part against its lot: matched filters and the distance of the whole sweep.

With r the difference of the part's readings from the reference, whitened by the covariance of a
sound part, every test has a known distribution for sound parts:

- distance: T = r'r, chi-square with as many degrees of freedom as there are readings;
- joint, crack: the projection of r on the signature of an added series resistance, or of core flux
  lost; standard normal, one-sided;
- loop: the largest projection on the signature of a loop over the corners at which a loop of so
  small an effect can be (with a low corner it would have none but a large one). Its tail is at most
  Q(z) + length/(2 pi) exp(-z^2/2), with the length of the curve that the signature draws on the
  unit sphere as the corner moves (Davies, Biometrika 64 (1977) 247: from memory).

A part that no fault explains better than "sound, but of another lot" is not called faulty: then
it is the siblings that are in doubt.
"""

from __future__ import annotations

__all__ = ["LOT_TEST_WEIGHTS", "WEIGHTS", "FloatArray", "LotEvidence", "LotTests"]

import math

import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray
from scipy.linalg import cholesky, solve_triangular
from scipy.special import chdtrc, ndtr, ndtri

from labbench.judging import coil_model as model
from labbench.judging.coil_lot import LotReference
from labbench.judging.coil_lot_membership import ln_bayes_other_lot

FloatArray = NDArray[np.float64]

# How the false reject limit is shared among the tests; a characteristic counts 0.5.
WEIGHTS = {"loop": 4.0, "distance": 0.5, "joint": 1.5, "crack": 1.0}
#: sum of the weights of the tests against a lot
LOT_TEST_WEIGHTS = sum(WEIGHTS.values())

_CORNERS_HZ = np.geomspace(1e3, 1e9, 97)
_COUPLINGS = (0.2, 0.4, 0.6, 0.8, 0.95)
#: the loosest loop, against one whose k2 is 0.8
_LOOSEST = 0.25
#: inductance left, and resistance added as a share of the winding's
_CRACKS = np.linspace(0.4, 0.97, 20)
_JOINTS = np.geomspace(0.03, 3.0, 20)
#: how much lower the core relaxes, and by which power of that its hysteresis angle grows
_LOSSY = np.geomspace(1.3, 30.0, 20)
_LOSSY_HYSTERESIS = (0.0, 0.5)
# How often a part is met that is ... among those that differ from their siblings; assumed.
_LN_SHARE = {
    "loop": math.log(0.4), "lossy": math.log(0.15), "crack": math.log(0.2), "joint": math.log(0.25),
}  # fmt: skip
_LN_SHARE_OTHER_LOT = math.log(0.3)
_CEILING = 700.0
_NINE_OF_TEN = 1.2815515655446004


@frozen(eq=False)
class LotEvidence:
    """Hold, per test, the probability that a sound part of the lot looks so; and the odds.

    `ln_odds_fault` is the ln of the odds of the best fault against a sound part of another lot.
    """

    p: dict[str, float]
    ln_odds_fault: float
    #: the fault that explains the difference best: loop, lossy, crack or joint
    family: str

    @property
    def p_smallest(self) -> float:
        """Give the smallest probability over the weight of its test."""
        return min(p / WEIGHTS[name] for name, p in self.p.items())


@frozen(eq=False)
class LotTests:
    """Hold the signatures of faults for one lot, whitened, ready for any number of its parts."""

    reference: LotReference
    _factor: FloatArray = field(repr=False)
    _other_factor: FloatArray = field(repr=False)
    _ln_det: float
    _ln_det_other: float
    _loop_unit: FloatArray = field(repr=False)
    #: how large the effect of a loop of each corner is, and the length of the curve from there on
    _loop_size: FloatArray = field(repr=False)
    _loop_length: FloatArray = field(repr=False)
    _crack_unit: FloatArray = field(repr=False)
    _joint_unit: FloatArray = field(repr=False)
    _families: dict[str, FloatArray] = field(repr=False)

    @classmethod
    def against(cls, reference: LotReference) -> LotTests:
        """Prepare the tests of a lot."""
        factor = cholesky(reference.covariance, lower=True)
        other = cholesky(reference.covariance + reference.between_lots, lower=True)

        def white(signatures: FloatArray) -> FloatArray:
            return np.asarray(solve_triangular(factor, signatures.T, lower=True).T)

        theta, f = reference.fit.theta, reference.frequency_hz
        loops = np.array([white(_loops(theta, f, k2)) for k2 in _COUPLINGS])
        usual = loops[_COUPLINGS.index(0.8)]
        unit = _unit(usual)
        steps = np.linalg.norm(np.diff(unit, axis=0), axis=1)
        length = np.concatenate([np.cumsum(steps[::-1])[::-1], [0.0]])
        crack = white(np.array([_shifted(theta, f, model.L0, math.log(s)) for s in _CRACKS]))
        joint = white(np.array([_series(theta, f, share) for share in _JOINTS]))
        lossy = white(np.array([_lossy(theta, f, s, p) for s in _LOSSY for p in _LOSSY_HYSTERESIS]))
        return cls(
            reference=reference,
            factor=factor,
            other_factor=other,
            ln_det=float(2.0 * np.sum(np.log(np.diag(factor)))),
            ln_det_other=float(2.0 * np.sum(np.log(np.diag(other)))),
            loop_unit=unit,
            loop_size=np.linalg.norm(usual, axis=1),
            loop_length=length,
            crack_unit=_unit(crack[-1:])[0],
            joint_unit=_unit(joint[:1])[0],
            families={
                "loop": loops.reshape(-1, loops.shape[-1]),
                "lossy": lossy,
                "crack": crack,
                "joint": joint,
            },
        )

    def visible_corner_hz(self, share: float) -> float:
        """Compute the corner (Hz) up to which nine of ten loops show at this share of a test.

        `share` is the false reject limit of a test of weight 1.
        """
        needed = -float(ndtri(min(0.5, WEIGHTS["loop"] * share))) + _NINE_OF_TEN
        # what the search over corners costs: a few tenths
        length = float(self._length_at(np.array([needed]))[0])
        needed += math.log(max(length, 1.0)) / needed
        seen = np.flatnonzero(self._loop_size >= needed)
        return float(_CORNERS_HZ[seen[-1]]) if len(seen) else 0.0

    def _length_at(self, z: FloatArray) -> FloatArray:
        """Find the length of the curve over the corners whose loops may have an effect of z."""
        # the effect falls as the corner rises
        possible = _LOOSEST * self._loop_size[None, :] <= z[:, None]
        return np.asarray((possible * self._loop_length[None, :]).max(axis=1))

    def ln_bayes_other_lot(self, vectors: FloatArray) -> float:
        """Weigh whether companions (parts, 2 F + 1) are of another lot than the reference."""
        n = len(self.reference.specimens)
        off = (vectors - self.reference.mean).T
        # in units of a sound part about its own lot's typical part
        scale = math.sqrt(1.0 + 1.0 / n)
        parts = scale * solve_triangular(self._factor, off, lower=True).T
        half = solve_triangular(self._factor, self.reference.between_lots, lower=True)
        between = scale**2 * solve_triangular(self._factor, half.T, lower=True)
        same = np.eye(len(between)) / n
        return ln_bayes_other_lot(
            parts,
            # every third size will do to tell where the lot lies
            [scale * signatures[::3] for signatures in self._families.values()],
            same,
            same + 0.5 * (between + between.T),
        )

    def compare(self, vectors: FloatArray) -> list[LotEvidence]:
        """Test parts of the lot, `vectors` (parts, 2 F + 1) as the reference has them."""
        off = (vectors - self.reference.mean).T
        r = solve_triangular(self._factor, off, lower=True).T
        other = solve_triangular(self._other_factor, off, lower=True).T
        distance = np.asarray(np.sum(r**2, axis=1))
        along = r @ self._loop_unit.T
        along = np.where(along >= _LOOSEST * self._loop_size, along, 0.0)
        loop = np.asarray(np.maximum(along.max(axis=1), 0.0))
        p_loop = np.minimum(
            1.0, ndtr(-loop) + self._length_at(loop) / (2.0 * math.pi) * np.exp(-0.5 * loop**2)
        )
        p_crack, p_joint = ndtr(-(r @ self._crack_unit)), ndtr(-(r @ self._joint_unit))
        p_distance = chdtrc(len(self.reference.mean), distance)
        ln_other = -0.5 * np.sum(other**2, axis=1) - 0.5 * self._ln_det_other + _LN_SHARE_OTHER_LOT
        ln_faults = {
            name: _ln_mean_likelihood(r, signatures, distance) - 0.5 * self._ln_det
            + _LN_SHARE[name]
            for name, signatures in self._families.items()
        }  # fmt: skip
        found = []
        for i in range(len(vectors)):
            by_name = {name: float(values[i]) for name, values in ln_faults.items()}
            family = max(by_name, key=lambda name: by_name[name])
            odds = by_name[family] - float(ln_other[i])
            found.append(
                LotEvidence(
                    p={
                        "loop": float(p_loop[i]), "distance": float(p_distance[i]),
                        "joint": float(p_joint[i]), "crack": float(p_crack[i]),
                    },
                    ln_odds_fault=odds,
                    family=family,
                )
            )  # fmt: skip
        return found


def _ln_mean_likelihood(r: FloatArray, signatures: FloatArray, distance: FloatArray) -> FloatArray:
    """Average the likelihood over the sizes of a fault (parts,)."""
    along = r @ signatures.T
    ln = along - 0.5 * np.sum(signatures**2, axis=1)[None, :]
    top = ln.max(axis=1)
    mean = np.mean(np.exp(np.maximum(ln - top[:, None], -_CEILING)), axis=1)
    return np.asarray(top + np.log(mean) - 0.5 * distance)


def _loops(theta: FloatArray, f: FloatArray, k2: float) -> FloatArray:
    """Compute what a loop of each corner does to the readings (corners, 2 F + 1)."""
    rows = np.tile(theta, (len(_CORNERS_HZ), 1))
    rows[:, model.K2] = math.log(k2 / (1.0 - k2))
    rows[:, model.FC] = np.log(_CORNERS_HZ)
    # the rise of the wire's own resistance hardly matters for contacts that are hard to see
    rows[:, model.FW] = math.log(1.0)
    change = model.impedance(rows, f, True) - model.impedance(theta[None, :], f, False)
    return np.concatenate([change.real, change.imag, np.zeros((len(rows), 1))], axis=1)


def _lossy(theta: FloatArray, f: FloatArray, share: float, power: float) -> FloatArray:
    """Compute what a core that relaxes so many times lower does to the readings (2 F + 1,)."""
    moved = theta.copy()
    moved[model.FR] -= math.log(share)
    moved[model.DH] += power * math.log(share)
    change = model.impedance(np.array([moved, theta]), f, False)
    return np.concatenate([(change[0] - change[1]).real, (change[0] - change[1]).imag, [0.0]])


def _shifted(theta: FloatArray, f: FloatArray, index: int, by: float) -> FloatArray:
    moved = theta.copy()
    moved[index] += by
    change = model.impedance(np.array([moved, theta]), f, False)
    return np.concatenate([(change[0] - change[1]).real, (change[0] - change[1]).imag, [0.0]])


def _series(theta: FloatArray, f: FloatArray, share: float) -> FloatArray:
    extra = share * math.exp(theta[model.R0])
    return np.concatenate([np.full(len(f), extra), np.zeros(len(f)), [extra]])


def _unit(rows: FloatArray) -> FloatArray:
    return np.asarray(rows / np.linalg.norm(rows, axis=1, keepdims=True))
