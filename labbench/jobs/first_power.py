"""Give a repaired board its first power through a series limit, once its checks are in order."""

from __future__ import annotations

__all__ = ["FirstPowerJudgement", "first_power_of_board"]

from labbench.bench.opened import OpenBench
from labbench.bench.stop import StopFlag
from labbench.errors import InputError, StepAborted
from labbench.jobs.rail import RailRequest, needs_supply, runs_of, told_of
from labbench.jobs.run import BenchRun, bench_run
from labbench.jobs.verify import check_position
from labbench.judging.first_power import FirstPowerJudgement, judge_first_power
from labbench.ports import Event, Operator, Prompt
from labbench.procedures.switch.first_power import first_power
from labbench.records.folder import DataFolder
from labbench.records.verdict_json import plain

#: more than this is no idle current of a board at 5 V through 22 ohm
_MOST_INPUT_A = 0.2


def first_power_of_board(
    opened: OpenBench, request: RailRequest, *, operator: Operator, data: DataFolder,
    stop: StopFlag,
) -> FirstPowerJudgement:  # fmt: skip
    """Power a board up to 5 V and return what is said of it; the output is off when this returns.

    A board whose load was not found alive since it was fitted is powered only when a person says
    so; one found dead is not. Raises what the bench raises, InputError, StepAborted.
    """
    needs_supply(opened)
    check_position(opened, request.position)
    if not 0.0 < request.most_input_a <= _MOST_INPUT_A:
        raise InputError(
            f"an input current of {request.most_input_a:g} A cannot be the limit: above 0 and at "
            f"most {_MOST_INPUT_A:g} A (22 ohm stand in the way)"
        )
    before = _last_check(data, request)
    if before == "dead":
        raise StepAborted(
            f"{request.serial} was found dead when it was checked last: it is not powered",
            hint="mend it, then labbench rail BOARD RAIL --after-fitting",
        )
    with bench_run(
        opened, job="first-power", name=f"{request.board}-{request.rail}", who=request.who,
        operator=operator, data=data, stop=stop,
        told=told_of(request) | {"most_input_a": request.most_input_a, "checked": before},
    ) as run:  # fmt: skip
        run.bench.identify()
        if before != "alive":
            _ask_unchecked(run, before)
        taken = first_power(run.bench, position=request.position, most_input_a=request.most_input_a)
        if taken.why is not None:
            run.bench.tell(Event("stopped", {"text": f"{taken.why}: the output is off"}))
        run.bench.open_all()
        run.journal.write("measured", first_power=plain(taken))
        judgement = judge_first_power(
            taken.steps, taken.stopped, taken.why,
            specimen=request.serial, board=request.board, rail=request.rail,
        )  # fmt: skip
        run.journal.write("judged", word=judgement.word, because=judgement.because)
        return judgement


def _last_check(data: DataFolder, request: RailRequest) -> str | None:
    """Return the word of the last check of this board after fitting; None: there was none."""
    for row in runs_of(
        data, specimen=request.serial, type=request.board, lot=request.rail, job="after-fitting"
    ):
        if row.judged is not None:
            return str(row.judged.get("word"))
    return None


def _ask_unchecked(run: BenchRun, before: str | None) -> None:
    """Ask whether a board is powered that no check found alive; raise StepAborted on a no."""
    state = "was not checked after fitting" if before is None else f"was {before} when checked last"
    text = (
        f"This board {state}: a short that is still there burns the repair. Power it all the same"
    )
    prompt = Prompt("confirm", "power-unchecked", ("yes", "no"), "no", {"text": text})
    if run.bench.ask(prompt) != "yes":
        raise StepAborted(
            "the board was not checked after fitting; nothing was energised",
            hint="labbench rail BOARD RAIL --after-fitting first",
        )
