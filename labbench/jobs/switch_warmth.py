"""Hold back what warmth alone may do to a switch: it is told to be measured cold, never failed."""

from __future__ import annotations

__all__ = ["retest_cold"]

from attrs import evolve

from labbench.judging.cooling import (
    TAU_S,
    cooling_time_s,
    excess_from_fall_k,
    leave_warm_undecided,
    wait_text,
)
from labbench.metrology.semiconductor import diode_v_per_k
from labbench.procedures.switch.sequence import SwitchTaken
from labbench.results import Judgement, WouldDecide

#: leakage that fell by this share while the part was measured: 3 K and more (a doubling every 10 K:
#: common practice, no source), where it can be told from a fixture's
_FELL_TO, _TELLING_A = 0.8, 3e-9


def retest_cold(judgement: Judgement, taken: SwitchTaken) -> Judgement:
    """Return the judgement of a part that proved warm while it was measured.

    Where it went on cooling, or its leakage fell between the first and the last step and something
    failed, it is undecided: "retest cold". A short is no warmth and stays what it is.
    """
    if taken.stopped_at == "short-check":
        return judgement
    warmth = taken.warmth
    if warmth is not None and warmth.still_cooling:
        fall_k = (warmth.drift_v or 0.0) / abs(diode_v_per_k(1e-3))
        excess_k = excess_from_fall_k(fall_k, warmth.every_s)
        return _cold(judgement, max(TAU_S, cooling_time_s(excess_k)))
    if judgement.disposition == "unfit" and _fell(taken):
        return _cold(judgement, TAU_S)
    return judgement


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
