"""Verify one power stage: look, every step that the bench can do, verdict, record."""

from __future__ import annotations

__all__ = ["best_word_for_stage", "verify_stage"]

from collections.abc import Sequence

from labbench.bench.opened import OpenBench
from labbench.bench.stop import StopFlag
from labbench.errors import InputError
from labbench.jobs.bench_health import overdue
from labbench.jobs.outcome import Outcome, journalled
from labbench.jobs.request import Request
from labbench.jobs.run import bench_run
from labbench.jobs.stage_measuring import beyond_this_stage_way, measure_stage
from labbench.judging.reservations import with_reservations
from labbench.judging.stage import judge_stage
from labbench.parts.stage_type import StageType
from labbench.ports import Event, Operator
from labbench.procedures.switch.stage_screen import STAGE_CANNOT_SEE
from labbench.records.folder import DataFolder
from labbench.records.readings_file import readings_to_json
from labbench.results import Readings

_UNKNOWN_LIE = "how it lies in the jig was not checked: the type gives too few resistances"


def verify_stage(
    opened: OpenBench,
    request: Request,
    *,
    operator: Operator,
    data: DataFolder,
    stop: StopFlag,
    siblings: Sequence[Readings],
) -> Outcome:
    """Verify a power stage and return what is said of it; its journal is closed on return.

    Raises what the bench raises, InputError for a bench without a supply.
    """
    part = request.part
    assert isinstance(part, StageType)
    if opened.supply is None:
        raise InputError(
            f"the bench {opened.file.name} has no supply: a power stage cannot be judged on it",
            hint="add [instruments.supply] to the bench file",
        )
    risk = request.risk if request.risk is not None else opened.file.risk
    operator.tell(Event("best-word", {"text": best_word_for_stage(opened, request)}))
    with bench_run(
        opened, job="verify", name=request.specimen, who=request.who, operator=operator,
        data=data, stop=stop,
        told={**request.told(siblings, risk), "way": request.way},
    ) as run:  # fmt: skip
        run.bench.identify()
        readings, taken, more = measure_stage(run, opened, request)
        run.journal.write("measured", readings=readings_to_json(readings), **more)
        judgement = judge_stage(
            readings, part, siblings=siblings, risk=risk, false_reject=request.false_reject,
            beyond=beyond_this_stage_way(taken, request.way),
        )  # fmt: skip
        reasons = [*overdue(opened.file, opened.clock.utc().date()), *more["assumed_conditions"]]
        if taken.seating is not None and not taken.seating.known:
            reasons.append(_UNKNOWN_LIE)
        if request.way == "screen":
            reasons.append(STAGE_CANNOT_SEE)
        judgement = with_reservations(judgement, reasons)
        return journalled(run, readings, judgement, siblings=siblings, more=more, ended=taken.why)


def best_word_for_stage(opened: OpenBench, request: Request) -> str:
    """Say before the start the best word that this bench, this way, can reach, and why."""
    part = request.part
    assert isinstance(part, StageType)
    if request.way == "screen":
        return f"best word: plausible ({STAGE_CANNOT_SEE})"
    if opened.multimeter is None:
        return (
            "best word: plausible (no multimeter: the supply's readback sees no leak above 12 kΩ, "
            "so no part is passed)"
        )
    if getattr(opened.multimeter, "by_hand", False):
        return "best word: plausible (a display is too slow for undervoltage and on-resistance)"
    if part.learned_from or not part.has_limits:
        return "best word: plausible (no limits from a data sheet)"
    return "best word: fit"
