"""Choose the steps for a switch on the instruments that a bench has, in the order of the work."""

from __future__ import annotations

__all__ = ["Name", "PlanStep", "switch_plan"]

from typing import Literal

from attrs import frozen

from labbench.bench.bench import Bench
from labbench.procedures.switch.conditions import SwitchConditions
from labbench.procedures.switch.on_resistance import on_way

Name = Literal[
    "short-check", "gate-leakage", "drain-leakage", "body-diode", "threshold", "on-resistance",
    "drain-leakage-again",
]  # fmt: skip

_WORDS: dict[Name, str] = {
    "short-check": "looking for shorts at 0.2 V",
    "gate-leakage": "gate leakage, both ways",
    "drain-leakage": "drain leakage at two voltages",
    "body-diode": "body diode",
    "threshold": "threshold",
    "on-resistance": "on-resistance",
    "drain-leakage-again": "drain leakage again",
}


@frozen
class PlanStep:
    """Hold one step; `missing` says why this bench cannot do it, then it is left out."""

    name: Name
    missing: str | None = None

    @property
    def words(self) -> str:
        """Give the step in words."""
        return _WORDS[self.name]


def switch_plan(bench: Bench, conditions: SwitchConditions) -> tuple[PlanStep, ...]:
    """Return the steps for this bench in the order in which they are done.

    Without a supply there is none; without a multimeter only what the supply's own readback shows,
    which is no leak that matters: such a bench never passes a part.
    """
    names: tuple[Name, ...] = (
        "short-check", "gate-leakage", "drain-leakage", "body-diode", "threshold",
        "on-resistance", "drain-leakage-again",
    )  # fmt: skip
    if bench.supply is None:
        return tuple(PlanStep(name, "no supply") for name in names)
    steps = []
    for name in names:
        missing = None
        if name != "short-check" and bench.multimeter is None:
            missing = "no multimeter: the supply's readback sees no leak above some 12 kΩ"
        elif name == "on-resistance" and on_way(bench, mirrored=conditions.mirrored) is None:
            missing = (
                "a display cannot be read in the second that the current may flow"
                if bench.multimeter_by_hand
                else "the gate of a p-channel part needs a second supply channel"
            )
        elif name == "on-resistance" and not conditions.on:
            missing = "no gate voltage is allowed at which it would be on"
        steps.append(PlanStep(name, missing))
    return tuple(steps)
