"""Measure the stop path: from the stop key to off read back, while an averaged reading runs.

The simulated bench runs in a process of its own at the pace of real instruments. The multimeter is
in the middle of a reading of some seconds and the output is on, when another thread asks to stop,
as a page does; the road of Ctrl-C is the same. So it is done with a coil at 1 A, and with a MOSFET
whose drain is at 24 V behind 100 kohm. Goal: the rules about energy.
"""

from __future__ import annotations

import tempfile
import threading
import time
from collections.abc import Callable
from pathlib import Path

from labbench.bench.bench import Bench
from labbench.bench.bench_file import load_bench_file
from labbench.bench.limits import Need
from labbench.bench.stop import StopFlag
from labbench.compose import data_folder, open_bench
from labbench.errors import StoppedByPerson
from labbench.jobs.run import bench_run
from labbench.ports import Event, Prompt
from labbench.procedures.hookups import COIL_KELVIN
from labbench.procedures.switch.hookups import hookup
from tests.benchmarks.figures import Figure, median
from tests.benchmarks.simulated import simulated_bench

GOAL_MS = 300.0
STOPS = 7
#: one reading integrates input and zero over this many mains periods each: 4 s
PERIODS = 100.0
NEED = Need("benchmark", voltage_v=0.3, current_a=1.0, time_s=30.0, surge_j=1e-3)


DRAIN_V, DRAIN_A = 24.0, 5e-3
DRAIN_NEED = Need("benchmark", voltage_v=DRAIN_V, current_a=DRAIN_A, series_ohm=100e3, time_s=30.0)

ReadLong = Callable[[Bench, threading.Event], None]


class _Person:
    interactive = False

    def ask(self, prompt: Prompt) -> str:
        return "yes"

    def tell(self, event: Event) -> None:
        pass


def measure() -> list[Figure]:
    """Measure the slowest and the median of some stops, with a coil and with a MOSFET."""
    return [
        *_stops("one-coil", "stop", _read_coil),
        *_stops("switches", "stop a MOSFET step", _read_drain),
    ]


def _stops(scenario: str, words: str, read_long: ReadLong) -> list[Figure]:
    off_ms: list[float] = []
    end_ms: list[float] = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with simulated_bench(scenario, folder) as bench_file:
            for _ in range(STOPS):
                off, end = _one_stop(bench_file, folder, read_long)
                off_ms.append(off * 1e3)
                end_ms.append(end * 1e3)
    return [
        Figure(f"{words} to off read back, slowest", max(off_ms), "ms", GOAL_MS),
        Figure(f"{words} to off read back, median", median(off_ms), "ms"),
        Figure(f"{words} to the end of the run, median", median(end_ms), "ms"),
    ]


def _one_stop(bench_file: Path, folder: Path, read_long: ReadLong) -> tuple[float, float]:
    """Stop a reading under way; return the times to off read back and to the run's end (s)."""
    stop = StopFlag()
    reading = threading.Event()
    ended: list[BaseException] = []

    def run() -> None:
        try:
            with (
                open_bench(load_bench_file(bench_file), data_folder(folder / "data")) as opened,
                bench_run(
                    opened, job="benchmark", name="stop", who="benchmark", operator=_Person(),
                    data=data_folder(folder / "data"), stop=stop,
                ) as run,
            ):  # fmt: skip
                read_long(run.bench, reading)
        except StoppedByPerson as error:
            ended.append(error)

    worker = threading.Thread(target=run)
    worker.start()
    if not reading.wait(60):
        raise RuntimeError("the output never came on")
    time.sleep(0.3)
    begun = time.perf_counter()
    stop.request()  # returns when off was read back, or could not be
    off_s = time.perf_counter() - begun
    worker.join(60)
    end_s = time.perf_counter() - begun
    if not ended:
        raise RuntimeError("the run was not stopped")
    return off_s, end_s


def _read_coil(bench: Bench, reading: threading.Event) -> None:
    bench.connect(COIL_KELVIN, "D1")
    bench.set_dc_voltage(range_v=1.0, integration_periods=PERIODS)
    bench.ask_to_energise("benchmark")
    with (
        bench.step("benchmark"),
        bench.energised(volts=0.2, amps=1.0, reason="benchmark", need=NEED),
    ):
        reading.set()
        bench.take_voltage()


def _read_drain(bench: Bench, reading: threading.Event) -> None:
    bench.connect(hookup("fet-drain-100k"), "Q1")
    bench.set_dc_voltage(range_v=10.0, integration_periods=PERIODS)
    bench.ask_to_energise("benchmark")
    with (
        bench.step("benchmark"),
        bench.energised(volts=DRAIN_V, amps=DRAIN_A, reason="benchmark", need=DRAIN_NEED),
    ):
        reading.set()
        bench.take_voltage()
