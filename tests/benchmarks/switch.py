"""Measure what a MOSFET costs in time and in ties, on a simulated bench whose whole circuit moves.

Full sequence by relays: its wall time over what no program can shorten, the sum of settling,
discharge and apertures (what the core waits on the clock; as the simulated instruments take them:
two apertures a reading of the multimeter, 10 ms a readback, the relays' own time). A bench of
copper does not have to be solved: the time that the simulator spends on its circuit is measured,
given, and taken out of the wall time.

By hand: ties counted over the full sequence, time jumping; a screen at real time with a scripted
person who needs 8 s for a tie and half a second at the pedal.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from attrs import evolve

from labbench.bench.clock import BenchClock
from labbench.bench.stop import StopFlag
from labbench.compose import data_folder, load_bench, open_bench
from labbench.fronts.terminal.person import TerminalPerson
from labbench.jobs.request import Request, Way
from labbench.jobs.run import bench_run
from labbench.jobs.verify import verify
from labbench.parts.library import find_part_type
from labbench.parts.mosfet_type import MosfetType
from labbench.ports import Event, Prompt, ScalarReading
from labbench.procedures.switch.conditions import switch_conditions
from labbench.procedures.switch.sequence import switch_sequence
from sim.clock import ManualClock
from sim.instruments.relay_switch import MOVE_S
from sim.scenario import SCENARIOS
from sim.served import ServedBench
from tests.benchmarks.figures import Figure

RATIO_GOAL, TIES_GOAL, SCREEN_GOAL_S = 1.1, 12.0, 75.0
SPECIMEN, TYPE = "Q1", "nfet-30v-5m"
TIE_S, PEDAL_S = 8.0, 0.5
_MAINS_HZ, _READBACK_S = 50.0, 10e-3
#: what the simulated relays take to open, and to close
_MOVES_S = MOVE_S


def measure() -> list[Figure]:
    """Measure all three."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        wall_s, own_s, solving_s = _sequence(folder)
        ties = _by_hand(folder / "ties", "full", jumping=True)[0]
        asked, screen_s = _by_hand(folder / "screen", "screen", jumping=False)
    return [
        Figure("settling, discharge and apertures of a full MOSFET sequence", own_s, "s"),
        Figure("full MOSFET sequence at real time, relays", wall_s, "s"),
        Figure("solving the simulated circuit meanwhile", solving_s, "s"),
        Figure(
            "full MOSFET sequence, not solving, to what cannot be shortened",
            (wall_s - solving_s) / own_s, "", RATIO_GOAL,
        ),
        Figure("ties of a full MOSFET sequence by hand", ties, "", TIES_GOAL),
        Figure(
            f"screen by hand at real time, {TIE_S:g} s a tie", screen_s, "s", SCREEN_GOAL_S,
            note=f"{asked} ties",
        ),
    ]  # fmt: skip


# --- by relays ------------------------------------------------------------------------------------


class _CountingClock(BenchClock):
    """Add up what is waited."""

    def __init__(self) -> None:
        super().__init__(1.0)
        self.waited_s = 0.0

    def sleep_s(self, seconds: float) -> None:
        self.waited_s += seconds
        super().sleep_s(seconds)


class _Counting:
    """Stand before an instrument and add up what its readings take."""

    def __init__(self, inner: Any, took: Callable[[float], None]) -> None:
        self._inner = inner
        self._took = took
        self._periods = 1.0
        self._closed: set[int] = set()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._inner, name)

    def set_dc_voltage(self, *, range_v: float | None, integration_periods: float) -> Any:
        self._periods = integration_periods
        return self._inner.set_dc_voltage(range_v=range_v, integration_periods=integration_periods)

    def read(self) -> ScalarReading:
        self._took(2.0 * self._periods / _MAINS_HZ)
        return self._inner.read()  # type: ignore[no-any-return]

    def close_only(self, channels: Sequence[int]) -> tuple[int, ...]:
        wanted = set(channels)
        self._took(_MOVES_S * (bool(self._closed - wanted) + bool(wanted - self._closed)))
        closed: tuple[int, ...] = self._inner.close_only(channels)
        self._closed = set(closed)
        return closed

    def read_voltage(self, channel: int) -> ScalarReading:
        self._took(_READBACK_S)
        return self._inner.read_voltage(channel)  # type: ignore[no-any-return]

    def read_current(self, channel: int) -> ScalarReading:
        self._took(_READBACK_S)
        return self._inner.read_current(channel)  # type: ignore[no-any-return]


@contextmanager
def _solving(served: ServedBench) -> Iterator[list[float]]:
    """Add up the time in which the simulated circuit is solved (s)."""
    bench: Any = served.bench
    spent, inside = [0.0], [False]

    def timed(inner: Callable[..., Any]) -> Callable[..., Any]:
        def run(*given: Any, **named: Any) -> Any:
            if inside[0]:
                return inner(*given, **named)
            begun, inside[0] = time.perf_counter(), True
            try:
                return inner(*given, **named)
            finally:
                inside[0] = False
                spent[0] += time.perf_counter() - begun

        return run

    # always under the bench's lock: one at a time
    bench._pass_until, bench._built = timed(bench._pass_until), timed(bench._built)
    yield spent


def _sequence(folder: Path) -> tuple[float, float, float]:
    """Give the wall time of a full sequence, what of it cannot be shortened, and solving (s)."""
    part = find_part_type(TYPE, directories=[])
    assert isinstance(part, MosfetType)
    clock = _CountingClock()
    own = [0.0]

    def took(seconds: float) -> None:
        own[0] += seconds

    data = data_folder(folder / "data")
    person = TerminalPerson(interactive=False, quiet=True, answers={"switch-test": "yes"})
    bench_file = folder / "bench.toml"
    with ServedBench("switches", clock_rate=1.0) as served, _solving(served) as solving:
        bench_file.write_text(served.bench_toml(), encoding="utf-8")
        with open_bench(load_bench(bench_file, data), data, clock=clock) as opened:
            # the impedance meter's own time is not in the sum: the sweep's benchmark has it
            counted = evolve(
                opened, impedance_meter=None, multimeter=_Counting(opened.multimeter, took),
                supply=_Counting(opened.supply, took), switch=_Counting(opened.switch, took),
            )  # fmt: skip
            with bench_run(
                counted, job="verify", name=SPECIMEN, who="benchmark", operator=person,
                data=data, stop=StopFlag(),
            ) as run:  # fmt: skip
                clock.waited_s, own[0], solving[0] = 0.0, 0.0, 0.0
                begun = time.perf_counter()
                taken = switch_sequence(
                    run.bench, switch_conditions(part), position=SPECIMEN, capacitance_f=220e-6
                )
                wall_s = time.perf_counter() - begun
                own_s, solving_s = clock.waited_s + own[0], solving[0]
    if taken.stopped_at is not None:
        raise RuntimeError(f"the sequence ended at {taken.stopped_at}: {taken.why}")
    return wall_s, own_s, solving_s


# --- by hand --------------------------------------------------------------------------------------


class _Person:
    """Make every hookup asked for, in the time that a hand needs, and count them."""

    interactive = True

    def __init__(self, served: ServedBench, sleep: Callable[[float], None]) -> None:
        self._bench: Any = served.bench
        self._sleep = sleep
        self.ties = 0

    def ask(self, prompt: Prompt) -> str:
        if prompt.kind == "hookup":
            self.ties += 1
            self._sleep(TIE_S)
            self._bench.hook_up(prompt.name)
        elif prompt.kind == "place":
            self._bench.place(prompt.name)
        elif prompt.kind == "look":
            return "fine"
        else:
            self._sleep(PEDAL_S)
        return prompt.default or "yes"

    def tell(self, event: Event) -> None:
        pass


class _Jumping(BenchClock):
    """Be the core's clock on the simulator's time, which jumps."""

    def __init__(self, simulated: ManualClock) -> None:
        super().__init__()
        self._simulated = simulated

    def monotonic_s(self) -> float:
        return self._simulated.now_s()

    def sleep_s(self, seconds: float) -> None:
        self._simulated.sleep_s(seconds)


def _by_hand(folder: Path, way: Way, *, jumping: bool) -> tuple[int, float]:
    """Verify a sound part by hand; give the ties, and the seconds from the first to the word."""
    folder.mkdir()
    with _hand_bench(folder, jumping=jumping) as served:
        bench_file = folder / "bench.toml"
        bench_file.write_text(served.bench_toml(), encoding="utf-8")
        data = data_folder(folder / "data")
        clock = _Jumping(served.clock) if isinstance(served.clock, ManualClock) else BenchClock()
        person = _Person(served, clock.sleep_s)
        request = Request(
            part=find_part_type(TYPE, directories=[]), specimen=SPECIMEN, who="benchmark",
            position=SPECIMEN, way=way,
        )  # fmt: skip
        with open_bench(load_bench(bench_file, data), data, clock=clock, operator=person) as opened:
            begun = time.perf_counter()
            outcome = verify(opened, request, operator=person, data=data)
            seconds = time.perf_counter() - begun
        expected = "plausible" if way == "screen" else "fit"
        if outcome.judgement.disposition != expected:
            raise RuntimeError(f"{way}: {outcome.judgement}")
        if served.bench.damage:
            raise RuntimeError(f"{way}: {served.bench.damage}")
    return person.ties, seconds


@contextmanager
def _hand_bench(folder: Path, *, jumping: bool) -> Iterator[ServedBench]:
    text = (SCENARIOS / "switches.toml").read_text(encoding="utf-8")
    path = folder / "by-hand.toml"
    path.write_text(text.replace("[instruments.switch]\n", ""), encoding="utf-8")
    with ServedBench(path, clock_rate=None if jumping else 1.0, manual_clock=jumping) as served:
        yield served
