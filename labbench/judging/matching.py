"""Choose the part that shares current best with its neighbours on a rail.

A controller equalises what it senses across each phase, so that I_k R_k + o_k is one voltage:

    Vs = (I_total + sum o_j/R_j) / sum 1/R_j        I_k = (Vs - o_k) / R_k

R_k is the resistance that is sensed: that of the coil (DCR sensing), or that of the low-side switch
where a stage reports its current by it. Phases without a loop share by the same formula with all
that lies between input and rail (`passive_resistance`). An offset makes a phase read too high, so
it takes less. The share error of a phase is e_k = N I_k / I_total - 1; without offsets it is zero
for the harmonic mean of the others. Its uncertainty is first order:

    d e_k / d ln R_j = N (w_k I_j - [j = k] I_k) / I_total        w_k = (1/R_k) / sum 1/R_j

the resistances taken as independent, which is cautious: a gain error that all share cancels.
Arithmetic only.
"""

from __future__ import annotations

__all__ = [
    "NEEDED_U95",
    "Candidate",
    "Match",
    "Phase",
    "VacantPhase",
    "choose_donor",
    "passive_resistance",
    "share_currents",
    "share_errors",
]

import math
from collections.abc import Sequence

from attrs import frozen

from labbench.errors import InputError

#: a part that leaves its phase's resistance open by a larger relative U95 is too coarse to choose
#: by: shares differ by as little
NEEDED_U95 = 0.01


@frozen
class Candidate:
    """Hold a part at hand: its resistance (ohm) and standard uncertainty."""

    specimen: str
    resistance_ohm: float
    u_ohm: float = 0.0


@frozen
class Phase:
    """Hold a phase that stays: the resistance it shares by (ohm), u, and offset of sensing (V)."""

    name: str
    resistance_ohm: float
    u_ohm: float = 0.0
    offset_v: float = 0.0


@frozen
class VacantPhase:
    """Say how the part that goes in makes the resistance of its phase: fixed + weight x its own.

    With DCR sensing that is its own; without a current loop the rest of the path adds to it, and
    a switch counts by the share of time that it conducts.
    """

    fixed_ohm: float = 0.0
    u_fixed_ohm: float = 0.0
    weight: float = 1.0
    offset_v: float = 0.0


@frozen(kw_only=True)
class Match:
    """Hold how a candidate would share: errors (shares) with standard uncertainties.

    `u_own` is the part of `u_share_error` that its own resistance makes; `currents_a` has the
    phases that stay, then its own, and is None where no total current was given. `worst_phase` is
    the name of a phase that stays, None for its own.
    """

    specimen: str
    resistance_ohm: float
    u_ohm: float
    share_error: float
    u_share_error: float
    u_own: float
    worst_phase: str | None
    worst_share_error: float
    u_worst_share_error: float
    currents_a: tuple[float, ...] | None = None
    is_too_coarse: bool = False

    def shares_like(self, other: Match) -> bool:
        """Tell whether nothing that was measured tells the two apart (95 %)."""
        apart = abs(abs(self.share_error) - abs(other.share_error))
        return apart <= 2.0 * math.hypot(self.u_own, other.u_own)


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
    candidates: Sequence[Candidate],
    neighbours: Sequence[Phase],
    *,
    vacant: VacantPhase | None = None,
    total_a: float | None = None,
) -> tuple[Match, ...]:
    """Rank candidates for a place beside the neighbours that stay, the best first.

    The best is the one whose own share error is smallest; those whose resistance is known too
    coarsely come after the others. Raises InputError where there is no neighbour, a resistance
    that is not above zero, or an offset without the total current (A) that it is compared with.
    """
    place = vacant or VacantPhase()
    if not neighbours:
        raise InputError(
            "without a neighbour there is no share", hint="give the resistances on the rail"
        )
    if total_a is not None and not total_a > 0.0:
        raise InputError(f"a total current of {total_a:g} A is not above zero")
    offsets = [*(phase.offset_v for phase in neighbours), place.offset_v]
    if total_a is None and any(offsets):
        raise InputError(
            "an offset moves amperes, not shares: without the total current nothing can be said",
            hint="give the current of the rail",
        )
    found = [_match(each, neighbours, place, offsets, total_a) for each in candidates]
    return tuple(sorted(found, key=lambda m: (m.is_too_coarse, abs(m.share_error), m.specimen)))


def _match(
    candidate: Candidate,
    neighbours: Sequence[Phase],
    place: VacantPhase,
    offsets: Sequence[float],
    total_a: float | None,
) -> Match:
    own_ohm = place.fixed_ohm + place.weight * candidate.resistance_ohm
    u_part = place.weight * candidate.u_ohm
    ohms = [*(phase.resistance_ohm for phase in neighbours), own_ohm]
    u_ohms = [*(phase.u_ohm for phase in neighbours), math.hypot(place.u_fixed_ohm, u_part)]
    total = total_a if total_a is not None else 1.0
    currents = share_currents(ohms, total_a=total, offset_v=offsets)
    conductance = math.fsum(1.0 / r for r in ohms)
    count = len(ohms)

    def slope(k: int, j: int) -> float:
        weight = 1.0 / ohms[k] / conductance
        return count * (weight * currents[j] - (currents[k] if j == k else 0.0)) / total

    def u_of(k: int) -> float:
        return math.hypot(*(slope(k, j) * u_ohms[j] / ohms[j] for j in range(count)))

    errors = [count * current / total - 1.0 for current in currents]
    own = count - 1
    worst = max(range(count), key=lambda k: abs(errors[k]))
    return Match(
        specimen=candidate.specimen,
        resistance_ohm=candidate.resistance_ohm,
        u_ohm=candidate.u_ohm,
        share_error=errors[own],
        u_share_error=u_of(own),
        u_own=abs(slope(own, own)) * u_part / own_ohm,
        worst_phase=None if worst == own else neighbours[worst].name,
        worst_share_error=errors[worst],
        u_worst_share_error=u_of(worst),
        currents_a=currents if total_a is not None else None,
        # what counts is how well its phase is known, of which it may be a part only
        is_too_coarse=2.0 * u_part > NEEDED_U95 * own_ohm,
    )


def _check(resistance_ohm: Sequence[float]) -> None:
    if not resistance_ohm or min(resistance_ohm) <= 0.0:
        raise InputError(
            "current sharing needs resistances above zero",
            hint="measure those that are missing",
        )
