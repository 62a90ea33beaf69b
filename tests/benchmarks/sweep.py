"""Measure a five-frequency sweep against the time that the meter itself takes, at real time.

The meter's own time is the sum of its apertures and of its settling before each of them, which no
program can shorten: as the simulated meter declares it (10 ms or four periods, sim/instruments).
The relays are closed before; setting, reading back, the journal (on disk before the next action)
and the error queue at the end count as ours.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

from labbench.bench.stop import StopFlag
from labbench.compose import data_folder, load_bench, open_bench
from labbench.fronts.terminal.person import TerminalPerson
from labbench.jobs.run import bench_run
from labbench.procedures.hookups import COIL_IMPEDANCE
from labbench.procedures.sweep import DEFAULT_FREQUENCIES_HZ, SweepSettings, impedance_sweep
from tests.benchmarks.figures import Figure, median
from tests.benchmarks.simulated import simulated_bench

SWEEPS = 7
GOAL = 1.05
#: what the simulated meter takes to settle before an average (s), and in periods
_SETTLING_S, _SETTLING_PERIODS = 10e-3, 4.0


def own_time_s(settings: SweepSettings) -> float:
    """Give what the meter itself takes for the sweep (s)."""
    return sum(
        max(_SETTLING_S, _SETTLING_PERIODS / frequency) + settings.averages * settings.aperture_s
        for frequency in DEFAULT_FREQUENCIES_HZ
    )


def measure() -> list[Figure]:
    """Measure sweeps one after another in one run."""
    settings = SweepSettings()
    taken: list[float] = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        data = data_folder(folder / "data")
        person = TerminalPerson(interactive=False, quiet=True)
        with (
            simulated_bench("one-coil", folder) as bench_file,
            open_bench(load_bench(bench_file, data), data) as opened,
            bench_run(
                opened, job="verify", name="D1", who="benchmark", operator=person, data=data,
                stop=StopFlag(),
            ) as run,
        ):  # fmt: skip
            run.bench.connect(COIL_IMPEDANCE, "D1")
            for _ in range(SWEEPS):
                begun = time.perf_counter()
                impedance_sweep(run.bench, DEFAULT_FREQUENCIES_HZ, position="D1", settings=settings)
                taken.append(time.perf_counter() - begun)
    own_s = own_time_s(settings)
    return [
        Figure("five apertures and the meter's settling", own_s, "s"),
        Figure("five-frequency sweep at real time, median", median(taken), "s"),
        Figure("five-frequency sweep to the meter's own time", median(taken) / own_s, "", GOAL),
    ]
