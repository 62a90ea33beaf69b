"""Hold back what warmth alone may do to a switch: it is told to be measured cold, never failed."""

from __future__ import annotations

__all__ = ["cool_or_listed", "retest_cold"]

from datetime import timedelta

from attrs import evolve

from labbench.jobs.cooling import now_utc, still_warm
from labbench.jobs.request import Request
from labbench.judging.cooling import (
    TAU_S,
    cooling_time_s,
    excess_from_fall_k,
    leave_warm_undecided,
    wait_text,
)
from labbench.metrology.semiconductor import diode_v_per_k
from labbench.procedures.switch.sequence import SwitchTaken
from labbench.procedures.switch.taken import WarmthTaken
from labbench.records.cooling_file import CoolingPart, put_cooling, take_cooling
from labbench.records.folder import DataFolder
from labbench.results import Judgement, WouldDecide

#: leakage that fell by this share while the part was measured: 3 K and more (a doubling every 10 K:
#: common practice, no source), where it can be told from a fixture's
_FELL_TO, _TELLING_A = 0.8, 3e-9


def retest_cold(judgement: Judgement, taken: SwitchTaken) -> Judgement:
    """Return the judgement of a part that proved warm while it was measured.

    Where it went on cooling, or its leakage fell between the first and the last step and something
    failed, it is undecided: "retest cold".
    """
    warmth = taken.warmth
    if warmth is not None and warmth.still_cooling:
        return _cold(judgement, _wait_s(warmth))
    if judgement.disposition == "unfit" and _fell(taken):
        return _cold(judgement, TAU_S)
    return judgement


def cool_or_listed(data: DataFolder, request: Request, taken: SwitchTaken) -> None:
    """Take a switch that was measured out of the cooling list, or put it in: it cools still."""
    at = now_utc()
    if taken.warmth is None or not taken.warmth.still_cooling:
        take_cooling(data.cooling, request.specimen, at)
        return
    known, _ = still_warm(data, request.specimen, now=at)
    entry = known or CoolingPart(
        specimen=request.specimen, type=request.part.name, lifted_utc=at.isoformat(),
        ready_utc=at.isoformat(), position=request.position, donor=request.donor, lot=request.lot,
        customer_job=request.customer_job,
    )  # fmt: skip
    ready = (at + timedelta(seconds=_wait_s(taken.warmth))).isoformat()
    put_cooling(data.cooling, evolve(entry, ready_utc=ready), at)


def _wait_s(warmth: WarmthTaken) -> float:
    """Return how long it cools yet: a time constant at least, for it was seen to cool (s)."""
    fall_k = (warmth.drift_v or 0.0) / abs(diode_v_per_k(1e-3))
    return max(TAU_S, cooling_time_s(excess_from_fall_k(fall_k, warmth.every_s)))


def _fell(taken: SwitchTaken) -> bool:
    again = next((one for one in taken.drain if one.repeat), None)
    if again is None:
        return False
    first = [one for one in taken.drain if not one.repeat and one.set_v == again.set_v]
    return (
        bool(first)
        and first[-1].current_a > _TELLING_A
        and (again.current_a < _FELL_TO * first[-1].current_a)
    )


def _cold(judgement: Judgement, wait_s: float) -> Judgement:
    held = leave_warm_undecided(judgement, wait_s)
    wait = WouldDecide("wait", f"retest cold: {wait_text(wait_s)}")
    others = tuple(would for would in held.would_decide if would.action != "wait")
    return evolve(held, would_decide=(wait, *others))
