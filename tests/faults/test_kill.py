"""Kill a verify run with SIGKILL at random moments, a hundred times, and start again each time.

The simulator is in a process of its own and outlives every kill, as a supply does. After each kill
every journal is readable, and the next start finds out whether the supply was left on and sees it
off before anything else. The counts are printed.

Not covered: a power cut of the computer (that an event is on disk before the next action is shown
in tests/records), a kill of the simulator.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import random
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from labbench.bench.bench_file import BenchFile, load_bench_file
from labbench.compose import data_folder, open_bench
from labbench.jobs.run import settle_earlier_runs
from labbench.records.folder import DataFolder
from labbench.records.journal import find_unfinished, is_amendment, read_journal
from tests.faults.bench_under_fault import Person

SEED = 20261125
KILLS = 100
#: simulated seconds in a second: a whole run takes about one second
RATE = 12.0

PRELOADED = ["labbench.fronts.terminal.commands.verify", "labbench.compose", "labbench.jobs.verify",
             "labbench.jobs.part_types", "labbench.reports.words", "drivers", "GTC"]  # fmt: skip


def run_verify(bench_file: Path, data: Path) -> None:
    """Be the process that is killed: `labbench verify`, forked from one that has imported it."""
    from labbench.fronts.terminal import main

    os.environ["LABBENCH_DATA"] = str(data)
    sys.argv = [
        "labbench", "verify", "coil-470n", "--specimen", "D1", "--look", "fine", "--temperature",
        "23", "--who", "tester", "--bench", str(bench_file),
    ]  # fmt: skip
    with Path(os.devnull).open("w") as nowhere:
        sys.stdout = sys.stderr = nowhere
        main()


@contextlib.contextmanager
def simulator(folder: Path, scenario: str = "one-coil", rate: float = RATE) -> Iterator[BenchFile]:
    """Serve the simulated bench in a process of its own."""
    path = folder / "bench.toml"
    process = subprocess.Popen(
        [sys.executable, "-c", "from labbench.fronts.terminal import main; main()", "simulate",
         scenario, "--write-bench", str(path), "--clock-rate", str(rate)],
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
        cwd=Path(__file__).parents[2],
    )  # fmt: skip
    assert process.stdout is not None
    try:
        assert process.stdout.readline().startswith("ready")
        yield load_bench_file(path)
    finally:
        process.terminate()
        process.wait(20)
        process.stdout.close()


class Beside:
    """Ask the simulated supply over a link of our own, whatever labbench thinks."""

    def __init__(self, file: BenchFile) -> None:
        assert file.instruments.supply is not None
        _, host, port, _ = file.instruments.supply.resource.split("::")
        self._link = socket.create_connection((host, int(port)), timeout=10)
        self._file = self._link.makefile("rb")

    def is_on(self) -> bool:
        self._link.sendall(b"OUTP?\n")
        return self._file.readline().strip() == b"1"

    def close(self) -> None:
        self._file.close()
        self._link.close()


def start_again(file: BenchFile, data: DataFolder) -> int:
    """Do what every start does first; return how many runs were settled."""
    person = Person()
    with open_bench(file, data, log_exchanges=False) as opened:
        settle_earlier_runs(opened, data, operator=person, who="tester")
    return sum(event.kind == "settled" for event in person.told)


@pytest.mark.slow
def test_a_hundred_kills_leave_readable_journals_and_a_supply_that_is_seen_off(
    tmp_path: Path, say: Callable[[str], None]
) -> None:
    chance = random.Random(SEED)
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload([*PRELOADED, __name__])
    data = data_folder(tmp_path / "data")
    counts = dict.fromkeys(
        ("killed", "before the journal", "under way", "finished", "left on", "settled", "torn"), 0
    )
    with simulator(tmp_path) as file, contextlib.closing(Beside(file)) as beside:
        assert file.path is not None
        # the first run takes the compensation, and tells how long a run takes
        lasts_s = 0.0
        for _ in range(2):
            begun = time.monotonic()
            whole = context.Process(target=run_verify, args=(file.path, data.root))
            whole.start()
            whole.join(120)
            assert whole.exitcode == 0
            lasts_s = time.monotonic() - begun
        seen = set(data.journals.glob("*.jsonl"))
        for number in range(KILLS):
            process = context.Process(target=run_verify, args=(file.path, data.root))
            process.start()
            time.sleep(chance.uniform(0.02, 1.0) * lasts_s)
            process.kill()
            process.join(20)
            process.close()
            counts["killed"] += 1
            left_on = beside.is_on()
            counts["left on"] += left_on
            fresh = {p for p in set(data.journals.glob("*.jsonl")) - seen if not is_amendment(p)}
            seen |= fresh
            counts["before the journal"] += not fresh
            energised = False
            for path in fresh:
                journal = read_journal(path)  # raises where more than the last line is torn
                counts["torn"] += journal.torn
                finished = bool(journal.of_kind("closed"))
                counts["finished" if finished else "under way"] += 1
                energised = energised or bool(journal.channels_not_off())
            # on disk before on: whatever the moment of the kill
            assert energised or not left_on, f"kill {number}: on, and no journal says so"
            settled = start_again(file, data)
            counts["settled"] += settled
            assert settled >= energised, f"kill {number}: the next start did not settle it"
            assert not beside.is_on(), f"kill {number}: still on after the next start"
            assert find_unfinished(data.journals) == []
            assert start_again(file, data) == 0, "it is said once"
    say(f"seed {SEED}: " + ", ".join(f"{name} {count}" for name, count in counts.items()))
    assert counts["killed"] == KILLS
    assert counts["under way"] > KILLS / 2
    # a hundred kills that never met the output on would show nothing
    assert counts["left on"] > 0
