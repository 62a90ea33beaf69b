"""Check a board after its repair, unpowered: its load again, and the fitted phase in place."""

from __future__ import annotations

__all__ = ["after_fitting", "off_board_coil"]

from labbench.bench.opened import OpenBench
from labbench.bench.stop import StopFlag
from labbench.errors import InputError
from labbench.jobs.can_decide import accuracies_of
from labbench.jobs.load_readings import phase_readings
from labbench.jobs.rail import RailRequest, check_load, known_good, needs_supply, runs_of, told_of
from labbench.jobs.run import bench_run
from labbench.jobs.verify import check_position
from labbench.judging.fitted import judge_fitted
from labbench.judging.load import LoadJudgement, is_input, judge_load
from labbench.ports import Operator
from labbench.procedures.switch.board_hookups import MOST_PHASES, phase_hookup
from labbench.procedures.switch.fitted import check_phases
from labbench.records.folder import DataFolder
from labbench.records.readings_file import readings_from_json, readings_to_json
from labbench.records.verdict_json import plain
from labbench.results import Estimate, PhaseReading

#: A phase that leaks lets the rail's 0.3 V charge the board's input, where no meter is joined. Fed
#: for T and left for 5.2 T, with x = exp(-T/tau), at most 0.3 V (1 - x) x^5.2 are left: 19.4 mV
#: whatever the leak.
_EMPTIES, _LONGEST_FED_S = 5.2, 12.0


def after_fitting(
    opened: OpenBench, request: RailRequest, *, operator: Operator, data: DataFolder,
    stop: StopFlag,
) -> LoadJudgement:  # fmt: skip
    """Check the load, then each phase, and return what is said of the board.

    A load that is dead ends it: nothing is looked at behind it. Raises what the bench raises,
    InputError for phases that there are not, or a coil that was never measured.
    """
    needs_supply(opened)
    check_position(opened, request.position)
    _check(opened, request)
    coil = off_board_coil(data, request.coil) if request.coil is not None else None
    good = known_good(data, request.board, request.rail, but=request.serial)
    with bench_run(
        opened, job="after-fitting", name=f"{request.board}-{request.rail}", who=request.who,
        operator=operator, data=data, stop=stop,
        told=told_of(request)
        | {"phases": request.phases, "fitted": list(request.fitted), "coil": request.coil},
    ) as run:  # fmt: skip
        run.bench.identify()
        begun_s = run.bench.clock.monotonic_s()
        readings, more = check_load(run, opened, request)
        fed_s = min(run.bench.clock.monotonic_s() - begun_s, _LONGEST_FED_S)
        load = judge_load(readings, good=good)
        phases: tuple[PhaseReading, ...] = ()
        if load.word != "dead":
            run.bench.settle(_EMPTIES * fed_s)
            taken = check_phases(run.bench, range(1, request.phases + 1), position=request.position)
            phases = phase_readings(taken, request.fitted, accuracies_of(opened.file))
        run.bench.open_all()
        run.journal.write(
            "measured", readings=readings_to_json(readings), phases=plain(phases), **more
        )
        judgement = judge_fitted(load, phases, coil=coil)
        run.journal.write("judged", word=judgement.word, because=judgement.because)
        return judgement


def off_board_coil(data: DataFolder, specimen: str) -> Estimate:
    """Return the dc resistance (ohm) that a coil had when it was verified last.

    Raises InputError where it never was.
    """
    for row in runs_of(data, specimen=specimen, job="verify"):
        measured = readings_from_json(row.measured) if row.measured is not None else None
        if measured is None or measured.dc_resistance is None:
            continue
        found = measured.dc_resistance
        if found.value_ohm is not None and found.u_ohm is not None:
            return Estimate(found.value_ohm, found.u_ohm, "ohm")
    raise InputError(
        f"no dc resistance of a coil {specimen!r} is on record",
        hint="labbench history shows what was verified; without --coil the neighbours compare",
    )


def _check(opened: OpenBench, request: RailRequest) -> None:
    problems: list[str] = []
    if is_input(request.rail):
        problems.append("after fitting the output rail is checked, not the input")
    if not 1 <= request.phases <= MOST_PHASES:
        problems.append(f"{request.phases} phases: 1 to {MOST_PHASES} can be looked at")
    missing = [phase for phase in request.fitted if not 1 <= phase <= request.phases]
    if missing:
        problems.append(f"phase {missing[0]} was fitted, and the rail has {request.phases}")
    reached = [
        phase for phase in range(1, min(request.phases, MOST_PHASES) + 1)
        if {phase_hookup("vin-sw", phase), phase_hookup("sw-rail", phase)} <= {*opened.file.hookups}
    ]  # fmt: skip
    if opened.switch is not None and len(reached) < min(request.phases, MOST_PHASES):
        seen = ", ".join(map(str, reached)) or "none"
        problems.append(
            f"the relays of {opened.file.name} do not reach all of {request.phases} phases: {seen} "
            f"(hookups such as {phase_hookup('sw-rail', 1)} in the bench file)"
        )
    if request.coil is not None and len(request.fitted) != 1:
        problems.append("a coil is compared where one phase was fitted")
    if problems:
        raise InputError("; ".join(problems))
