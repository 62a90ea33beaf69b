"""Fill the disk under a run: it stops, the output goes off, and the error says what to do.

`labbench verify` runs in a process whose files may not grow beyond a size, which is what a full
disk looks like to whoever writes. The simulator is in this process and is looked at past every
link. Not covered: a disk that fails in other ways, a full disk of the computer's own.
"""

from __future__ import annotations

import os
import resource
import shutil
from collections.abc import Callable

import pytest

from labbench.bench.clock import BenchClock
from labbench.records.journal import is_amendment, read_journal
from tests.end_to_end.conftest import Workshop, workshops

__all__ = ["workshops"]  # a fixture of the runs end to end

#: sizes (bytes) at which a run's journal ends before it energises, while the output is on, after
SIZES = (2_000, 14_000, 17_000, 20_000, 23_000, 26_000)


@pytest.fixture
def bench(workshops: Callable[..., Workshop]) -> Workshop:
    """Be a bench on which a compensation was taken."""
    quick = workshops("one-coil", name="quick")
    assert quick.labbench("compensate", "--bench", quick.bench_file).code == 0
    bench = workshops("one-coil", clock_rate=50.0)
    shutil.copytree(quick.data.compensations, bench.data.compensations)
    bench.monkeypatch.setattr("labbench.compose.BenchClock", BenchClock)
    # a coverage tool in the process would want room on the full disk as well, and say so
    for name in [name for name in os.environ if name.startswith("COVERAGE")]:
        bench.monkeypatch.delenv(name)
    return bench


def test_a_full_disk_stops_the_run_with_the_output_off_and_says_so(bench: Workshop) -> None:
    energised = 0
    for size in SIZES:
        before = set(bench.data.journals.glob("*.jsonl"))
        process = bench.start(
            "verify", "coil-470n", "--specimen", "D1", "--look", "fine", "--temperature", 23,
            "--who", "tester", "--bench", bench.bench_file,
            preexec_fn=lambda size=size: resource.setrlimit(resource.RLIMIT_FSIZE, (size, size)),
        )  # fmt: skip
        _, err = process.communicate(timeout=60)
        assert process.returncode == 4, (size, err)
        assert not bench.is_on(), size
        assert "could not be written" in err or "cannot be written" in err, (size, err)
        assert "free some space" in err or "make room" in err, (size, err)
        assert "Traceback" not in err, (size, err)
        fresh = list(set(bench.data.journals.glob("*.jsonl")) - before)
        for path in fresh:
            if not is_amendment(path):
                journal = read_journal(path)
                assert not journal.torn, (size, journal.note)
                energised += bool(journal.of_kind("about-to-energise"))
    assert energised > 0, "no run came as far as energising: other sizes are needed"
    # with room again the next run goes through
    process = bench.start(
        "verify", "coil-470n", "--specimen", "D1", "--look", "fine", "--temperature", 23,
        "--who", "tester", "--bench", bench.bench_file,
    )  # fmt: skip
    _, err = process.communicate(timeout=60)
    assert process.returncode == 0, err
    assert not bench.is_on()
