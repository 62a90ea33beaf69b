"""Say what a first power showed: the word, why, and what comes next."""

from __future__ import annotations

__all__ = ["FirstPowerJudgement", "FirstPowerWord", "judge_first_power"]

from collections.abc import Sequence
from typing import Literal

from attrs import frozen

from labbench.results import PowerStep

FirstPowerWord = Literal["quiet", "not-quiet", "undecided"]

_NEXT = {
    None: "ordinary start-up, by you: release the controller, current limit low, rail watched",
    "rail-rises": "no more power: a high side conducts though nothing drives it; the fitted stage "
    "comes off again, its driver is stuck or its input is driven",
    "input-current": "no more power: find what draws it, warm to the touch or by millivolts along "
    "the input at 0.5 A and 0.2 V",
    "input-low": "no more power: check the input at 0.2 V (labbench rail BOARD vin), then its "
    "capacitors and each high side",
    "not-settling": "wait a minute and repeat; a current that wanders again is a supply that "
    "starts and dies, or a part that warms",
}  # fmt: skip


@frozen(kw_only=True)
class FirstPowerJudgement:
    """Hold the word of a first power, why, the next action, and every step (`stopped`: what)."""

    specimen: str
    board: str
    rail: str
    word: FirstPowerWord
    because: str
    next_action: str
    stopped: str | None
    steps: tuple[PowerStep, ...]


def judge_first_power(
    steps: Sequence[PowerStep], stopped: str | None, why: str | None, *,
    specimen: str, board: str, rail: str,
) -> FirstPowerJudgement:  # fmt: skip
    """Return what is said of a first power; `stopped` names the criterion that ended it."""
    highest = max(steps, key=lambda step: step.set_v)
    rail_v = max(abs(step.rail_v) for step in steps)
    word: FirstPowerWord = "quiet"
    because = (
        f"up to {highest.set_v:g} V: {steps[-1].input_a * 1e3:.0f} mA, "
        f"rail within {rail_v * 1e3:.1f} mV of 0"
    )
    if stopped is not None:
        word = "undecided" if stopped == "not-settling" else "not-quiet"
        because = why or stopped
    return FirstPowerJudgement(
        specimen=specimen, board=board, rail=rail, word=word, because=because,
        next_action=_NEXT[stopped], stopped=stopped, steps=tuple(steps),
    )  # fmt: skip
