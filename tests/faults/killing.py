"""Kill a process that measures with SIGKILL at random moments, and look at what it left.

The simulator is in a process of its own and outlives every kill, as a supply does.
"""

from __future__ import annotations

import contextlib
import math
import multiprocessing
import os
import random
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from labbench.bench.bench_file import BenchFile, load_bench_file
from labbench.compose import data_folder, open_bench
from labbench.jobs.run import settle_earlier_runs
from labbench.records.folder import DataFolder
from labbench.records.journal import find_unfinished, is_amendment, read_journal
from tests.faults.bench_under_fault import Person

_PRELOADED = ["labbench.fronts.terminal.commands.verify", "labbench.compose",
              "labbench.jobs.verify", "labbench.jobs.part_types", "labbench.reports.words",
              "drivers", "GTC"]  # fmt: skip


def run_labbench(arguments: Sequence[str], bench_file: Path, data: Path) -> None:
    """Be the process that is killed: `labbench`, forked from one that has imported it."""
    from labbench.fronts.terminal import main

    os.environ["LABBENCH_DATA"] = str(data)
    sys.argv = ["labbench", *arguments, "--bench", str(bench_file)]
    with Path(os.devnull).open("w") as nowhere:
        sys.stdout = sys.stderr = nowhere
        main()


@contextlib.contextmanager
def simulator(folder: Path, scenario: str, rate: float) -> Iterator[BenchFile]:
    """Serve the simulated bench in a process of its own; `rate`: simulated seconds in a second."""
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


def kill_again_and_again(
    file: BenchFile,
    folder: Path,
    arguments: Sequence[str],
    *,
    kills: int,
    seed: int,
    exit_codes: tuple[int, ...],
    say: Callable[[str], None],
) -> dict[str, int]:
    """Run to the end three times, then start and kill so many times; count what was met, say it.

    Every tenth kill strikes before the journal of its run is there, the others at random between
    that moment and the end. After each kill every journal is readable; an output that is left on
    stands in one; the next start sees it off.
    """
    chance = random.Random(seed)
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload([*_PRELOADED, __name__])
    data = data_folder(folder / "data")
    counts = dict.fromkeys(
        ("killed", "before the journal", "under way", "finished", "left on", "settled", "torn"), 0
    )

    def started() -> multiprocessing.process.BaseProcess:
        process = context.Process(target=run_labbench, args=(arguments, file.path, data.root))
        process.start()
        return process

    def journals() -> set[Path]:
        return {p for p in data.journals.glob("*.jsonl") if not is_amendment(p)}

    def wait_for_a_journal(process: multiprocessing.process.BaseProcess, before: set[Path]) -> None:
        while process.is_alive() and journals() == before:
            time.sleep(0.002)

    with contextlib.closing(Beside(file)) as beside:
        # the first run reads what the later ones find: the compensation, or the empty jig; the
        # shortest counts, since a computer that is busy only now and then would let runs end;
        # a process goes on for a while after its journal's last line
        opens_s = lasts_s = math.inf
        for _ in range(3):
            before, begun = journals(), time.monotonic()
            whole = started()
            wait_for_a_journal(whole, before)
            opened, opened_at = time.monotonic(), time.time()
            whole.join(120)
            assert whole.exitcode in exit_codes
            opens_s = min(opens_s, opened - begun)
            ended_at = max(path.stat().st_mtime for path in journals() - before)
            lasts_s = min(lasts_s, ended_at - opened_at)
        seen = journals()
        for number in range(kills):
            process = started()
            if number % 10:
                wait_for_a_journal(process, seen)
                time.sleep(chance.random() * lasts_s)
            else:
                time.sleep(chance.random() * opens_s)
            process.kill()
            process.join(20)
            process.close()
            counts["killed"] += 1
            left_on = beside.is_on()
            counts["left on"] += left_on
            fresh = journals() - seen
            seen |= fresh
            counts["before the journal"] += not fresh
            energised = False
            for path in fresh:
                journal = read_journal(path)  # raises where more than the last line is torn
                counts["torn"] += journal.torn
                counts["finished" if journal.of_kind("closed") else "under way"] += 1
                energised = energised or bool(journal.channels_not_off())
            # on disk before on: whatever the moment of the kill
            assert energised or not left_on, f"kill {number}: on, and no journal says so"
            settled = start_again(file, data)
            counts["settled"] += settled
            assert settled >= energised, f"kill {number}: the next start did not settle it"
            assert not beside.is_on(), f"kill {number}: still on after the next start"
            assert find_unfinished(data.journals) == []
            assert start_again(file, data) == 0, "it is said once"
    say(f"seed {seed}: " + ", ".join(f"{name} {count}" for name, count in counts.items()))
    assert counts["killed"] == kills
    # kills that never met the output on would show nothing
    assert counts["left on"] > 0
    return counts
