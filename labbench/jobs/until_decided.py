"""Build what tells a procedure to stop: judging's stop rule on what was read so far."""

from __future__ import annotations

__all__ = [
    "MOST_PAIRS",
    "REJECTION_TESTS",
    "Known",
    "final_risks",
    "next_point_of_sweep",
    "resistance_enough",
]

from collections.abc import Callable, Sequence

from labbench.errors import CompensationError, InputError
from labbench.judging.stopping import LOOKS, Look, last_share, next_step
from labbench.metrology.averaging import FREQUENCY_TOLERANCE
from labbench.metrology.budgets import repeatability_of
from labbench.metrology.impedance import PointBudget
from labbench.metrology.resistance import at_temperature
from labbench.metrology.temperature import copper_sensitivity_per_k
from labbench.parts.coil_type import CoilType
from labbench.procedures.dc_resistance import PAIRS
from labbench.results import DcResistance, Estimate, ResistanceMeasurement, Sweep

#: pairs after which it is left at what it is
MOST_PAIRS = LOOKS[-1]
#: tests among which a false reject is shared while it is measured: judging counts those that were
#: made, which are no more
REJECTION_TESTS = 5.0
#: fewer pairs than this do not show whether a part still cools
_WATCHED_PAIRS = 3
#: how much warmer than said a part may be that nobody watched cooling (assumed; one that was just
#: lifted and is warmer reads so high that it is not settled by a first look)
_UNWATCHED_K = 10.0

Known = Callable[[ResistanceMeasurement], tuple[DcResistance, Estimate | None]]


def final_risks(risk: float, false_reject: float) -> tuple[float, float]:
    """Return the risks at which the last look judges; the early looks have spent the rest."""
    accept, reject = last_share()
    return risk * accept, false_reject * reject


def resistance_enough(
    part: CoilType, known: Known, *, risk: float, rejection_risk: float, watch: bool = False
) -> Callable[[ResistanceMeasurement], bool]:
    """Tell after each pair whether the dc resistance is settled, or will not be by more pairs.

    Without a limit the usual number of pairs is taken. A part whose warmth has not been watched
    yet is neither failed nor accepted where ten kelvin would make the difference; with `watch` (it
    was lifted a short while ago) it is watched in any case.
    """
    limits = [m for m in part.dc_resistance if m.lower_ohm is not None or m.upper_ohm is not None]

    def enough(measurement: ResistanceMeasurement) -> bool:
        n = len(measurement.pairs)
        if not limits:
            return n >= PAIRS
        if n < MOST_PAIRS and (n not in LOOKS or (watch and n < _WATCHED_PAIRS)):
            return False
        resistance, estimate = known(measurement)
        if estimate is None:
            return n >= PAIRS
        watched = n >= _WATCHED_PAIRS
        for limit in limits:
            at = at_temperature(resistance, limit.temperature_c, estimate=estimate)
            warm = 0.0 if watched else (
                _UNWATCHED_K * copper_sensitivity_per_k(limit.temperature_c) * abs(at.value)
            )  # fmt: skip
            step = next_step(
                Look(
                    readings=n, value=at.value, u=at.u, u_repeat=repeatability_of(at),
                    dof=max(1.0, at.dof), may_read_high_by=warm,
                ),
                limit.lower_ohm, limit.upper_ohm,
                risk=risk, rejection_risk=rejection_risk, may_reject=watched,
            )  # fmt: skip
            if step.go_on:
                return False
        return True

    return enough


def next_point_of_sweep(
    part: CoilType,
    budgets: Callable[[Sweep], Sequence[PointBudget]],
    *,
    risk: float,
    rejection_risk: float,
) -> Callable[[Sweep], float | None]:
    """Return which frequency (Hz) to read once more, None when every limit is settled.

    Only frequencies with a limit are read again; what cannot be judged is left as it is.
    """
    limits = [m for m in part.inductance if m.lower_h is not None or m.upper_h is not None]

    def next_point(sweep: Sweep) -> float | None:
        try:
            points = budgets(sweep)
        except (CompensationError, InputError):
            return None
        for limit in limits:
            near = [p for p in points if _same(p.frequency_hz, limit.frequency_hz)]
            if not near or near[0].inductance is None:
                continue
            at = near[0].inductance
            n = sum(_same(r.conditions.frequency_hz, near[0].frequency_hz) for r in sweep.readings)
            step = next_step(
                Look(n, at.value, at.u, repeatability_of(at), max(1.0, at.dof)),
                limit.lower_h, limit.upper_h, risk=risk, rejection_risk=rejection_risk,
            )  # fmt: skip
            if step.go_on:
                return near[0].frequency_hz
        return None

    return next_point


def _same(one_hz: float, other_hz: float) -> bool:
    return abs(one_hz - other_hz) <= max(FREQUENCY_TOLERANCE, 1e-3) * other_hz
