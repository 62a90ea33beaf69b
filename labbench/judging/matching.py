"""Choose the part that shares current best with its neighbours on a rail.

A controller equalises what it senses across each phase, so that I_k R_k + o_k is one voltage:

    Vs = (I_total + sum o_j/R_j) / sum 1/R_j        I_k = (Vs - o_k) / R_k

The share error of a phase is e_k = N (1/R_k) / sum(1/R_j) - 1. Phases without a loop share by the
same formula with all that lies between input and rail (`passive_resistance`). Arithmetic only.
"""

from __future__ import annotations

__all__ = [
    "Candidate", "Match", "choose_donor", "passive_resistance", "share_currents", "share_errors",
]  # fmt: skip

import math
from collections.abc import Sequence

from attrs import frozen

from labbench.errors import InputError


@frozen
class Candidate:
    """Hold a part at hand: its resistance (ohm) and standard uncertainty."""

    specimen: str
    resistance_ohm: float
    u_ohm: float = 0.0


@frozen
class Match:
    """Hold how a candidate would share: its error, that of the worst phase, and its uncertainty."""

    specimen: str
    share_error: float
    u_share_error: float
    worst_share_error: float


def share_currents(
    resistance_ohm: Sequence[float], *, total_a: float, offset_v: Sequence[float] | None = None
) -> tuple[float, ...]:
    """Return the current of each phase (A); `offset_v` are the errors of sensing, one a phase.

    Raises InputError for a resistance that is not above zero, or another number of offsets.
    """
    _check(resistance_ohm)
    offsets = [0.0] * len(resistance_ohm) if offset_v is None else list(offset_v)
    if len(offsets) != len(resistance_ohm):
        raise InputError(f"{len(offsets)} offsets for {len(resistance_ohm)} phases")
    conductance = math.fsum(1.0 / r for r in resistance_ohm)
    pull = math.fsum(o / r for o, r in zip(offsets, resistance_ohm, strict=True))
    sensed_v = (total_a + pull) / conductance
    return tuple((sensed_v - o) / r for o, r in zip(offsets, resistance_ohm, strict=True))


def share_errors(resistance_ohm: Sequence[float]) -> tuple[float, ...]:
    """Return the relative deviation of each phase's current from an equal share."""
    _check(resistance_ohm)
    conductance = math.fsum(1.0 / r for r in resistance_ohm)
    return tuple(len(resistance_ohm) / r / conductance - 1.0 for r in resistance_ohm)


def passive_resistance(
    duty: float, *, high_side_ohm: float, low_side_ohm: float, coil_ohm: float, board_ohm: float
) -> float:
    """Return the resistance by which a phase without a current loop shares (ohm)."""
    if not 0.0 <= duty <= 1.0:
        raise InputError(f"a duty of {duty:g} does not lie between 0 and 1")
    return duty * high_side_ohm + (1.0 - duty) * low_side_ohm + coil_ohm + board_ohm


def choose_donor(
    candidates: Sequence[Candidate], neighbours_ohm: Sequence[float]
) -> tuple[Match, ...]:
    """Rank candidates for a place beside the neighbours that stay, the best first.

    The best is the one nearest to the harmonic mean of the neighbours. Raises InputError where
    there is no neighbour, or a resistance that is not above zero.
    """
    if not neighbours_ohm:
        raise InputError(
            "without a neighbour there is no share", hint="give the resistances on the rail"
        )
    found: list[Match] = []
    for candidate in candidates:
        phases = (*neighbours_ohm, candidate.resistance_ohm)
        errors = share_errors(phases)
        own = errors[-1]
        # d e/d ln R = -(1 + e) (1 - (1 + e)/N)
        slope = (1.0 + own) * (1.0 - (1.0 + own) / len(phases))
        found.append(
            Match(
                candidate.specimen, own, slope * candidate.u_ohm / candidate.resistance_ohm,
                max(errors, key=abs),
            )
        )  # fmt: skip
    return tuple(sorted(found, key=lambda m: (abs(m.share_error), m.specimen)))


def _check(resistance_ohm: Sequence[float]) -> None:
    if not resistance_ohm or min(resistance_ohm) <= 0.0:
        raise InputError(
            "current sharing needs resistances above zero",
            hint="measure those that are missing",
        )
