"""Pick and order the procedures for a part type on the instruments that a bench has."""

from __future__ import annotations

__all__ = ["Name", "PlanStep", "coil_plan"]

from collections.abc import Mapping
from typing import Literal

from attrs import field, frozen

from labbench.bench.bench import Bench
from labbench.errors import StepAborted
from labbench.parts.coil_type import CoilType
from labbench.ports import Hookup
from labbench.procedures.dc_resistance import best_method
from labbench.procedures.hookups import COIL_IMPEDANCE, COIL_KELVIN, COIL_SUPPLY_ALONE
from labbench.procedures.sweep import sweep_frequencies

Name = Literal["look", "contact", "sweep", "dc-resistance"]


@frozen
class PlanStep:
    """Hold one step: its procedure, its hookup, whether it energises, and what it is given.

    `missing` says why this bench cannot do it; then it is left out and the characteristic is not
    measured.
    """

    name: Name
    hookup: Hookup | None = None
    energises: bool = False
    detail: Mapping[str, object] = field(factory=dict)
    missing: str | None = None


def coil_plan(part: CoilType | None, bench: Bench) -> tuple[PlanStep, ...]:
    """Return the steps for a coil in the order in which they are done.

    Looking comes first, because a cracked part is not worth a measurement; what needs no supply
    comes before what does; nothing is energised before the contact held still.
    """
    steps = [PlanStep("look")]
    if bench.impedance_meter is None:
        missing = "no impedance meter: neither inductance nor a shorted turn can be seen"
        steps += [PlanStep("contact", missing=missing), PlanStep("sweep", missing=missing)]
    else:
        try:
            frequencies = sweep_frequencies(part, bench.impedance_range_hz)
            unreachable = _unreachable(part, bench.impedance_range_hz)
            detail: dict[str, object] = {"frequencies_hz": frequencies}
            if unreachable:
                detail["limits_out_of_reach_hz"] = unreachable
            steps += [
                PlanStep("contact", COIL_IMPEDANCE),
                PlanStep("sweep", COIL_IMPEDANCE, detail=detail),
            ]
        except StepAborted as error:
            steps.append(PlanStep("sweep", missing=error.message))
    try:
        method = best_method(bench)
    except StepAborted as error:
        steps.append(PlanStep("dc-resistance", missing=error.message))
    else:
        hookup = {
            "multimeter-on-off": COIL_KELVIN,
            "supply-readback": COIL_SUPPLY_ALONE,
            "impedance-meter": COIL_IMPEDANCE,
        }[method]
        energises = method != "impedance-meter"
        steps.append(PlanStep("dc-resistance", hookup, energises, {"method": method}))
    return tuple(steps)


def _unreachable(part: CoilType | None, range_hz: tuple[float, float]) -> tuple[float, ...]:
    """Return the frequencies (Hz) of limits that the meter cannot reach: these stay undecided."""
    lowest, highest = range_hz
    limits = part.inductance if part is not None else ()
    return tuple(
        limit.frequency_hz for limit in limits if not lowest <= limit.frequency_hz <= highest
    )
