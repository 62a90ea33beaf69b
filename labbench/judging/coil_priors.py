"""State what is expected of a coil before it is measured: healthy, and with each kind of fault.

All spreads are assumptions, made for moulded powder and gapped ferrite coils of repair boards
from a study on simulated coils; nobody has measured them on a population of real parts. They are
wider than the spread of one lot, because a part type tells nothing of its lot. An explanation
that needs a value far outside them is not a healthy coil.
"""

from __future__ import annotations

__all__ = [
    "HEALTHY",
    "FloatArray",
    "Hypothesis",
    "Prior",
    "fault_hypotheses",
    "healthy_prior",
    "loop_hypothesis",
]

import math

import numpy as np
from attrs import evolve, frozen
from numpy.typing import NDArray

from labbench.judging import coil_model as model
from labbench.metrology.temperature import copper_resistance_at
from labbench.parts.coil_type import CoilType, InductanceLimit, ResistanceLimit

FloatArray = NDArray[np.float64]

HEALTHY = "healthy"

# A tolerance is a promise of about 2.5 standard deviations for inductance (20 % -> 0.08), and of
# about 1.7 for the resistance of a winding, whose wire is drawn closer to its limit (10 % -> 0.06).
_INDUCTANCE_SDS = 2.5
_RESISTANCE_SDS = 1.7
# Where only a largest resistance is given, the typical one is some 15 % lower; common practice,
# no source.
_TYPICAL_OF_MAXIMUM = 0.87
_SD_OF_MAXIMUM = 0.10
_UNKNOWN_SD = 2.0
_USUAL_TURNS = 8

# (mean, sd) of ln fr, ln dh, and logit k2 by core material. The spread of fr is that between the
# lots of a type (0.35) widened for lots that spread more than assumed. Unknown: the two moments of
# an equal mixture of powder and ferrite, and a hysteresis broad enough for an air coil.
_CORE = {
    "powder": ((math.log(30e6), 0.44), (math.log(2.5e-3), 0.6), (2.0, 1.0)),
    "ferrite": ((math.log(100e6), 0.75), (math.log(2e-3), 0.8), (1.0, 1.5)),
    # no core: what looks like its loss is winding loss that the model lacks
    "air": ((math.log(1e9), 2.0), (math.log(3e-4), 1.5), (-0.3, 0.6)),
    None: ((4.0 + math.log(1e6), 1.05), (math.log(3e-3), 1.5), (1.0, 1.5)),
}
# (mean, sd) of ln P. Together with fs this foretells the resistance at 100 kHz within a factor of
# two: 3 to 8 times that at dc for windings of power inductors, whatever their size (assumed).
_WINDING_LOSS = (math.log(2.3), 0.5)
# without a core the wire is often thick and the layers many
_WINDING_LOSS_AIR = (math.log(2.5), 0.8)
# The corner of a loop: from the perfect short of a power coil (1 kHz) to contacts of some ohm.
_CORNER = (math.log(100e3), 3.0)


@frozen(eq=False)
class Prior:
    """Hold mean and standard deviation of each parameter of the model, shape (13,)."""

    mean: FloatArray
    sd: FloatArray

    def moved(self, index: int, mean: float, sd: float) -> Prior:
        """Return this prior with one parameter replaced."""
        means, sds = self.mean.copy(), self.sd.copy()
        means[index], sds[index] = mean, sd
        return evolve(self, mean=means, sd=sds)

    def shifted(self, index: int, by: float, sd: float) -> Prior:
        """Return this prior with one parameter's mean moved by some amount."""
        return self.moved(index, float(self.mean[index]) + by, sd)


@frozen(eq=False)
class Hypothesis:
    """Hold one explanation: its name, its prior, whether it has a loop, its share beforehand."""

    name: str
    prior: Prior
    loop: bool
    weight: float = 1.0


def healthy_prior(
    part: CoilType,
    *,
    temperature_c: float | None,
    contact_resistance_ohm: float,
    contact_inductance_h: float,
    guess_inductance_h: float,
    guess_resistance_ohm: float,
) -> Prior:
    """State the prior of a healthy part of a type at a temperature.

    The guesses stand in, with a spread of a factor of seven, where the type has no limit.
    """
    core_fr, core_dh, core_k2 = _CORE.get(part.material, _CORE[None])
    rows = {
        model.L0: _inductance(part.inductance, guess_inductance_h),
        model.R0: _resistance(part.dc_resistance, temperature_c, guess_resistance_ohm),
        model.FS: (math.log(15e3), 1.0),
        model.PROXIMITY: _WINDING_LOSS_AIR if part.material == "air" else _WINDING_LOSS,
        model.FR: core_fr,
        model.DH: core_dh,
        model.CAPACITANCE: (math.log(10e-12), 0.8),
        model.BETA: (0.95, 0.04),
        model.DR: (0.0, contact_resistance_ohm),
        model.DL: (0.0, contact_inductance_h),
        model.K2: core_k2,
        model.FC: _CORNER,
    }
    rows[model.FW] = _own_corner(part.turns, rows[model.L0][0], rows[model.R0][0])
    table = np.array([rows[index] for index in range(len(model.PARAMETERS))])
    return Prior(table[:, 0], table[:, 1])


def loop_hypothesis(healthy: Prior) -> Hypothesis:
    """State a healthy part with a loop of shorted turns in it."""
    return Hypothesis("shorted-turn", _heated(healthy), loop=True)


def _heated(healthy: Prior) -> Prior:
    """Let the core of a part that was hot relax where it will: 1.6 times the usual spread."""
    sd = float(healthy.sd[model.FR])
    return healthy.shifted(model.FR, 0.0, 1.6 * sd)


def fault_hypotheses(
    healthy: Prior, turns: int | None, material: str | None = None
) -> tuple[Hypothesis, ...]:
    """State the explanations among which a faulty part is named; no core, no fault of it.

    Their shares beforehand are an assumption: how often each is met on dead boards.
    """
    number = turns or _USUAL_TURNS
    # the shorted turns may be bypassed at dc: at most their share of the resistance is lost
    lost = -math.log1p(-1.0 / max(number, 2))
    every = (
        Hypothesis(
            "shorted-turn",
            _heated(healthy).shifted(
                model.R0, -0.5 * lost, math.hypot(healthy.sd[model.R0], 0.6 * lost)
            ),
            loop=True, weight=0.4,
        ),
        Hypothesis(
            "lossy-core",
            healthy.shifted(model.FR, -1.7, 0.7).shifted(model.DH, 0.8, 1.0),
            loop=False, weight=0.1,
        ),
        Hypothesis(
            "cracked-core", healthy.shifted(model.L0, -0.5, 0.35), loop=False, weight=0.15
        ),
        Hypothesis(
            "high-resistance-joint",
            healthy.shifted(model.R0, 0.8, 0.8), loop=False, weight=0.2,
        ),
        Hypothesis(
            "fused-winding",
            healthy.shifted(model.L0, -1.2, 1.0)
            .shifted(model.R0, -1.2, 0.7)
            .shifted(model.FR, -1.0, 1.5),
            loop=True, weight=0.1,
        ),
        Hypothesis(
            "not-as-marked",
            healthy.shifted(model.L0, 0.0, 1.5).shifted(model.R0, 0.0, 1.0),
            loop=False, weight=0.08,
        ),
    )  # fmt: skip
    if material == "air":
        return tuple(h for h in every if h.name not in ("lossy-core", "cracked-core"))
    return every


def _own_corner(turns: int | None, ln_l0: float, ln_r0: float) -> tuple[float, float]:
    """Place the corner of a turn shorted without contact resistance: its wire over its L2."""
    number, sd = (turns, 0.7) if turns is not None else (_USUAL_TURNS, 1.0)
    # R0/N over 1.15 L0/N^2: one turn of a closed core
    return ln_r0 - ln_l0 + math.log(number / (2.0 * math.pi * 1.15)), sd


def _inductance(limits: tuple[InductanceLimit, ...], guess: float) -> tuple[float, float]:
    for limit in limits:
        centre = _centre(limit.nominal_h, limit.lower_h, limit.upper_h)
        if centre is None:
            continue
        half = _half_width(centre, limit.lower_h, limit.upper_h)
        return math.log(centre), max(0.03, half / _INDUCTANCE_SDS) if half else 0.3
    return math.log(guess), _UNKNOWN_SD


def _resistance(
    limits: tuple[ResistanceLimit, ...], temperature_c: float | None, guess: float
) -> tuple[float, float]:
    for limit in limits:
        centre = _centre(limit.nominal_ohm, limit.lower_ohm, limit.upper_ohm)
        if centre is None:
            continue
        warm = 0.0
        if temperature_c is not None:
            warm = math.log(copper_resistance_at(1.0, limit.temperature_c, temperature_c))
        if limit.nominal_ohm is None and limit.lower_ohm is None and limit.upper_ohm is not None:
            return math.log(_TYPICAL_OF_MAXIMUM * limit.upper_ohm) + warm, _SD_OF_MAXIMUM
        half = _half_width(centre, limit.lower_ohm, limit.upper_ohm)
        return math.log(centre) + warm, max(0.03, half / _RESISTANCE_SDS) if half else 0.15
    return math.log(guess), _UNKNOWN_SD


def _centre(nominal: float | None, lower: float | None, upper: float | None) -> float | None:
    if nominal is not None:
        return nominal
    if lower is not None and upper is not None:
        return math.sqrt(lower * upper)
    return lower if lower is not None else upper


def _half_width(centre: float, lower: float | None, upper: float | None) -> float:
    sides = []
    if lower is not None and lower < centre:
        sides.append(1.0 - lower / centre)
    if upper is not None and upper > centre:
        sides.append(upper / centre - 1.0)
    return max(sides, default=0.0)
