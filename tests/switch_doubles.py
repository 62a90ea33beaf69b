"""Stand in for a bench with a switch in its jig: two supply channels, a multimeter, relays.

What is joined decides the circuit: the part behind its series element, with the multimeter where
the hookup has it. Closed forms of the crudest kind: leaks are resistors, the diode and the
threshold are exponentials, on is a resistance.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path

from labbench.bench.bench import Bench
from labbench.bench.bench_file import BenchLimits
from labbench.bench.stop import StopFlag
from labbench.ports import (
    STATUS_OK,
    STATUS_OVER_RANGE,
    Event,
    MultimeterConditions,
    Prompt,
    ScalarReading,
    SupplySetting,
)
from labbench.procedures.switch.hookups import HOOKUPS, series_ohm_of
from labbench.records.journal import Journal
from tests.doubles import Exchanges, FakeSwitch, ManualClock, World, _Fake

RELAYS = {name: (1000 + number,) for number, name in enumerate(HOOKUPS)}
PLACES = {"Q3": (103,), "open": (198,), "short": (199,)}
METER_OHM = 10e6


class Part:
    """Hold a switch by its few numbers; every one may be made that of a fault."""

    def __init__(self) -> None:
        self.drain_ohm = 3e9
        self.gate_ohm = 40e9
        self.diode_a = 1e-12
        self.threshold_v = 1.7
        self.on_ohm = 5e-3
        #: of a terminal's lead between both of its contacts
        self.lead_ohm = 0.1e-3

    def current(self, hookup: str, volts: float, gate_v: float) -> float:
        """Give the current into the part at a voltage between the terminals that are fed."""
        kind = hookup.removesuffix("-p")
        if "touch" in kind:
            return volts / self.lead_ohm
        if "gate" in kind or kind.endswith(("-gs", "-gd")):
            return volts / self.gate_ohm
        leak = volts / self.drain_ohm
        if "diode" in kind or kind.endswith("-sd"):
            return leak + self.diode_a * math.expm1(min(volts / 0.0257, 60.0))
        if "threshold" in kind:
            return leak + 250e-6 * math.exp(min((volts - self.threshold_v) / 0.036, 60.0))
        if kind.startswith("fet-on") and gate_v > self.threshold_v + 1.0:
            return leak + volts / self.on_ohm
        return leak


class Channel:
    def __init__(self) -> None:
        self.volts = self.amps = self.left_v = 0.0
        self.on = False


class SwitchWorld(World):
    """Hold the circuit: what is joined, both channels, the part (None: nothing in the jig)."""

    def __init__(self, clock: ManualClock) -> None:
        super().__init__(clock)
        self.part: Part | None = Part()
        self.channel = {1: Channel(), 2: Channel()}
        self.hookup: str | None = None
        self.on_solve: Callable[[], object] = lambda: None
        #: the largest voltage, current and power that the part was given
        self.most_part_v = 0.0
        self.gate_floated = False

    def solve(self) -> tuple[float, float, float]:
        """Give supply voltage, supply current and what the multimeter shows (V, A, V)."""
        self.on_solve()
        one, name = self.channel[1], self.hookup or "fet-bleed"
        if not one.on:
            return one.left_v, 0.0, one.left_v
        element = series_ohm_of(name) if name in HOOKUPS else None
        joins = " ".join(HOOKUPS.get(name, ()))
        on_part = "across" not in joins and "> multimeter >" not in joins
        shunted = element is not None and "across" in joins
        ohm = element if element is not None else 0.03
        if shunted:
            ohm = 1.0 / (1.0 / ohm + 1.0 / METER_OHM)
        gate_v = self.channel[2].volts if self.channel[2].on else 0.0
        if "on-one" in name:
            gate_v = one.volts
        if name.removesuffix("-p") == "fet-on" and not self.channel[2].on:
            self.gate_floated = True

        def drawn(v: float) -> float:
            part = self.part.current(name, v, gate_v) if self.part is not None else 0.0
            return part + (v / METER_OHM if on_part else 0.0)

        part_v = _root(lambda v: (one.volts - v) / ohm - drawn(v), one.volts)
        supply_v, amps = one.volts, drawn(part_v)
        if amps > one.amps:
            part_v = _root(lambda v: one.amps - drawn(v), one.volts)
            amps = one.amps
            supply_v = part_v + amps * ohm
        self.most_part_v = max(self.most_part_v, part_v)
        shown = part_v if on_part else supply_v - part_v
        # the multimeter sits on drain and source as drawn: a p-channel part shows it negative
        return supply_v, amps, -shown if on_part and name.endswith("-p") else shown


def _root(f: Callable[[float], float], high: float) -> float:
    low = 0.0
    for _ in range(80):
        middle = (low + high) / 2
        low, high = (middle, high) if f(middle) > 0 else (low, middle)
    return (low + high) / 2


class TwoChannelSupply(_Fake):
    role = "supply"

    def __init__(self, exchanges: Exchanges, world: SwitchWorld, channels: int = 2) -> None:
        super().__init__(exchanges)
        self.world = world
        self.channels = channels
        #: (channel, what) in order, for looking at which came first
        self.acts: list[tuple[int, str]] = []
        self.programmed: list[tuple[int, float, float]] = []

    def program(
        self, channel: int, *, voltage_v: float, current_a: float, over_voltage_v: float
    ) -> SupplySetting:
        def act() -> SupplySetting:
            one = self.world.channel[channel]
            one.volts, one.amps = voltage_v, current_a
            self.programmed.append((channel, voltage_v, current_a))
            self.acts.append((channel, f"{voltage_v:g} V"))
            return SupplySetting(voltage_v, current_a, over_voltage_v)

        return self._call("program", act)

    def switch_on(self, channel: int) -> None:
        self._call("switch_on", lambda: self._switch(channel, True))

    def switch_off(self, channel: int) -> None:
        self._call("switch_off", lambda: self._switch(channel, False))

    def _switch(self, channel: int, on: bool) -> None:
        self.acts.append((channel, "on" if on else "off"))
        self.world.channel[channel].on = on

    def is_on(self, channel: int) -> bool:
        return self._call("is_on", lambda: self.world.channel[channel].on)

    def read_voltage(self, channel: int) -> ScalarReading:
        def act() -> ScalarReading:
            if channel == 1:
                return _scalar(self.world.solve()[0], "V", 1e-3)
            one = self.world.channel[channel]
            return _scalar(one.volts if one.on else 0.0, "V", 1e-3)

        return self._call("read_voltage", act)

    def read_current(self, channel: int) -> ScalarReading:
        def act() -> ScalarReading:
            return _scalar(self.world.solve()[1] if channel == 1 else 0.0, "A", 1e-4)

        return self._call("read_current", act)

    def in_current_limit(self, channel: int) -> bool | None:
        return None

    def force_off(self) -> bool:
        self.exchanges.broken.discard(self.role)
        for one in self.world.channel.values():
            one.on = False
        return True


class SwitchMultimeter(_Fake):
    role = "multimeter"

    def __init__(self, exchanges: Exchanges, world: SwitchWorld) -> None:
        super().__init__(exchanges)
        self.world = world
        self.range_v = 1000.0
        self.by_hand = False

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
            self.world.clock.advance(0.02)
            shown = self.world.solve()[2]
            if abs(shown) > 1.2 * self.range_v:
                return ScalarReading(None, "V", STATUS_OVER_RANGE, "+9.90000000E+37")
            return _scalar(shown, "V", 1e-7)

        return self._call("read", act)


def _scalar(value: float, unit: str, step: float) -> ScalarReading:
    rounded = round(value / step) * step
    return ScalarReading(rounded, unit, STATUS_OK, f"{rounded:+.8E}")


class Willing:
    """Say yes to everything, make every hookup asked for, and keep what was asked."""

    interactive = True

    def __init__(self, world: SwitchWorld) -> None:
        self.world = world
        self.asked: list[Prompt] = []
        self.told: list[Event] = []
        self.answers: dict[str, str] = {}

    def ask(self, prompt: Prompt) -> str:
        self.asked.append(prompt)
        if prompt.kind == "hookup":
            self.world.hookup = prompt.name
        return self.answers.get(prompt.name, prompt.default or "yes")

    def tell(self, event: Event) -> None:
        self.told.append(event)

    def ties(self) -> list[str]:
        """Name the hookups that the person was asked to make."""
        return [prompt.name for prompt in self.asked if prompt.kind == "hookup"]


class JigRelays(FakeSwitch):
    """Make hookups in the world as the relays close."""

    def close_only(self, channels: Sequence[int]) -> tuple[int, ...]:
        closed = super().close_only(channels)
        names = [name for name, relays in RELAYS.items() if set(relays) <= set(closed)]
        assert isinstance(self.world, SwitchWorld)
        assert not any(one.on for one in self.world.channel.values()), "relays moved under power"
        self.world.hookup = names[0] if names else None
        return closed


class SwitchRig:
    """Hold a whole bench of doubles with a switch in its jig, and its journal."""

    def __init__(
        self,
        folder: Path,
        *,
        by_person: bool = False,
        without: Sequence[str] = (),
        channels: int = 2,
        output_capacitance_f: float | None = 220e-6,
        world: type[SwitchWorld] = SwitchWorld,
    ) -> None:
        self.clock = ManualClock()
        self.world = world(self.clock)
        self.exchanges = Exchanges()
        self.operator = Willing(self.world)
        self.stop = StopFlag()
        self.supply = TwoChannelSupply(self.exchanges, self.world, channels)
        self.multimeter = SwitchMultimeter(self.exchanges, self.world)
        self.switch = JigRelays(self.exchanges, self.world)
        self.path = folder / "run.jsonl"
        self.journal = Journal.create(self.path, {"job": "test"}, clock=self.clock)
        self.bench = Bench(
            impedance_meter=None,
            supply=None if "supply" in without else self.supply,
            multimeter=None if "multimeter" in without else self.multimeter,
            switch=None if by_person else self.switch,
            operator=self.operator,
            clock=self.clock,
            journal=self.journal,
            limits=BenchLimits(voltage_v=30.0, current_a=10.0),
            hookups={} if by_person else RELAYS,
            positions={} if by_person else PLACES,
            stop=self.stop,
            output_capacitance_f=output_capacitance_f,
            supply_leads_ohm=0.03,
        )
