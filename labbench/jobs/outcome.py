"""Hold what came of a verification, and journal what is said of the part."""

from __future__ import annotations

__all__ = ["Outcome", "journalled"]

from collections.abc import Mapping, Sequence
from typing import Any

from attrs import evolve, frozen

from labbench.jobs.run import BenchRun
from labbench.metrology.budgets import Budget, budget_from_json
from labbench.records.readings_file import judgement_to_json
from labbench.results import Judgement, Readings


@frozen
class Outcome:
    """Hold a finished run: its id, what was measured, what is said of it."""

    run: str
    readings: Readings
    judgement: Judgement
    siblings: tuple[str, ...] = ()
    budgets: tuple[Budget, ...] = ()


def journalled(
    run: BenchRun,
    readings: Readings,
    judgement: Judgement,
    *,
    siblings: Sequence[Readings],
    more: Mapping[str, Any],
    ended: str | None = None,
) -> Outcome:
    """Write the judgement into the run's journal and return the outcome.

    `more` is what the measurement told beside its readings. `ended` is why the steps ended before
    the last, where they did: it becomes a remark.
    """
    if ended is not None:
        remarks = (*judgement.remarks, f"{ended}: no later step was run")
        judgement = evolve(judgement, remarks=remarks)
    run.journal.write(
        "judged",
        **judgement_to_json(judgement),
        remarks=judgement.remarks,
        band=judgement.band,
    )
    return Outcome(
        run.id, readings, judgement, tuple(each.specimen for each in siblings),
        tuple(budget_from_json(item) for item in more.get("budgets", ())),
    )  # fmt: skip
