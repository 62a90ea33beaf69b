"""Hammer instruments from several threads and processes: no answer may reach the wrong question.

Over real sockets against the simulator, so no outside check. How fast exchanges are is measured in
tests/benchmarks; that waits do not add up is shown here by a barrier, not by a clock.
"""

from __future__ import annotations

import multiprocessing
import threading
import warnings
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from pathlib import Path

import pytest

from drivers import ScpiSupply, open_multimeter, open_supply
from labbench.errors import AddressLocked
from sim.profiles.multimeter import DIALECT as MULTIMETER
from sim.profiles.supply import DIALECT as SUPPLY
from sim.served import ServedBench

ROUNDS = 500


@pytest.fixture
def served() -> Iterator[ServedBench]:
    with ServedBench("harbour-buoys", manual_clock=True) as served:
        assert served.bench.supply is not None
        assert served.bench.supply.channels == 2
        yield served


def _ask_own_channel(supply: ScpiSupply, channel: int, volts: float) -> int:
    """Ask for one channel's setting over and over; return how often it was another's."""
    wrong = 0
    for _ in range(ROUNDS):
        setting = supply.program(channel, voltage_v=volts, current_a=0.1, over_voltage_v=5.0)
        wrong += setting.voltage_v != volts
        wrong += supply.is_on(channel)
    return wrong


def test_two_threads_on_one_session_get_their_own_answers(
    served: ServedBench, tmp_path: Path
) -> None:
    with (
        open_supply(
            served.addresses["supply"], SUPPLY, channels=2, lock_directory=tmp_path
        ) as supply,
        ThreadPoolExecutor(2) as pool,
    ):
        wrong = pool.map(_ask_own_channel, (supply, supply), (1, 2), (1.0, 2.0))
        assert sum(wrong) == 0
        supply.check_errors()


def _visit_often(address: str, locks: Path, volts: float, visits: int) -> tuple[int, int, int]:
    """Open, set and read back in a process of its own: (visits, wrong answers, times locked)."""
    warnings.simplefilter("error")
    done = wrong = locked = 0
    unnamed: list[str] = []
    while done < visits:
        try:
            supply = open_supply(
                address, SUPPLY, channels=2, lock_directory=locks, holder=f"visitor at {volts:g} V"
            )
        except AddressLocked as error:
            unnamed += [error.message] * ("visitor at" not in error.message)
            locked += 1
            continue
        with supply:
            for step in range(10):
                wanted = volts + step / 100
                setting = supply.program(1, voltage_v=wanted, current_a=0.1, over_voltage_v=9.0)
                wrong += abs(setting.voltage_v - wanted) > 1e-6
            supply.check_errors()
        done += 1
    assert unnamed == []
    return done, wrong, locked


def test_two_processes_take_turns_and_each_gets_its_own_answers(
    served: ServedBench, tmp_path: Path
) -> None:
    with ProcessPoolExecutor(2, mp_context=multiprocessing.get_context("spawn")) as pool:
        visits = [
            pool.submit(_visit_often, served.addresses["supply"], tmp_path, volts, 40)
            for volts in (1.0, 3.0)
        ]
        results = [visit.result(120) for visit in visits]
    assert [(done, wrong) for done, wrong, _ in results] == [(40, 0), (40, 0)]
    # both wanted it at once: else nothing was shown
    assert sum(locked for _, _, locked in results) > 0


def test_eight_instruments_in_eight_threads_are_asked_at_the_same_time(tmp_path: Path) -> None:
    benches = [ServedBench("one-coil", seed=seed, manual_clock=True) for seed in range(8)]
    # Each reading waits inside its instrument until all eight are there: one after the other they
    # would never be, and the barrier would break.
    meeting = threading.Barrier(8, timeout=60)

    def wait_for_the_others(message: bytes, reply: bytes | None) -> None:
        if message.strip() == b"READ?":
            meeting.wait()

    def measure(bench: ServedBench) -> list[str]:
        with open_multimeter(
            bench.addresses["multimeter"], MULTIMETER, lock_directory=tmp_path
        ) as meter:
            meter.set_dc_voltage(range_v=0.1, integration_periods=1)
            return [meter.read().raw.strip() for _ in range(20)]

    answered: list[list[str]] = [[] for _ in benches]

    def noting(number: int) -> Callable[[bytes, bytes | None], None]:
        def note(message: bytes, reply: bytes | None) -> None:
            wait_for_the_others(message, reply)
            if message.strip() == b"READ?" and reply is not None:
                answered[number].append(reply.decode("ascii"))

        return note

    try:
        for number, bench in enumerate(benches):
            bench.servers["multimeter"].interpreter.on_exchange = noting(number)
        with ThreadPoolExecutor(8) as pool:
            read = list(pool.map(measure, benches))
    finally:
        for bench in benches:
            bench.close()
    assert read == answered
    assert len({tuple(readings) for readings in read}) == 8, "each has its own noise"
