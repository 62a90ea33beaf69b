"""Simulated clocks and named random streams.

Does not cover what the behaviours draw or how long they take.
"""

from __future__ import annotations

import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.clock import Clock, ManualClock, RateClock
from sim.streams import Streams

ROOT = Path(__file__).parents[3]


def test_a_manual_clock_moves_by_sleeping_alone() -> None:
    clock = ManualClock()
    clock.sleep_s(3600.0)
    clock.sleep_s(0.0)
    assert clock.now_s() == 3600.0


def test_a_manual_clock_adds_up_over_threads() -> None:
    clock = ManualClock()

    def sleep_often() -> None:
        for _ in range(1000):
            clock.sleep_s(1.0)

    threads = [threading.Thread(target=sleep_often) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert clock.now_s() == 4000.0


def test_a_rate_clock_sleeps_at_least_what_it_was_told() -> None:
    clock = RateClock(1000.0)
    begin_s = clock.now_s()
    clock.sleep_s(20.0)
    assert clock.now_s() - begin_s >= 20.0


def test_a_released_rate_clock_holds_nobody() -> None:
    clock = RateClock(1.0)
    sleeper = threading.Thread(target=clock.sleep_s, args=(1e6,))
    sleeper.start()
    clock.release()
    sleeper.join(10.0)
    assert not sleeper.is_alive()
    clock.sleep_s(1e6)


@pytest.mark.parametrize("clock", [ManualClock(), RateClock(1.0)])
def test_time_does_not_run_backwards(clock: Clock) -> None:
    for seconds in (-1.0, float("nan")):
        with pytest.raises(ValueError, match="cannot sleep"):
            clock.sleep_s(seconds)


@pytest.mark.parametrize("rate", [0.0, -1.0, float("nan")])
def test_a_rate_is_above_zero(rate: float) -> None:
    with pytest.raises(ValueError, match="above zero"):
        RateClock(rate)


NAMES = st.lists(st.one_of(st.text(max_size=8), st.integers()), max_size=4).map(tuple)


@given(st.integers(0, 2**64), NAMES, NAMES)
def test_a_stream_depends_on_seed_and_name_alone(
    seed: int, name: tuple[str | int, ...], other: tuple[str | int, ...]
) -> None:
    streams = Streams(seed)
    first = streams.stream(*name).integers(2**63, size=4)
    between = streams.stream(*other).integers(2**63, size=4)
    again = Streams(seed).stream(*name).integers(2**63, size=4)
    assert np.array_equal(first, again)
    assert np.array_equal(first, between) == (name == other)


def test_names_that_run_together_are_different_streams() -> None:
    streams = Streams(1)
    names: list[tuple[str | int, ...]] = [("a", "bc"), ("ab", "c"), ("abc",), ("1",), (1,), ()]
    drawn = {float(streams.stream(*name).random()) for name in names}
    assert len(drawn) == len(names)


def test_another_seed_gives_other_numbers() -> None:
    assert Streams(1).stream("x").random() != Streams(2).stream("x").random()


def test_a_negative_seed_is_refused() -> None:
    with pytest.raises(ValueError, match="zero or more"):
        Streams(-1)


def test_streams_are_the_same_in_every_process() -> None:
    code = "from sim.streams import Streams; print(Streams(7).stream('contact', 3).random())"
    printed = {
        subprocess.run(
            [sys.executable, "-c", code], check=True, capture_output=True, text=True, cwd=ROOT
        ).stdout
        for _ in range(2)
    }
    assert printed == {f"{Streams(7).stream('contact', 3).random()}\n"}


def test_no_time_passes_while_a_clock_is_held_and_it_goes_on_from_there(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    real_s = [100.0]
    monkeypatch.setattr("sim.clock.time.monotonic", lambda: real_s[0])
    clock = RateClock(2.0)
    real_s[0] += 1.0
    with clock.held(), clock.held():
        real_s[0] += 7.0
        assert clock.now_s() == 2.0
    assert clock.now_s() == 2.0
    real_s[0] += 3.0
    assert clock.now_s() == 8.0
