"""Decide when to stop averaging: as soon as a verdict is settled, or when more would not help.

Looking often is choosing often. Whoever repeats a measurement until it says "conforms" accepts
more bad parts than one who measures once at the same risk. Here the risk is spent over a schedule
that is fixed before the first value is seen:

- looks are taken after 1, 2, 4, 8, ... readings, up to the last one of the schedule;
- an early look may accept only with `EARLY_SHARE` of the risk, the last look with what is left:
  (1 - EARLY_SHARE (looks - 1)) of it;
- likewise for rejection, with `EARLY_REJECTION_SHARE`.

Why the risk holds: take a part exactly at its limit. It is accepted only if some look accepts it.
Look k does so with probability at most risk_k whatever the other looks do (each look is a guarded
acceptance, JCGM 106:2012), so by the union bound (Bonferroni) the probability of any is at most
the sum of the risk_k, which is `risk`. Nothing is assumed about how the looks depend on each
other: they share all their systematic errors and most of their readings.

Two things may end the schedule before its last look. The *floor*: what averaging cannot take out
dominates, so more readings add nothing. It is read off the uncertainties, not off the value, and
for normal readings their mean and scatter are independent; the look at which the floor is met is
then a last look chosen without looking at the value, and has the last look's risk. *Futility*: the
value lies so deep inside a guard band that the readings to come cannot carry it out. That stops
only where this look does not decide, so it takes chances of acceptance away and adds none.

One or two readings do not show how they scatter. Until the third the scatter is taken to be five
times what the instrument's class says: a noisy socket or a poor lead would otherwise let the first
look accept with an uncertainty that is not the real one (the study of decisions has such a plan).

The shares are small because early looks are there for clear parts, which lie far from their
limits: a last look at 0.92 of 5 % costs 0.04 u of guard band (O'Brien and Fleming spend their risk
in the same spirit; the sum over a fixed schedule is simpler to prove and loses little, because the
looks are few).
"""

from __future__ import annotations

__all__ = [
    "EARLY_REJECTION_SHARE",
    "EARLY_SHARE",
    "LOOKS",
    "Look",
    "Step",
    "Why",
    "last_share",
    "next_step",
]

import math
from collections.abc import Sequence
from typing import Literal

from attrs import evolve, frozen

from labbench.errors import InputError
from labbench.judging.conformity import decide
from labbench.results import VerdictWord

#: numbers of readings at which is looked
LOOKS = (1, 2, 4, 8, 16)
#: share of the acceptance risk that each look but the last may spend
EARLY_SHARE = 0.02
#: share of the rejection risk that each look but the last may spend
EARLY_REJECTION_SHARE = 0.001
#: more readings cannot take more than 3 % off u once the part they act on is below this share
_FLOOR_SHARE = 0.25
#: a value this many standard deviations of what averaging may still change is carried nowhere
_FUTILE = 3.0
_FUTILE_STEPS = 6
#: from so many readings on their own scatter is known
_SEEN_FROM = 3
#: before, it may be so many times what the instrument's class says (assumed)
_UNSEEN = 5.0

Why = Literal["settled", "floor", "futile", "last look", "go on"]


@frozen
class Look:
    """Hold what is known after some readings: value, its u, and what of u averaging takes out.

    `u_repeat` is the standard uncertainty of the mean from repeatability alone (in `u` too);
    `may_read_high_by` widens the lower guard band where the value may be too high by so much (a
    part whose warmth has not been watched yet). All in the unit of the value.
    """

    readings: int
    value: float
    u: float
    u_repeat: float
    dof: float = math.inf
    may_read_high_by: float = 0.0


@frozen
class Step:
    """Hold what to do now: go on or stop, why, and what the look says at its own risk."""

    go_on: bool
    why: Why
    verdict: VerdictWord


def last_share(looks: Sequence[int] = LOOKS) -> tuple[float, float]:
    """Return the shares of acceptance and rejection risk that the last look has."""
    early = len(looks) - 1
    return 1.0 - EARLY_SHARE * early, 1.0 - EARLY_REJECTION_SHARE * early


def next_step(
    look: Look,
    lower: float | None,
    upper: float | None,
    *,
    risk: float,
    rejection_risk: float,
    looks: Sequence[int] = LOOKS,
    may_reject: bool = True,
) -> Step:
    """Say whether to go on after this look.

    `risk` and `rejection_risk` are those of the whole schedule. Between two looks of the schedule
    the answer is to go on. With `may_reject` False (a part whose warmth has not been watched) a
    look neither rejects nor ends the schedule by its floor outside the limits. Raises InputError
    for a schedule that does not ascend.
    """
    if not looks or list(looks) != sorted(set(looks)) or looks[0] < 1:
        raise InputError(f"a schedule of looks ascends from 1: {list(looks)}")
    if look.readings < looks[-1] and look.readings not in looks:
        return Step(True, "go on", "undecided")
    last_accept, last_reject = last_share(looks)
    final = look.readings >= looks[-1]
    if look.readings < _SEEN_FROM:
        doubt = _UNSEEN * look.u_repeat
        systematic = math.sqrt(max(look.u**2 - look.u_repeat**2, 0.0))
        look = evolve(look, u=math.hypot(systematic, doubt), u_repeat=doubt)
    at_floor = look.u_repeat <= _FLOOR_SHARE * look.u
    ends = final or (at_floor and may_reject)
    accept = risk * (last_accept if ends else EARLY_SHARE)
    reject = rejection_risk * (last_reject if ends else EARLY_REJECTION_SHARE)
    verdict = _verdict(look, lower, upper, accept, reject)
    if verdict == "fails" and not may_reject:
        return Step(True, "go on", "undecided")
    if verdict != "undecided":
        return Step(False, "settled", verdict)
    if final:
        return Step(False, "last look", "undecided")
    if ends:
        return Step(False, "floor", "undecided")
    if may_reject and _futile(look, lower, upper, looks, risk * last_accept,
                              rejection_risk * last_reject):  # fmt: skip
        return Step(False, "futile", "undecided")
    return Step(True, "go on", "undecided")


def _verdict(
    look: Look, lower: float | None, upper: float | None, accept: float, reject: float
) -> VerdictWord:
    guarded = None if lower is None else lower + look.may_read_high_by
    if guarded is not None and upper is not None and guarded > upper:
        return "undecided"
    word = decide(
        look.value, look.u, guarded, upper, risk=accept, rejection_risk=reject, dof=look.dof
    ).verdict
    if word != "fails" or look.may_read_high_by == 0.0:
        return word
    # what may read high is not rejected against the widened limit, nor accepted against the other
    plain = decide(
        look.value, look.u, lower, upper, risk=accept, rejection_risk=reject, dof=look.dof
    ).verdict
    return "fails" if plain == "fails" else "undecided"


def _futile(
    look: Look,
    lower: float | None,
    upper: float | None,
    looks: Sequence[int],
    accept: float,
    reject: float,
) -> bool:
    """Tell whether even the last look would leave the value undecided, wherever it goes."""
    left = look.u_repeat * math.sqrt(look.readings / looks[-1])
    systematic = math.sqrt(max(look.u**2 - look.u_repeat**2, 0.0))
    u_last = math.hypot(systematic, left)
    moves = _FUTILE * math.sqrt(max(look.u_repeat**2 - left**2, 0.0))
    reach = [
        look.value + moves * k / _FUTILE_STEPS for k in range(-_FUTILE_STEPS, _FUTILE_STEPS + 1)
    ]
    now = decide(
        look.value, look.u, lower, upper, risk=accept, rejection_risk=reject, dof=look.dof
    ).verdict
    return now == "undecided" and all(
        decide(value, u_last, lower, upper, risk=accept, rejection_risk=reject).verdict
        == "undecided"
        for value in reach
    )
