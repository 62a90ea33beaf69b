"""Kill runs on switches with SIGKILL at random moments, some tens of times, and start again.

As test_kill.py, with the screen of a MOSFET: shorts, drain at 24 V, body diode and gate, with one
channel and many relays. Not covered: the long sequence, whose further steps energise by the same
road (tests/faults/test_switch_exchanges.py fails exchanges of each).
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import random
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from labbench.compose import data_folder
from labbench.records.journal import find_unfinished, is_amendment, read_journal
from tests.faults.test_kill import PRELOADED, Beside, simulator, start_again

SEED = 20261125
KILLS = 24
#: simulated seconds in a second: a screen takes some seconds
RATE = 6.0


def run_screen(bench_file: Path, data: Path) -> None:
    """Be the process that is killed: `labbench verify --screen`."""
    from labbench.fronts.terminal import main

    os.environ["LABBENCH_DATA"] = str(data)
    sys.argv = [
        "labbench", "verify", "nfet-30v-5m", "--screen", "--specimen", "Q1", "--look", "fine",
        "--temperature", "23", "--who", "tester", "--bench", str(bench_file),
    ]  # fmt: skip
    with Path(os.devnull).open("w") as nowhere:
        sys.stdout = sys.stderr = nowhere
        main()


@pytest.mark.slow
def test_kills_in_a_screen_leave_readable_journals_and_a_supply_that_is_seen_off(
    tmp_path: Path, say: Callable[[str], None]
) -> None:
    chance = random.Random(SEED)
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload([*PRELOADED, __name__])
    data = data_folder(tmp_path / "data")
    counts = dict.fromkeys(("killed", "under way", "finished", "left on", "settled", "torn"), 0)
    with (
        simulator(tmp_path, "switches", RATE) as file,
        contextlib.closing(Beside(file)) as beside,
    ):
        assert file.path is not None
        lasts_s = 0.0
        # the first run reads the empty jig as well
        for _ in range(2):
            begun = time.monotonic()
            whole = context.Process(target=run_screen, args=(file.path, data.root))
            whole.start()
            whole.join(120)
            assert whole.exitcode in (0, 3)
            lasts_s = time.monotonic() - begun
        seen = set(data.journals.glob("*.jsonl"))
        for number in range(KILLS):
            process = context.Process(target=run_screen, args=(file.path, data.root))
            process.start()
            time.sleep(chance.uniform(0.1, 1.0) * lasts_s)
            process.kill()
            process.join(20)
            process.close()
            counts["killed"] += 1
            left_on = beside.is_on()
            counts["left on"] += left_on
            fresh = {p for p in set(data.journals.glob("*.jsonl")) - seen if not is_amendment(p)}
            seen |= fresh
            energised = False
            for path in fresh:
                journal = read_journal(path)
                counts["torn"] += journal.torn
                counts["finished" if journal.of_kind("closed") else "under way"] += 1
                energised = energised or bool(journal.channels_not_off())
            assert energised or not left_on, f"kill {number}: on, and no journal says so"
            settled = start_again(file, data)
            counts["settled"] += settled
            assert settled >= energised, f"kill {number}: the next start did not settle it"
            assert not beside.is_on(), f"kill {number}: still on after the next start"
            assert find_unfinished(data.journals) == []
    say(f"seed {SEED}: " + ", ".join(f"{name} {count}" for name, count in counts.items()))
    assert counts["under way"] > KILLS / 3
    assert counts["left on"] > 0
