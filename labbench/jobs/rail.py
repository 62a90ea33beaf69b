"""Check the load behind a rail, at the bench or from a file, against a board known to be good."""

from __future__ import annotations

__all__ = ["LoadJudgement", "RailRequest", "judge_rail_files", "known_good", "rail_check"]

import math
from collections.abc import Iterator, Sequence
from pathlib import Path

from attrs import evolve, frozen

from labbench.bench.opened import OpenBench
from labbench.bench.stop import StopFlag
from labbench.errors import FileProblems, InputError, Problem
from labbench.jobs.can_decide import accuracies_of
from labbench.jobs.run import bench_run, settle_earlier_runs
from labbench.judging.load import LoadJudgement, judge_load
from labbench.metrology.expected import BenchAccuracies
from labbench.ports import Operator
from labbench.procedures.switch.rail import LoadTaken, check_rail
from labbench.records.folder import DataFolder
from labbench.records.readings_file import read_readings, readings_from_json, readings_to_json
from labbench.records.store import Store
from labbench.results import LoadReading, Readings

_SQRT3 = math.sqrt(3.0)
#: the 100 ohm of the fixture
_RESISTOR = 1e-2
#: a difference below this share of its uncertainty is no current
_LEAST_SIGMAS = 3.0


@frozen(kw_only=True)
class RailRequest:
    """Say which rail of which type of board, and whether this board is known to be good."""

    board: str
    rail: str
    serial: str
    who: str
    position: str | None = None
    good: bool = False


def rail_check(
    opened: OpenBench, request: RailRequest, *, operator: Operator, data: DataFolder,
    stop: StopFlag,
) -> LoadJudgement:  # fmt: skip
    """Check a rail and return what is said of its load; kept in the store by type of board.

    Raises what the bench raises, InputError for a bench without supply or multimeter.
    """
    if opened.supply is None or opened.multimeter is None:
        raise InputError(
            f"the bench {opened.file.name} lacks a supply or a multimeter: a load cannot be checked"
        )
    settle_earlier_runs(opened, data, operator=operator, who=request.who)
    accuracies = accuracies_of(opened.file)
    good = known_good(data, request.board, request.rail, but=request.serial)
    with bench_run(
        opened, job="rail", name=f"{request.board}-{request.rail}", who=request.who,
        operator=operator, data=data, stop=stop,
        told={"specimen": request.serial, "type": request.board, "lot": request.rail,
              "good": request.good},
    ) as run:  # fmt: skip
        run.bench.identify()
        taken = check_rail(run.bench, position=request.position)
        run.bench.open_all()
        readings = Readings(
            request.serial, "load", role="good" if request.good else "test",
            board=request.board, rail=request.rail,
            load=tuple(_reading(one, accuracies) for one in _same_voltages(taken)),
        )  # fmt: skip
        run.journal.write("measured", readings=readings_to_json(readings))
        judgement = judge_load(readings, good=good)
        run.journal.write("judged", word=judgement.word, because=judgement.because)
        return judgement


def known_good(data: DataFolder, board: str, rail: str, *, but: str) -> tuple[Readings, ...]:
    """Find what good boards of this type read on this rail, the latest of each."""
    if not data.journals.is_dir():
        return ()
    try:
        with Store(data.store) as store:
            store.ingest_waiting(data.journals)
            rows = store.search(type=board, lot=rail, job="rail", with_void=False)
    except InputError:
        # a lost store takes the comparison away, not the measurement
        return ()
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
            raise FileProblems([Problem(str(path), f"cannot be read: {error}")]) from error
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


def _same_voltages(taken: Sequence[LoadTaken]) -> Iterator[LoadTaken]:
    """Bring what was read on the way back to the voltage of the way up, in proportion."""
    up: dict[float, LoadTaken] = {}
    for one in taken:
        if one.voltage_v <= 0:
            continue
        first = up.setdefault(one.set_v, one)
        if one is first:
            yield evolve(one, repeat=False)
        else:
            share = first.voltage_v / one.voltage_v
            yield evolve(one, voltage_v=first.voltage_v, current_a=one.current_a * share)


def _reading(one: LoadTaken, accuracies: BenchAccuracies) -> LoadReading:
    meter, supply = accuracies.multimeter, accuracies.supply
    assert meter is not None
    assert supply is not None
    volts = max(one.voltage_v, 1e-4)
    if one.series_ohm is not None:
        across = one.current_a * one.series_ohm
        u = math.hypot(
            _RESISTOR * one.current_a, meter.gain_relative * one.current_a,
            meter.offset_of_range * (0.1 if across < 0.1 else 1.0) / one.series_ohm,
        ) / _SQRT3  # fmt: skip
        u_volts = math.hypot(supply.voltage_offset_v, supply.voltage_step_v) / _SQRT3
    else:
        # on and off in one session: the zero of the readback cancels to its last digit
        u = math.hypot(
            supply.current_gain_relative * one.current_a, supply.current_step_a * 2**0.5
        ) / _SQRT3  # fmt: skip
        u_volts = math.hypot(meter.gain_relative * volts, meter.offset_of_range * 0.1) / _SQRT3
    if one.current_a < _LEAST_SIGMAS * u:
        return LoadReading(
            volts, None, repeat=one.repeat, status="over-range",
            less_than_a=max(one.current_a, 0.0) + _LEAST_SIGMAS * u,
        )  # fmt: skip
    return LoadReading(volts, one.current_a, u_current_a=u, u_voltage_v=u_volts, repeat=one.repeat)
