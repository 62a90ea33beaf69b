"""Tell how long a part that was just lifted has to cool, and what is said of it meanwhile.

A bare part of 5 x 6 mm cools with a time constant of 10 to 25 s (estimate); the slower end is
taken. A part is cool when it is within 2 K of the room: copper then reads 0.8 % high, and what is
left is counted as uncertainty. Physics: t = tau ln(dT0/dT), Newton's law of cooling.
"""

from __future__ import annotations

__all__ = [
    "COOL_WITHIN_K",
    "LIFTED_C",
    "STILL_WARM",
    "TAU_S",
    "cooling_time_s",
    "excess_after_k",
    "excess_from_drift_k",
    "excess_from_fall_k",
    "leave_warm_undecided",
    "wait_text",
    "waiting_judgement",
]

import math

from attrs import evolve

from labbench.metrology.temperature import copper_sensitivity_per_k
from labbench.results import Judgement, WouldDecide

TAU_S = 25.0
COOL_WITHIN_K = 2.0
#: lead-free solder melts at some 217 to 220 °C (from memory): a part that came off was that hot
LIFTED_C = 220.0
#: the remark that says so
STILL_WARM = "still warm"


def cooling_time_s(
    excess_k: float, *, within_k: float = COOL_WITHIN_K, tau_s: float = TAU_S
) -> float:
    """Return how long a part takes from `excess_k` above the room to `within_k` (s); never less
    than zero.
    """
    return tau_s * math.log(excess_k / within_k) if excess_k > within_k else 0.0


def excess_after_k(seconds: float, *, from_k: float = COOL_WITHIN_K, tau_s: float = TAU_S) -> float:
    """Return how far above the room a part is, some seconds after it was `from_k` above (K)."""
    return from_k * math.exp(-seconds / tau_s)


def excess_from_drift_k(
    fall_share: float, over_s: float, temperature_c: float, *, tau_s: float = TAU_S
) -> float:
    """Return how far above the room a coil still is after its resistance fell (K).

    `fall_share` is the relative fall of the copper over `over_s` seconds that just ended, from
    about `temperature_c`. It fell by dT (e^(t/tau) - 1) of the excess dT that is left.
    """
    return excess_from_fall_k(
        fall_share / copper_sensitivity_per_k(temperature_c), over_s, tau_s=tau_s
    )


def excess_from_fall_k(fall_k: float, over_s: float, *, tau_s: float = TAU_S) -> float:
    """Return how far above the room a part still is after it fell by so much over `over_s` (K)."""
    if fall_k <= 0.0 or over_s <= 0.0:
        return 0.0
    return fall_k / math.expm1(over_s / tau_s)


def wait_text(wait_s: float) -> str:
    """Return `wait 40 s`, rounded up to whole seconds."""
    return f"wait {max(1, math.ceil(wait_s))} s"


def waiting_judgement(specimen: str, type_name: str, wait_s: float) -> Judgement:
    """Return what is said of a part that was not measured because it still cools."""
    return Judgement(
        specimen=specimen,
        type=type_name,
        disposition="undecided",
        findings=(),
        characteristics=(),
        would_decide=(WouldDecide("wait", wait_text(wait_s)),),
        remarks=(STILL_WARM,),
    )


def leave_warm_undecided(judgement: Judgement, wait_s: float) -> Judgement:
    """Return the judgement of a part that proved still warm while it was measured.

    Nothing is failed for warmth: what failed or was sure waits until it is cool.
    """
    others = tuple(w for w in judgement.would_decide if w.action != "wait")
    return evolve(
        judgement,
        disposition="undecided",
        characteristics=tuple(
            evolve(c, verdict="undecided") if c.verdict == "fails" else c
            for c in judgement.characteristics
        ),
        findings=tuple(
            evolve(f, grade="suspect") if f.grade == "sure" else f for f in judgement.findings
        ),
        would_decide=(WouldDecide("wait", wait_text(wait_s)), *others),
        remarks=(STILL_WARM, *judgement.remarks),
    )
