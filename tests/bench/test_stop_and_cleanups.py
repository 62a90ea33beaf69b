"""Check the stop flag, Ctrl-C, and the order in which clean-ups fail.

Not covered: a stop in the middle of a real exchange (the drivers' tests).
"""

from __future__ import annotations

import os
import signal
import threading

import pytest

from labbench.bench.cleanups import CleanUps
from labbench.bench.clock import BenchClock
from labbench.bench.stop import StopFlag
from labbench.errors import OutputStateUnknown, StoppedByPerson


def fail(error: BaseException) -> None:
    raise error


def test_a_stop_runs_its_hooks_once_and_is_seen_from_then_on() -> None:
    stop = StopFlag()
    calls: list[str] = []
    stop.add_hook(lambda: calls.append("off"))
    remove = stop.add_hook(lambda: calls.append("removed"))
    remove()
    stop.check()
    stop.request("the stop key")
    stop.request("Ctrl-C")
    assert calls == ["off"]
    with pytest.raises(StoppedByPerson, match="the stop key"):
        stop.check()


def test_a_stop_from_another_thread_is_seen() -> None:
    stop = StopFlag()
    thread = threading.Thread(target=stop.request)
    thread.start()
    thread.join()
    assert stop.requested


def test_the_first_ctrl_c_asks_to_stop_and_the_second_raises() -> None:
    stop = StopFlag()
    calls: list[str] = []
    stop.add_hook(lambda: calls.append("off"))
    before = signal.getsignal(signal.SIGINT)
    with stop.catching_interrupts():
        os.kill(os.getpid(), signal.SIGINT)
        assert stop.requested
        assert calls == ["off"]
        with pytest.raises(KeyboardInterrupt):
            os.kill(os.getpid(), signal.SIGINT)
    assert signal.getsignal(signal.SIGINT) is before


def test_every_clean_up_is_tried_newest_first_and_the_first_failure_is_raised() -> None:
    done: list[str] = []
    clean_ups = CleanUps()
    clean_ups.add("close", lambda: done.append("close"))
    clean_ups.add("journal", lambda: fail(OSError("disk")))
    clean_ups.add("off", lambda: fail(ValueError("odd")))
    with pytest.raises(ValueError, match="odd") as caught:
        clean_ups.run(None)
    assert done == ["close"]
    assert "could not journal: OSError: disk" in caught.value.__notes__[0]


def test_the_error_under_way_stays_and_failures_become_notes() -> None:
    clean_ups = CleanUps()
    clean_ups.add("journal", lambda: fail(OSError("disk")))
    first = ValueError("first")
    clean_ups.run(first)  # the caller goes on raising it
    assert "disk" in first.__notes__[0]


def test_a_ctrl_c_in_one_clean_up_does_not_keep_the_others_from_running() -> None:
    done: list[str] = []
    clean_ups = CleanUps()
    clean_ups.add("off", lambda: done.append("off"))
    clean_ups.add("journal", lambda: fail(KeyboardInterrupt()))
    with pytest.raises(KeyboardInterrupt):
        clean_ups.run(None)
    assert done == ["off"]


def test_an_unknown_output_state_comes_before_everything() -> None:
    clean_ups = CleanUps()
    clean_ups.add("off", lambda: fail(OutputStateUnknown("maybe on")))
    clean_ups.add("journal", lambda: fail(OSError("disk")))
    first = ValueError("first")
    with pytest.raises(OutputStateUnknown) as caught:
        clean_ups.run(first)
    assert caught.value.__cause__ is first


def test_clean_ups_run_once() -> None:
    done: list[str] = []
    clean_ups = CleanUps()
    clean_ups.add("off", lambda: done.append("off"))
    clean_ups.run(None)
    clean_ups.run(None)
    assert done == ["off"]


def test_a_fast_clock_sleeps_less_and_counts_more() -> None:
    clock = BenchClock(rate=1000.0)
    begun = clock.monotonic_s()
    clock.sleep_s(2.0)
    assert clock.monotonic_s() - begun >= 2.0
    assert clock.utc().tzinfo is not None
    with pytest.raises(ValueError):
        BenchClock(0.0)
