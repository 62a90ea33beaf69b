"""Check the load behind a rail, at the bench or from a file, against a board known to be good."""

from __future__ import annotations

__all__ = [
    "LoadJudgement",
    "RailRequest",
    "check_load",
    "judge_rail_files",
    "known_good",
    "needs_supply",
    "rail_check",
    "runs_of",
    "told_of",
]

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from attrs import frozen

from labbench.bench.opened import OpenBench
from labbench.bench.stop import StopFlag
from labbench.errors import FileProblems, InputError, Problem
from labbench.files import unreadable
from labbench.jobs.can_decide import accuracies_of
from labbench.jobs.load_readings import load_readings
from labbench.jobs.run import BenchRun, bench_run
from labbench.jobs.verify import check_position
from labbench.judging.load import LoadJudgement, is_input, judge_load
from labbench.ports import Operator
from labbench.procedures.switch.rail import check_rail
from labbench.records.folder import DataFolder
from labbench.records.readings_file import read_readings, readings_from_json, readings_to_json
from labbench.records.store import RunRow, Store
from labbench.results import Readings


@frozen(kw_only=True)
class RailRequest:
    """Say which rail of which type of board, and whether this board is known to be good.

    After fitting: how many phases the rail has, which of them were repaired (counted from 1), and
    the specimens of the coils that went in, in that order. At a first power: what the input may
    draw at most (A).
    """

    board: str
    rail: str
    serial: str
    who: str
    position: str | None = None
    good: bool = False
    large_core: bool = False
    phases: int = 1
    fitted: tuple[int, ...] = (1,)
    coil: str | None = None
    most_input_a: float = 0.1


def rail_check(
    opened: OpenBench, request: RailRequest, *, operator: Operator, data: DataFolder,
    stop: StopFlag,
) -> LoadJudgement:  # fmt: skip
    """Check a rail, or a board's input, and return what is said of it; kept by type of board.

    Raises what the bench raises, InputError for a bench without a supply.
    """
    needs_supply(opened)
    check_position(opened, request.position)
    good = known_good(data, request.board, request.rail, but=request.serial)
    with bench_run(
        opened, job="rail", name=f"{request.board}-{request.rail}", who=request.who,
        operator=operator, data=data, stop=stop, told=told_of(request),
    ) as run:  # fmt: skip
        run.bench.identify()
        readings, more = check_load(run, opened, request)
        run.bench.open_all()
        run.journal.write("measured", readings=readings_to_json(readings), **more)
        judgement = judge_load(readings, good=good)
        run.journal.write("judged", word=judgement.word, because=judgement.because)
        return judgement


def needs_supply(opened: OpenBench) -> None:
    """Raise InputError for a bench that has no supply."""
    if opened.supply is None:
        raise InputError(
            f"the bench {opened.file.name} has no supply: a board cannot be checked on it",
            hint="add [instruments.supply] to the bench file",
        )


def told_of(request: RailRequest) -> dict[str, Any]:
    """Give what a journal is told at its opening: the board is the specimen, its type the type."""
    return {
        "specimen": request.serial, "type": request.board, "lot": request.rail,
        "good": request.good, "position": request.position,
    }  # fmt: skip


def check_load(
    run: BenchRun, opened: OpenBench, request: RailRequest
) -> tuple[Readings, dict[str, Any]]:
    """Take the load of a rail; the second value tells how it was read."""
    taken = check_rail(
        run.bench, position=request.position, large_core=request.large_core,
        side="input" if is_input(request.rail) else "rail",
    )  # fmt: skip
    readings = Readings(
        request.serial, "load", role="good" if request.good else "test",
        board=request.board, rail=request.rail,
        load=load_readings(taken.load, accuracies_of(opened.file)),
    )  # fmt: skip
    return readings, {"leads_ohm": taken.leads_ohm, "large_core": taken.large_core}


def runs_of(data: DataFolder, **wanted: Any) -> list[RunRow]:
    """Find runs in the store, latest first; none where there is no store.

    A lost store takes a comparison away, not the measurement.
    """
    if not data.journals.is_dir():
        return []
    try:
        with Store(data.store) as store:
            store.ingest_waiting(data.journals)
            return store.search(**wanted, with_void=False)
    except InputError:
        return []


def known_good(data: DataFolder, board: str, rail: str, *, but: str) -> tuple[Readings, ...]:
    """Find what good boards of this type read on this rail, the latest of each."""
    rows = runs_of(data, type=board, lot=rail, job="rail")
    found: dict[str, Readings] = {}
    for row in rows:
        if row.measured is not None:
            readings = readings_from_json(row.measured)
            if readings.role == "good" and readings.specimen != but:
                found.setdefault(readings.specimen, readings)
    return tuple(found.values())


def judge_rail_files(files: Sequence[Path]) -> Iterator[LoadJudgement | Problem]:
    """Judge the test lines of readings files against the good lines of the same board and rail.

    Raises FileProblems for a file that cannot be opened.
    """
    tests: list[Readings | Problem] = []
    good: dict[tuple[str | None, str | None], list[Readings]] = {}
    for path in files:
        try:
            lines = path.read_text(encoding="utf-8").splitlines()
        except (OSError, UnicodeDecodeError) as error:
            raise FileProblems([Problem(str(path), unreadable(error))]) from error
        for line in read_readings(lines, file=str(path)):
            if isinstance(line, Readings) and line.role == "good":
                good.setdefault((line.board, line.rail), []).append(line)
            elif isinstance(line, Problem) or line.role == "test":
                tests.append(line)
    for line in tests:
        if isinstance(line, Problem):
            yield line
        else:
            yield judge_load(line, good=good.get((line.board, line.rail), ()))
