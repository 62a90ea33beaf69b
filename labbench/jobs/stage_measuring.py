"""Measure a power stage as the plan for this bench says, and turn what was read into readings."""

from __future__ import annotations

__all__ = ["beyond_this_stage_way", "measure_stage"]

from typing import Any

from labbench.bench.opened import OpenBench
from labbench.errors import StepAborted
from labbench.jobs.before_measuring import cleaned, looked_at
from labbench.jobs.can_decide import accuracies_of
from labbench.jobs.request import Request
from labbench.jobs.run import BenchRun
from labbench.jobs.stage_blocks import stage_blocks
from labbench.jobs.switch_blocks import SwitchBlocks
from labbench.judging.stage import NEEDED_STEPS
from labbench.metrology.budgets import budget_to_json
from labbench.parts.stage_type import StageType
from labbench.ports import Event
from labbench.procedures.switch.stage_conditions import stage_conditions
from labbench.procedures.switch.stage_screen import stage_screen
from labbench.procedures.switch.stage_sequence import stage_sequence
from labbench.procedures.switch.stage_taken import StageTaken
from labbench.results import Readings


def beyond_this_stage_way(taken: StageTaken, way: str) -> tuple[str, ...]:
    """Name the steps that this bench, or the quick check, cannot make: they cap the word."""
    if way == "screen":
        return tuple(step for step in NEEDED_STEPS if step != "short")
    return tuple(step for step in taken.missing if step in NEEDED_STEPS)


def measure_stage(
    run: BenchRun, opened: OpenBench, request: Request
) -> tuple[Readings, StageTaken, dict[str, Any]]:
    """Take what the plan of this bench holds; the second value tells where it ended, and why.

    Raises what the bench raises; a person who does not agree to the supply leaves the rest out.
    """
    assert isinstance(request.part, StageType)
    bench = run.bench
    conditions = stage_conditions(request.part, rail_v=request.rail_v)
    visual, condemned = looked_at(bench, request)
    taken = StageTaken()
    clean: bool | None = None
    if not (condemned or request.with_supply):
        text = "every step on a power stage needs the supply: nothing is measured"
        bench.tell(Event("skipped", {"text": text}))
    elif not condemned:
        clean = cleaned(bench, request.specimen)
        supply = opened.file.instruments.supply
        try:
            taken = (
                stage_screen(bench, conditions, position=request.position)
                if request.way == "screen"
                else stage_sequence(
                    bench, conditions, position=request.position,
                    capacitance_f=supply.output_capacitance_f if supply else None,
                )
            )  # fmt: skip
        except StepAborted as refused:
            # nobody agreed to switch the supply on, or a hookup could not be made
            bench.tell(Event("skipped", {"text": f"not measured further: {refused.message}"}))
        bench.open_all()
    made = (
        stage_blocks(taken, accuracies_of(opened.file), opened.file.fixture.series_tolerances)
        if taken.pairs
        else SwitchBlocks({})
    )
    more: dict[str, Any] = {
        "temperature_c": request.temperature_c,
        "u_temperature_c": request.u_temperature_c,
        "way": request.way,
        "assumed_conditions": list(conditions.assumed),
        "budgets": [budget_to_json(budget) for budget in made.budgets],
        "seating": taken.seating,
        "stopped_at": taken.stopped_at,
        "why": taken.why,
        "missing": dict(taken.missing),
    }
    readings = request.readings(
        opened.clock.utc().date().isoformat(), visual=visual, cleaned=clean, **made.blocks
    )
    return readings, taken, more
