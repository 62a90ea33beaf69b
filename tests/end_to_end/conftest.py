"""Serve a simulated bench over real sockets, and run the command line against it.

In-process runs share one jumping clock with the simulator, so nothing waits and the numbers do
not depend on the computer; runs in a process of their own use the bench file's clock rate.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, ExitStack
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from attrs import frozen

from labbench.bench.opened import OpenBench
from labbench.compose import data_folder, load_bench, open_bench
from labbench.records.folder import DataFolder
from labbench.records.journal import JournalFile, is_amendment, read_journal
from sim.clock import ManualClock
from sim.link_faults import FaultSchedule
from sim.served import ServedBench
from tests.invoking import Said, invoke

REPOSITORY = Path(__file__).parents[2]


class SharedClock:
    """Be the core's clock on the simulator's time; `later_s` moves the time of day on."""

    def __init__(self, simulated: ManualClock, later_s: float = 0.0) -> None:
        self._simulated = simulated
        self._later = timedelta(seconds=later_s)

    def utc(self) -> datetime:
        return datetime.now(UTC) + self._later

    def monotonic_s(self) -> float:
        return self._simulated.now_s()

    def sleep_s(self, seconds: float) -> None:
        self._simulated.sleep_s(seconds)


@frozen
class Workshop:
    """Hold one simulated bench, its bench file and a data folder."""

    served: ServedBench
    bench_file: Path
    data: DataFolder
    monkeypatch: pytest.MonkeyPatch

    def labbench(self, *arguments: object, input: str = "", later_s: float = 0.0) -> Said:
        """Run a command in this process, on the simulator's clock, so much later in the day."""
        clock = self.served.clock
        if isinstance(clock, ManualClock):
            shared = SharedClock(clock, later_s)
            self.monkeypatch.setattr("labbench.compose.BenchClock", lambda _: shared)
        return invoke(*arguments, data=self.data.root, input=input)

    def verify(self, part: str, specimen: str, *more: object) -> Said:
        return self.labbench("verify", part, "--specimen", specimen, "--who", "tester",
                             "--temperature", 23, "--look", "fine",
                             "--bench", self.bench_file, *more)  # fmt: skip

    def command(self, *arguments: object) -> list[str]:
        """Return the command line for a process of its own."""
        return [*LABBENCH, *map(str, arguments)]

    @property
    def environment(self) -> dict[str, str]:
        return environment(self.data.root)

    def start(self, *arguments: object, **more: Any) -> subprocess.Popen[str]:
        """Start a command in a process of its own."""
        return subprocess.Popen(
            self.command(*arguments), env=self.environment, text=True, cwd=self.data.root.parent,
            stdin=more.pop("stdin", subprocess.DEVNULL), stdout=subprocess.PIPE,
            stderr=subprocess.PIPE, **more,
        )  # fmt: skip

    def open(self) -> AbstractContextManager[OpenBench]:
        """Open the bench for the jobs, on the simulator's clock."""
        clock = self.served.clock
        assert isinstance(clock, ManualClock)
        return open_bench(
            load_bench(self.bench_file, self.data), self.data, clock=SharedClock(clock)
        )

    def journals(self, job: str | None = None) -> list[JournalFile]:
        """Read every journal of runs, oldest first."""
        paths = sorted(self.data.journals.glob("*.jsonl"), key=lambda path: path.stat().st_mtime_ns)
        read = [read_journal(path) for path in paths if not is_amendment(path)]
        return [j for j in read if job is None or j.events[0].data.get("job") == job]

    def is_on(self) -> bool:
        """Look at the simulated supply itself, past every link."""
        supply = self.served.bench.supply
        assert supply is not None
        return any(supply.output(channel) for channel in range(1, supply.channels + 1))

    def edit_bench_file(self, change: Callable[[str], str]) -> None:
        text = self.bench_file.read_text(encoding="utf-8")
        changed = change(text)
        assert changed != text
        self.bench_file.write_text(changed, encoding="utf-8")


LABBENCH = [sys.executable, "-c", "from labbench.fronts.terminal import main; main()"]


def environment(data: Path) -> dict[str, str]:
    return {**os.environ, "LABBENCH_DATA": str(data), "PYTHONPATH": str(REPOSITORY),
            "PYTHONUNBUFFERED": "1"}  # fmt: skip


@pytest.fixture
def workshops(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., Workshop]]:
    """Make workshops; at the end no simulated instrument or part may have been harmed."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.chdir(tmp_path)
    made: list[Workshop] = []
    with ExitStack() as stack:

        def make(
            scenario: str | Path = "one-coil",
            *,
            seed: int | None = None,
            clock_rate: float | None = None,
            faults: Mapping[str, FaultSchedule] | None = None,
            name: str = "workshop",
        ) -> Workshop:
            served = stack.enter_context(
                ServedBench(
                    scenario, seed=seed, clock_rate=clock_rate,
                    manual_clock=clock_rate is None, faults=faults,
                )
            )  # fmt: skip
            folder = tmp_path / name
            folder.mkdir()
            bench_file = folder / "bench.toml"
            bench_file.write_text(served.bench_toml(), encoding="utf-8")
            made.append(Workshop(served, bench_file, data_folder(folder / "data"), monkeypatch))
            return made[-1]

        yield make
        for workshop in made:
            assert workshop.served.bench.damage == []


@pytest.fixture
def workshop(workshops: Callable[..., Workshop]) -> Workshop:
    """Be the one-coil bench."""
    return workshops()


def until(condition: Callable[[], bool], *, seconds: float = 30.0) -> None:
    """Wait for something that another process does."""
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "it did not happen in time"
        time.sleep(0.005)
