"""Stand in for what the core needs from outside: instruments, a person, a clock.

The instruments share one small world, so that what the supply drives, the multimeter sees. Every
call of an instrument is counted, and one of them can be made to fail: before it acted or after
(the reply was lost), with any exception, or from there on for good.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import ClassVar, TypeVar

from labbench.bench.bench import Bench
from labbench.bench.bench_file import BenchLimits
from labbench.bench.stop import StopFlag
from labbench.errors import JournalFailed, LinkLost, OutOfStep
from labbench.ports import (
    STATUS_OK,
    STATUS_OVER_RANGE,
    Event,
    Identity,
    ImpedanceConditions,
    ImpedanceReading,
    MultimeterConditions,
    Prompt,
    ScalarReading,
    SupplySetting,
)
from labbench.records.journal import Journal

T = TypeVar("T")

HOOKUPS = {"coil-impedance": (201, 202), "coil-kelvin": (203, 204, 205, 206)}
POSITIONS = {"D3": (103,), "D4": (104,), "open": (198,), "short": (199,)}
LIMITS = BenchLimits(voltage_v=30.0, current_a=10.0)


class ManualClock:
    """Advance at once on a sleep; run what was planned for the time that passes."""

    def __init__(self) -> None:
        self.now_s = 100.0
        self.slept: list[float] = []
        self._planned: list[tuple[float, Callable[[], object]]] = []

    def utc(self) -> datetime:
        return datetime(2026, 11, 25, 8, 0, tzinfo=UTC) + timedelta(seconds=self.now_s)

    def monotonic_s(self) -> float:
        return self.now_s

    def after(self, seconds: float, action: Callable[[], object]) -> None:
        self._planned.append((self.now_s + seconds, action))

    def sleep_s(self, seconds: float) -> None:
        assert seconds >= 0
        self.slept.append(seconds)
        self.advance(seconds)

    def advance(self, seconds: float) -> None:
        self.now_s += seconds
        due = [entry for entry in self._planned if entry[0] <= self.now_s]
        self._planned = [entry for entry in self._planned if entry[0] > self.now_s]
        for _, action in due:
            action()


class ScriptedOperator:
    """Answer from a script: an unexpected prompt fails, and so does an answer nobody asked for."""

    interactive = True

    def __init__(self, *script: tuple[str, str, str | BaseException]) -> None:
        self.script = list(script)
        self.asked: list[Prompt] = []
        self.told: list[Event] = []
        self.on_event: Callable[[Event], object] = lambda event: None

    def ask(self, prompt: Prompt) -> str:
        self.asked.append(prompt)
        assert self.script, f"nobody expected {prompt.kind} {prompt.name!r}"
        kind, name, answer = self.script.pop(0)
        assert (prompt.kind, prompt.name) == (kind, name)
        if isinstance(answer, BaseException):
            raise answer
        return answer

    def tell(self, event: Event) -> None:
        self.told.append(event)
        self.on_event(event)

    def finish(self) -> None:
        assert not self.script, f"never asked for: {self.script}"


class Exchanges:
    """Count the calls of all instruments, and make one of them fail."""

    def __init__(self) -> None:
        self.names: list[str] = []
        self.fail_at: int | None = None
        self.error: Callable[[], BaseException] = lambda: LinkLost("the peer went away")
        self.acts_first = False
        #: links that no longer answer: a session out of step
        self.broken: set[str] = set()
        #: a broken link can be opened anew
        self.reopens = True
        self.on_call: Callable[[str], object] = lambda name: None

    def call(self, role: str, name: str, action: Callable[[], T]) -> T:
        number = len(self.names)
        self.names.append(f"{role}.{name}")
        self.on_call(f"{role}.{name}")
        if role in self.broken:
            raise OutOfStep(f"the session of the {role} is out of step", instrument=role)
        if number == self.fail_at:
            if self.acts_first:
                action()
            error = self.error()
            if isinstance(error, LinkLost | KeyboardInterrupt):
                self.broken.add(role)
            raise error
        return action()


class World:
    """Hold the one circuit that the fake instruments share."""

    def __init__(self, clock: ManualClock) -> None:
        self.clock = clock
        self.resistance_ohm = 1.5e-3
        self.leads_ohm = 0.03
        self.emf_v = 12e-6
        self.on = False
        self.set_v = 0.0
        self.set_a = 0.0
        self.residual_v = 0.0
        self.residual_tau_s = 0.05
        self.off_since_s = -math.inf
        self.impedance: Callable[[float, float], complex | None] = coil
        self.closed: tuple[int, ...] = ()

    @property
    def current_a(self) -> float:
        if not self.on:
            return 0.0
        return min(self.set_a, self.set_v / (self.resistance_ohm + self.leads_ohm))

    @property
    def supply_v(self) -> float:
        if self.on:
            return min(self.set_v, self.set_a * (self.resistance_ohm + self.leads_ohm))
        elapsed = self.clock.now_s - self.off_since_s
        return self.residual_v * math.exp(-elapsed / self.residual_tau_s)

    @property
    def part_v(self) -> float:
        if self.on and self.resistance_ohm != math.inf:
            return self.current_a * self.resistance_ohm + self.emf_v
        return self.supply_v + self.emf_v

    def switch(self, on: bool) -> None:
        if self.on and not on:
            self.off_since_s = self.clock.now_s
        self.on = on


def coil(frequency_hz: float, _now_s: float) -> complex:
    """Be a 470 nH, 1.5 mohm coil with a little loss."""
    return complex(1.5e-3 + 1e-8 * frequency_hz, 2 * math.pi * frequency_hz * 470e-9)


class _Fake:
    role = ""

    def __init__(self, exchanges: Exchanges) -> None:
        self.exchanges = exchanges
        self.address = f"TCPIP::127.0.0.1::{self.role}::SOCKET"
        self.error_queue: list[BaseException] = []
        self.recovered = 0

    def _call(self, name: str, action: Callable[[], T]) -> T:
        return self.exchanges.call(self.role, name, action)

    def identify(self) -> Identity:
        return self._call("identify", lambda: Identity("workshop", self.role, "1", "1", "raw"))

    def check_errors(self) -> None:
        def read() -> None:
            if self.error_queue:
                raise self.error_queue.pop(0)

        self._call("check_errors", read)

    def recover(self) -> None:
        if not self.exchanges.reopens:
            raise LinkLost(f"the {self.role} does not answer", instrument=self.role)
        self.exchanges.broken.discard(self.role)
        self.recovered += 1

    def close(self) -> None:
        pass


class FakeSupply(_Fake):
    """Drive the world; can lose replies (Exchanges), refuse a setting or stay on."""

    role = "supply"
    channels = 2

    def __init__(self, exchanges: Exchanges, world: World) -> None:
        super().__init__(exchanges)
        self.world = world
        self.on_switch_on: Callable[[], object] = lambda: None
        self.stays_on = False
        self.stays_on_once = False
        self.does_not_come_on = False
        self.current_read_back: float | None = None
        self.programmed: list[SupplySetting] = []
        self.forced = 0

    def program(
        self, channel: int, *, voltage_v: float, current_a: float, over_voltage_v: float
    ) -> SupplySetting:
        def act() -> SupplySetting:
            self.world.set_v, self.world.set_a = voltage_v, current_a
            read_back = current_a if self.current_read_back is None else self.current_read_back
            setting = SupplySetting(voltage_v, read_back, over_voltage_v)
            self.programmed.append(setting)
            return setting

        return self._call("program", act)

    def switch_on(self, channel: int) -> None:
        def act() -> None:
            self.on_switch_on()
            self.world.switch(not self.does_not_come_on)

        self._call("switch_on", act)

    def switch_off(self, channel: int) -> None:
        def act() -> None:
            if self.stays_on_once:
                self.stays_on_once = False
            elif not self.stays_on:
                self.world.switch(False)

        self._call("switch_off", act)

    def is_on(self, channel: int) -> bool:
        return self._call("is_on", lambda: self.world.on if channel == 1 else False)

    def read_voltage(self, channel: int) -> ScalarReading:
        return self._call("read_voltage", lambda: _scalar(self.world.supply_v, "V", 1e-3))

    def read_current(self, channel: int) -> ScalarReading:
        return self._call("read_current", lambda: _scalar(self.world.current_a, "A", 1e-3))

    def in_current_limit(self, channel: int) -> bool | None:
        return None

    def force_off(self) -> bool:
        self.forced += 1
        if not self.exchanges.reopens or self.stays_on:
            return False
        self.exchanges.broken.discard(self.role)
        self.world.switch(False)
        return not self.world.on


class FakeMultimeter(_Fake):
    role = "multimeter"

    def __init__(self, exchanges: Exchanges, world: World) -> None:
        super().__init__(exchanges)
        self.world = world
        self.range_v = 1000.0

    def set_dc_voltage(
        self, *, range_v: float | None, integration_periods: float
    ) -> MultimeterConditions:
        def act() -> MultimeterConditions:
            self.range_v = range_v or 1000.0
            return MultimeterConditions("voltage", range_v, integration_periods)

        return self._call("set_dc_voltage", act)

    def set_resistance(
        self, *, range_ohm: float | None, integration_periods: float, four_wire: bool
    ) -> MultimeterConditions:
        raise AssertionError("nobody here measures resistance with the multimeter")

    def read(self) -> ScalarReading:
        def act() -> ScalarReading:
            self.world.clock.advance(0.4)
            if abs(self.world.part_v) > 1.2 * self.range_v:
                return ScalarReading(None, "V", STATUS_OVER_RANGE, "+9.90000000E+37")
            return _scalar(self.world.part_v, "V", 1e-7)

        return self._call("read", act)


class FakeImpedanceMeter(_Fake):
    role = "impedance_meter"
    frequency_range_hz = (20.0, 1e6)

    def __init__(self, exchanges: Exchanges, world: World) -> None:
        super().__init__(exchanges)
        self.world = world
        self.point = ImpedanceConditions(1e3, 0.1, 0.1, 1)
        self.prepared = 0

    def prepare(self) -> None:
        def act() -> None:
            self.prepared += 1

        self._call("prepare", act)

    def set_point(
        self, *, frequency_hz: float, level_v: float, aperture_s: float, averages: int
    ) -> ImpedanceConditions:
        def act() -> ImpedanceConditions:
            self.point = ImpedanceConditions(frequency_hz, level_v, aperture_s, averages)
            return self.point

        return self._call("set_point", act)

    def read_impedance(self) -> ImpedanceReading:
        def act() -> ImpedanceReading:
            self.world.clock.advance(self.point.aperture_s * self.point.averages)
            z = self.world.impedance(self.point.frequency_hz, self.world.clock.now_s)
            if z is None:
                raw = "+9.90000E+37,+9.90000E+37,1"
                return ImpedanceReading(None, None, STATUS_OVER_RANGE, raw, self.point)
            raw = f"{z.real:+.5E},{z.imag:+.5E},0"
            return ImpedanceReading(z.real, z.imag, STATUS_OK, raw, self.point)

        return self._call("read_impedance", act)


class FakeSwitch(_Fake):
    role = "switch"

    def __init__(self, exchanges: Exchanges, world: World) -> None:
        super().__init__(exchanges)
        self.world = world
        self.moves: list[tuple[int, ...]] = []
        self.on_move: Callable[[], object] = lambda: None

    def close_only(self, channels: Sequence[int]) -> tuple[int, ...]:
        def act() -> tuple[int, ...]:
            self.on_move()
            self.world.closed = tuple(channels)
            self.moves.append(self.world.closed)
            return self.world.closed

        return self._call("close_only", act)

    def closed(self) -> tuple[int, ...]:
        return self._call("closed", lambda: self.world.closed)


class Rig:
    """Hold a whole bench of doubles with its journal; `close_rigs` closes what a test left open."""

    made: ClassVar[list[Rig]] = []  # since the last test

    def __init__(
        self,
        folder: Path,
        *script: tuple[str, str, str | BaseException],
        by_person: bool = False,
        without: Sequence[str] = (),
        limits: BenchLimits | None = LIMITS,
        hookups: Mapping[str, Sequence[int]] = HOOKUPS,
        positions: Mapping[str, Sequence[int]] = POSITIONS,
        output_capacitance_f: float | None = 220e-6,
    ) -> None:
        self.clock = ManualClock()
        self.world = World(self.clock)
        self.exchanges = Exchanges()
        self.operator = ScriptedOperator(*script)
        self.stop = StopFlag()
        self.supply = FakeSupply(self.exchanges, self.world)
        self.multimeter = FakeMultimeter(self.exchanges, self.world)
        self.impedance_meter = FakeImpedanceMeter(self.exchanges, self.world)
        self.switch = FakeSwitch(self.exchanges, self.world)
        self.path = folder / "run.jsonl"
        self.journal = Journal.create(self.path, {"job": "test"}, clock=self.clock)
        self.bench = Bench(
            impedance_meter=None if "impedance_meter" in without else self.impedance_meter,
            supply=None if "supply" in without else self.supply,
            multimeter=None if "multimeter" in without else self.multimeter,
            switch=None if by_person else self.switch,
            operator=self.operator,
            clock=self.clock,
            journal=self.journal,
            limits=limits,
            hookups={} if by_person else hookups,
            positions={} if by_person else positions,
            stop=self.stop,
            output_capacitance_f=output_capacitance_f,
            supply_leads_ohm=0.03,
        )
        Rig.made.append(self)


def close_rigs() -> None:
    """Close the journals of all rigs: thousands of open files are more than a process may have."""
    while Rig.made:
        journal = Rig.made.pop().journal
        with contextlib.suppress(JournalFailed):  # a test may have taken the disk away
            journal.close("failed", "the test ended")


def _scalar(value: float, unit: str, step: float) -> ScalarReading:
    rounded = round(value / step) * step
    return ScalarReading(rounded, unit, STATUS_OK, f"{rounded:+.8E}")
