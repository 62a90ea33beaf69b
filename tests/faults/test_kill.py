"""Kill a verify run with SIGKILL at random moments, a hundred times, and start again each time.

After each kill every journal is readable, and the next start finds out whether the supply was left
on and sees it off before anything else. Of switches the screen of a MOSFET is killed some tens of
times: shorts, drain at 24 V, body diode and gate, with one channel and many relays. The counts are
printed.

Not covered: a power cut of the computer (that an event is on disk before the next action is shown
in tests/records), a kill of the simulator, the long sequence of a switch, whose further steps
energise by the same road (tests/faults/test_switch_exchanges.py fails exchanges of each).
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.faults.killing import kill_again_and_again, simulator

SEED = 20261125
_BY = ("--look", "fine", "--temperature", "23", "--who", "tester")


@pytest.mark.slow
def test_a_hundred_kills_leave_readable_journals_and_a_supply_that_is_seen_off(
    tmp_path: Path, say: Callable[[str], None]
) -> None:
    # at this rate a whole run takes about one second
    with simulator(tmp_path, "one-coil", rate=12.0) as file:
        counts = kill_again_and_again(
            file, tmp_path, ("verify", "coil-470n", "--specimen", "D1", *_BY),
            kills=100, seed=SEED, exit_codes=(0,), say=say,
        )  # fmt: skip
    assert counts["under way"] > 100 / 2


@pytest.mark.slow
def test_kills_in_a_screen_leave_readable_journals_and_a_supply_that_is_seen_off(
    tmp_path: Path, say: Callable[[str], None]
) -> None:
    # at this rate a screen takes some seconds
    with simulator(tmp_path, "switches", rate=6.0) as file:
        counts = kill_again_and_again(
            file, tmp_path, ("verify", "nfet-30v-5m", "--screen", "--specimen", "Q1", *_BY),
            kills=24, seed=SEED, exit_codes=(0, 3), say=say,
        )  # fmt: skip
    assert counts["under way"] > 24 / 3
