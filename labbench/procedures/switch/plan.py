"""Choose the steps for a switch on the instruments that a bench has, in the order of the work."""

from __future__ import annotations

__all__ = ["Name", "PlanStep", "switch_plan"]

from typing import Literal

from attrs import frozen

from labbench.bench.bench import Bench
from labbench.procedures.switch.breakdown import breakdown_plan
from labbench.procedures.switch.capacitance import PATHS
from labbench.procedures.switch.conditions import SwitchConditions
from labbench.procedures.switch.hookups import hookup
from labbench.procedures.switch.on_resistance import on_way
from labbench.procedures.switch.touching import can_tell

Name = Literal[
    "contact-check", "short-check", "capacitance", "gate-leakage", "drain-leakage", "body-diode",
    "threshold", "on-resistance", "breakdown", "drain-leakage-again",
]  # fmt: skip

_WORDS: dict[Name, str] = {
    "contact-check": "do the contacts touch the part",
    "capacitance": "capacitances at 0 V",
    "short-check": "looking for shorts at 0.2 V",
    "gate-leakage": "gate leakage, both ways",
    "drain-leakage": "drain leakage at two voltages",
    "body-diode": "body diode",
    "threshold": "threshold",
    "on-resistance": "on-resistance",
    "breakdown": "breakdown voltage",
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


def _where_possible(bench: Bench, conditions: SwitchConditions) -> tuple[Name, ...]:
    """Name the steps that help where they can be done, and are not missed where they cannot.

    The capacitances cost a person two ties: they are worth them only where no multimeter sees a
    leak.
    """
    found: list[Name] = []
    if can_tell(bench):
        found.append("contact-check")
    by_meter = bench.impedance_meter is not None and all(
        bench.knows(hookup(name, mirrored=conditions.mirrored)) for name, _ in PATHS
    )
    if by_meter and (not bench.by_person or bench.multimeter is None):
        found.append("capacitance")
    return tuple(found)


def switch_plan(
    bench: Bench, conditions: SwitchConditions, *, with_breakdown: bool = False
) -> tuple[PlanStep, ...]:
    """Return the steps for this bench in the order in which they are done.

    Without a supply there is none; without a multimeter only what the supply's own readback shows,
    which is no leak that matters: such a bench never passes a part.
    """
    names: tuple[Name, ...] = (
        "short-check", "gate-leakage", "drain-leakage", "body-diode", "threshold",
        "on-resistance", "drain-leakage-again",
    )  # fmt: skip
    more = _where_possible(bench, conditions)
    names = (*(n for n in more if n == "contact-check"), names[0],
             *(n for n in more if n == "capacitance"), *names[1:])  # fmt: skip
    if with_breakdown:
        names = (*names[:-1], "breakdown", names[-1])
    if bench.supply is None:
        return tuple(PlanStep(name, "no supply") for name in names)
    steps = []
    for name in names:
        missing = None
        if name not in ("short-check", "capacitance") and bench.multimeter is None:
            missing = "no multimeter: the supply's readback sees no leak above some 12 kΩ"
        elif name == "breakdown":
            missing = breakdown_plan(bench, conditions).missing
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
