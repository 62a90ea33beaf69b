"""Measure the stop path: from the stop key to off read back, while an averaged reading runs.

The simulated bench runs in a process of its own at the pace of real instruments. The multimeter is
in the middle of a reading of some seconds and the output is on, when another thread asks to stop,
as a page does; the road of Ctrl-C is the same. Goal: the rules about energy.
"""

from __future__ import annotations

import tempfile
import threading
import time
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
from tests.benchmarks.figures import Figure, median
from tests.benchmarks.simulated import simulated_bench

GOAL_MS = 300.0
STOPS = 7
#: one reading integrates input and zero over this many mains periods each: 4 s
PERIODS = 100.0
NEED = Need("benchmark", voltage_v=0.3, current_a=1.0, time_s=30.0, surge_j=1e-3)


class _Person:
    interactive = False

    def ask(self, prompt: Prompt) -> str:
        return "yes"

    def tell(self, event: Event) -> None:
        pass


def measure() -> list[Figure]:
    """Measure the slowest and the median of some stops."""
    off_ms: list[float] = []
    end_ms: list[float] = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        with simulated_bench("one-coil", folder) as bench_file:
            for _ in range(STOPS):
                off, end = _one_stop(bench_file, folder)
                off_ms.append(off * 1e3)
                end_ms.append(end * 1e3)
    return [
        Figure("stop to off read back, slowest", max(off_ms), "ms", GOAL_MS),
        Figure("stop to off read back, median", median(off_ms), "ms"),
        Figure("stop to the end of the run, median", median(end_ms), "ms"),
    ]


def _one_stop(bench_file: Path, folder: Path) -> tuple[float, float]:
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
                _read_long(run.bench, reading)
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


def _read_long(bench: Bench, reading: threading.Event) -> None:
    bench.connect(COIL_KELVIN, "D1")
    bench.set_dc_voltage(range_v=1.0, integration_periods=PERIODS)
    bench.ask_to_energise("benchmark")
    with (
        bench.step("benchmark"),
        bench.energised(volts=0.2, amps=1.0, reason="benchmark", need=NEED),
    ):
        reading.set()
        bench.take_voltage()
