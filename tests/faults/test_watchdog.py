"""Kill a run whose supply has a watchdog: the output goes off by itself, with nobody's help.

The simulator stays in this process and is looked at past every link, since a message would feed the
watchdog. The watchdog is the simulated one's: a real one has to be tried.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from labbench.bench.clock import BenchClock
from labbench.records.journal import find_unfinished
from sim.scenario import SCENARIOS
from tests.end_to_end.conftest import Workshop, until, workshops

__all__ = ["workshops"]  # a fixture of the runs end to end

#: simulated seconds in a second: the longest silence meant, 15 s, is over in one
RATE = 15.0


@pytest.fixture
def watched(workshops: Callable[..., Workshop], tmp_path: Path) -> Workshop:
    """Be a bench whose supply has a watchdog, with a compensation taken."""
    text = (SCENARIOS / "one-coil.toml").read_text(encoding="utf-8")
    path = tmp_path / "watched.toml"
    head = "[instruments.supply]\n"
    assert head in text
    path.write_text(
        text.replace(head, f'{head}dialect = "supply-channel-list"\n'), encoding="utf-8"
    )
    quick = workshops(path, name="quick")
    assert quick.labbench("compensate", "--bench", quick.bench_file).code == 0
    bench = workshops(path, clock_rate=RATE)
    shutil.copytree(quick.data.compensations, bench.data.compensations)
    bench.monkeypatch.setattr("labbench.compose.BenchClock", BenchClock)
    return bench


def test_the_output_of_a_killed_run_goes_off_by_itself(watched: Workshop) -> None:
    process = watched.start(
        "verify", "coil-470n", "--specimen", "D1", "--look", "fine", "--temperature", 23,
        "--who", "tester", "--bench", watched.bench_file,
    )  # fmt: skip
    until(watched.is_on)
    process.kill()
    process.communicate(timeout=60)
    supply = watched.served.bench.supply
    assert supply is not None
    until(lambda: not watched.is_on())
    assert supply.watchdog_expired()
    # the next start still finds the run, sees the supply off and says so
    assert len(find_unfinished(watched.data.journals)) == 1
    said = watched.labbench("bench", "--bench", watched.bench_file)
    assert said.code == 0, said
    assert "broke off while its supply was on" in said.err
    assert find_unfinished(watched.data.journals) == []


def test_a_run_that_ends_leaves_the_watchdog_disarmed(watched: Workshop) -> None:
    process = watched.start(
        "verify", "coil-470n", "--specimen", "D1", "--look", "fine", "--temperature", 23,
        "--who", "tester", "--bench", watched.bench_file,
    )  # fmt: skip
    _, err = process.communicate(timeout=60)
    assert process.returncode == 0, err
    supply = watched.served.bench.supply
    assert supply is not None
    assert not supply.watchdog()
    assert not supply.watchdog_expired()
    (journal,) = watched.journals("verify")
    delays = {event.data["watchdog_s"] for event in journal.of_kind("about-to-energise")}
    assert delays == {15.0}
