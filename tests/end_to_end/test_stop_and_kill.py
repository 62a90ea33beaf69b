"""Stops by a person and kills of the process, while a run is under way in a process of its own.

The simulator stays in this process, so what the supply really does is looked at past every link.
Does not cover a power cut of the computer: that an event is on disk before the next action is
shown in tests/records/test_journal.
"""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

import pexpect
import pytest

from labbench.bench.clock import BenchClock
from labbench.records.journal import is_amendment, read_journal
from tests.end_to_end.conftest import LABBENCH, Workshop, until
from tests.invoking import Said

#: bench seconds per second: slow enough that another process can be caught in the act
RATE = 15.0


@pytest.fixture
def slow_bench(workshops: Callable[..., Workshop]) -> Workshop:
    """Be a bench on which time passes, with a compensation taken where none does."""
    quick = workshops("one-coil", name="quick")
    assert quick.labbench("compensate", "--bench", quick.bench_file).code == 0
    slow = workshops("one-coil", clock_rate=RATE)
    # the same seed has the same jig
    shutil.copytree(quick.data.compensations, slow.data.compensations)
    slow.monkeypatch.setattr("labbench.compose.BenchClock", BenchClock)
    return slow


def start_verify(workshop: Workshop) -> subprocess.Popen[str]:
    return workshop.start(
        "verify", "coil-470n", "--specimen", "D1", "--look", "fine", "--temperature", 23,
        "--who", "tester", "--json", "--bench", workshop.bench_file,
    )  # fmt: skip


def journal_paths(workshop: Workshop) -> list[Path]:
    return [p for p in sorted(workshop.data.journals.glob("*D1*.jsonl")) if not is_amendment(p)]


def seen(workshop: Workshop, kind: str) -> Callable[[], bool]:
    """Tell whether an event of this kind is in the journal of D1 yet."""

    def look() -> bool:
        paths = journal_paths(workshop)
        return bool(paths) and f'"kind": "{kind}"' in paths[0].read_text(encoding="utf-8")

    return look


def end(process: subprocess.Popen[str]) -> Said:
    out, err = process.communicate(timeout=60)
    return Said(process.returncode, out, err)


@pytest.mark.parametrize("moment", ["reading", "energised"])
def test_ctrl_c_during_a_run_ends_it_with_the_output_off(slow_bench: Workshop, moment: str) -> None:
    process = start_verify(slow_bench)
    if moment == "energised":
        until(slow_bench.is_on)
    else:
        until(seen(slow_bench, moment))
    process.send_signal(signal.SIGINT)
    said = end(process)
    assert said.code == 130, said
    assert said.out == ""
    assert "stopped by Ctrl-C" in said.err
    assert not slow_bench.is_on()
    closed = slow_bench.journals("verify")[-1].events[-1]
    assert closed.kind == "closed"
    assert closed.data["status"] == "stopped"
    assert "Ctrl-C" in closed.data["reason"]
    assert closed.data["channels_not_off"] == []
    (row,) = slow_bench.labbench("history", "D1", "--json").rows
    assert row["status"] == "stopped"


@pytest.mark.parametrize(
    "moment",
    [
        "energised",
        pytest.param("reading", marks=pytest.mark.slow),
        pytest.param("opened", marks=pytest.mark.slow),
        pytest.param("about-to-energise", marks=pytest.mark.slow),
        pytest.param("off", marks=pytest.mark.slow),
    ],
)
def test_a_killed_run_reads_back_and_the_next_start_checks_the_supply_first(
    slow_bench: Workshop, moment: str
) -> None:
    process = start_verify(slow_bench)
    if moment == "energised":
        until(slow_bench.is_on)
    else:
        until(seen(slow_bench, moment))
    process.kill()
    end(process)
    (path,) = journal_paths(slow_bench)
    journal = read_journal(path)
    assert journal.events[0].kind == "opened"
    assert [event.sequence for event in journal.events] == list(range(len(journal.events)))
    assert journal.events[-1].kind != "closed"
    energised = bool(journal.channels_not_off())
    if moment == "energised":
        assert energised
        assert slow_bench.is_on(), "the kill came too late to leave the output on"
    exchanges = slow_bench.served.servers["impedance_meter"].exchanges
    first: list[bool] = []
    meter = slow_bench.served.bench.impedance_meter
    assert meter is not None
    measure = meter.measure

    def watched() -> object:
        first.append(slow_bench.is_on())
        return measure()

    slow_bench.monkeypatch.setattr(meter, "measure", watched)
    said = end(start_verify(slow_bench))
    assert said.code == 0, said
    assert slow_bench.served.servers["impedance_meter"].exchanges > exchanges
    assert first[0] is False, "the output was still on when the next run measured"
    told = f"the run {path.stem} broke off while its supply was on" in said.err
    assert told is energised
    assert not slow_bench.is_on()
    # it is said once
    again = slow_bench.labbench("bench", "--bench", slow_bench.bench_file)
    assert "broke off" not in again.err
    statuses = {row["run"]: row["status"] for row in
                slow_bench.labbench("history", "D1", "--json").rows}  # fmt: skip
    assert statuses[path.stem] is None
    assert sorted(filter(None, statuses.values())) == ["done"]


def test_the_bench_command_switches_an_output_off_that_a_killed_run_left_on(
    slow_bench: Workshop,
) -> None:
    process = start_verify(slow_bench)
    until(slow_bench.is_on)
    process.kill()
    end(process)
    assert slow_bench.is_on()
    said = slow_bench.labbench("bench", "--bench", slow_bench.bench_file)
    assert said.code == 0, said
    assert "broke off while its supply was on" in said.err
    assert not slow_bench.is_on()


def test_compensating_after_a_killed_run_checks_the_supply_first(slow_bench: Workshop) -> None:
    process = start_verify(slow_bench)
    until(slow_bench.is_on)
    process.kill()
    end(process)
    said = slow_bench.labbench("compensate", "--bench", slow_bench.bench_file)
    assert said.code == 0, said
    assert "broke off while its supply was on" in said.err
    assert not slow_bench.is_on()


class AtTheTerminal:
    """Be a person at a terminal: `labbench verify` on a pseudo-terminal."""

    def __init__(self, workshop: Workshop, *more: str) -> None:
        self.child = pexpect.spawn(
            LABBENCH[0], [*LABBENCH[1:], "verify", "coil-470n", "--specimen", "D1",
                          "--temperature", "23", "--bench", str(workshop.bench_file), *more],
            env=workshop.environment, encoding="utf-8", timeout=30, dimensions=(40, 120),
        )  # fmt: skip

    def code(self) -> int:
        self.child.expect(pexpect.EOF)
        self.child.close()
        status: int | None = self.child.exitstatus
        assert status is not None, self.child.signalstatus
        return status


def test_a_person_is_asked_to_look_cautioned_and_asked_before_the_supply_comes_on(
    slow_bench: Workshop,
) -> None:
    person = AtTheTerminal(slow_bench)
    person.child.expect(r"Look at D1: f = fine.*\[Enter = fine\]:")
    person.child.sendline("")
    person.child.expect("Before the supply comes on for the first time:")
    person.child.expect("disconnect battery and adapters")
    person.child.expect(r"Supply on for the coil's resistance \(at most 3 A, [0-9.]+ V\)")
    time.sleep(0.2)
    assert not slow_bench.is_on()
    person.child.sendline("")
    person.child.expect(r"D1 +FIT")
    assert person.code() == 0


@pytest.mark.parametrize(
    ("question", "way"),
    [
        ("Look at D1", "s and Enter"),
        pytest.param("Look at D1", "end of input", marks=pytest.mark.slow),
        ("Supply on for", "Ctrl-C"),
        pytest.param("Look at D1", "Ctrl-C", marks=pytest.mark.slow),
        pytest.param("Supply on for", "s and Enter", marks=pytest.mark.slow),
        pytest.param("Supply on for", "end of input", marks=pytest.mark.slow),
    ],
)
def test_a_stop_at_a_question_closes_the_journal_with_the_output_off(
    slow_bench: Workshop, question: str, way: str
) -> None:
    person = AtTheTerminal(slow_bench)
    person.child.expect("Look at D1.*:")
    if question != "Look at D1":
        person.child.sendline("")
        person.child.expect(question + ".*:")
    if way == "s and Enter":
        person.child.sendline("s")
    elif way == "Ctrl-C":
        person.child.sendintr()
    else:
        person.child.sendeof()
    person.child.expect("labbench: (stopped|the input ended)")
    assert person.code() == 130
    closed = slow_bench.journals("verify")[-1].events[-1]
    assert closed.kind == "closed"
    assert closed.data["status"] == "stopped"
    assert not slow_bench.is_on()


def test_the_simulator_ends_on_ctrl_c_and_says_so(tmp_path: Path) -> None:
    child = pexpect.spawn(
        LABBENCH[0], [*LABBENCH[1:], "simulate", "one-coil"], encoding="utf-8", timeout=30,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
    )  # fmt: skip
    child.expect("scenario one-coil, seed 1")
    addresses = []
    for _ in range(4):
        child.expect(r"(\w+) +TCPIP::127\.0\.0\.1::(\d+)::SOCKET")
        addresses.append(re.sub(r"\s", "", child.match.group(1)))
    assert sorted(addresses) == ["impedance_meter", "multimeter", "supply", "switch"]
    child.expect("ready")
    child.sendintr()
    child.expect("servers closed")
    child.expect(pexpect.EOF)
    child.close()
    assert child.exitstatus == 0
