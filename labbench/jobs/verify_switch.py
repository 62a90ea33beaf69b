"""Verify one MOSFET: look, every step that the bench can do, verdict, record."""

from __future__ import annotations

__all__ = ["best_word_of_bench", "verify_switch"]

from collections.abc import Sequence

from attrs import evolve

from labbench.bench.opened import OpenBench
from labbench.bench.stop import StopFlag
from labbench.errors import InputError
from labbench.jobs.bench_health import overdue
from labbench.jobs.cooling import residual_k
from labbench.jobs.outcome import Outcome, journalled
from labbench.jobs.request import Request
from labbench.jobs.run import bench_run
from labbench.jobs.switch_measuring import beyond_this_way, measure_switch
from labbench.jobs.switch_warmth import cool_or_listed, retest_cold
from labbench.judging.reservations import with_reservations
from labbench.judging.switch import judge_mosfet
from labbench.parts.mosfet_type import MosfetType
from labbench.ports import Event, Operator
from labbench.procedures.switch.screen import CANNOT_SEE
from labbench.records.folder import DataFolder
from labbench.records.readings_file import readings_to_json
from labbench.results import Judgement, Readings, WouldDecide


def verify_switch(
    opened: OpenBench,
    request: Request,
    *,
    operator: Operator,
    data: DataFolder,
    stop: StopFlag,
    siblings: Sequence[Readings],
) -> Outcome:
    """Verify a MOSFET and return what is said of it; its journal is closed when this returns.

    Raises what the bench raises, InputError for a bench without a supply.
    """
    part = request.part
    assert isinstance(part, MosfetType)
    if opened.supply is None:
        raise InputError(
            f"the bench {opened.file.name} has no supply: a switch cannot be judged on it",
            hint="add [instruments.supply] to the bench file",
        )
    if request.way == "screen" and opened.multimeter is None:
        raise InputError(
            f"the bench {opened.file.name} has no multimeter: a screen cannot see a leak",
            hint="add [instruments.multimeter] to the bench file, or verify without --screen",
        )
    # listed as cooling: its warmth is looked at in any case
    request = evolve(request, lately_lifted=residual_k(data, request.specimen) > 0.0)
    risk = request.risk if request.risk is not None else opened.file.risk
    operator.tell(Event("best-word", {"text": best_word_of_bench(opened, request)}))
    with bench_run(
        opened, job="verify", name=request.specimen, who=request.who, operator=operator,
        data=data, stop=stop,
        told={**request.told(siblings, risk), "way": request.way},
    ) as run:  # fmt: skip
        run.bench.identify()
        readings, taken, more = measure_switch(run, opened, request, data)
        run.journal.write("measured", readings=readings_to_json(readings), **more)
        judgement = judge_mosfet(
            readings, part, siblings=siblings, risk=risk, false_reject=request.false_reject,
            beyond=beyond_this_way(taken, request.way),
        )  # fmt: skip
        reasons = [*overdue(opened.file, opened.clock.utc().date()), *more["assumed_conditions"]]
        if request.way == "screen":
            reasons.append(CANNOT_SEE)
        judgement = with_reservations(judgement, reasons)
        if more["doubt"] is not None:
            judgement = _lies_otherwise(judgement, more["doubt"])
        elif more.get("refused"):
            judgement = evolve(judgement, remarks=(more["refused"], *judgement.remarks))
        judgement = retest_cold(judgement, taken)
        cool_or_listed(data, request, taken)
        return journalled(
            run,
            readings,
            judgement,
            siblings=siblings,
            more=more,
            ended=taken.why if taken.doubt is None else None,
        )


def _lies_otherwise(judgement: Judgement, doubt: str) -> Judgement:
    """Say that nothing was learnt of the part, since it does not lie as it was said to."""
    seat = WouldDecide("seat-again", f"{doubt}: look at part, type and hookup, then measure again")
    return evolve(
        judgement, disposition="undecided", would_decide=(seat, *judgement.would_decide),
        remarks=(doubt, *judgement.remarks),
    )  # fmt: skip


def best_word_of_bench(opened: OpenBench, request: Request) -> str:
    """Say before the start the best word that this bench, this way, can reach, and why."""
    if request.way == "screen":
        return f"best word: plausible ({CANNOT_SEE})"
    if opened.multimeter is None:
        sees = (
            "; the impedance meter sees a leak that is a resistor below some 100 MΩ, none that "
            "needs volts"
            if opened.impedance_meter is not None
            else ""
        )
        return (
            "best word: plausible (no multimeter: the supply's readback sees no leak above 12 kΩ, "
            f"so no part is passed{sees})"
        )
    if getattr(opened.multimeter, "by_hand", False):
        return "best word: plausible (a display is too slow for the on-resistance)"
    part = request.part
    assert isinstance(part, MosfetType)
    if part.polarity == "p" and opened.supply is not None and opened.supply.channels < 2:
        return "best word: plausible (a p-channel gate needs a second channel for on-resistance)"
    if part.learned_from or not part.has_limits:
        return "best word: plausible (no limits from a data sheet)"
    return "best word: fit"
