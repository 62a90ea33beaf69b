"""Benches for switches, and hands that work on them by hookup name."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import pytest

from sim.circuit import Element, Series
from sim.clock import ManualClock
from sim.physics.devices.device import Capacitance, Device
from sim.scenario import load_scenario
from sim.switch_bench import SwitchBench
from sim.switch_hookups import hookups


class Resistors:
    """A part that is nothing but resistors between its terminals."""

    state: object = None

    def __init__(self, name: str, terminals: tuple[str, ...], ohm: Mapping[str, float]) -> None:
        self.name, self.terminals, self._ohm = name, terminals, ohm

    def elements(self, node: Mapping[str, str], temperature_c: float) -> list[Element]:
        return [
            Series(f"{self.name}.{pair}", node[pair.split("-")[0]], node[pair.split("-")[1]], ohm)
            for pair, ohm in self._ohm.items()
        ]

    def capacitances(self) -> list[Capacitance]:
        return []

    def advance(self, volts: Mapping[str, float]) -> None:
        pass

    def truth(self) -> dict[str, Any]:
        return {"disposition": "fit", "fault": None, "path": None, "paths": ()}


class Hands:
    """Works a bench as a procedure would."""

    def __init__(self, bench: SwitchBench) -> None:
        self.bench = bench
        scenario = bench.scenario
        families = {scenario.family(spec) for spec in scenario.specimens}
        self.relays = {
            name: [int(number) for number in re.findall(r"\d+", numbers)]
            for name, numbers in hookups(
                sorted(families),
                channels=2,
                meter=True,
                bridge=scenario.impedance_meter is not None,
            ).items()
        }

    def connect(self, position: int, hookup: str, *, without: tuple[int, ...] = ()) -> None:
        assert self.bench.switch is not None
        self.bench.switch.open_all()
        self.bench.switch.close(
            [position, *(relay for relay in self.relays[hookup] if relay not in without)]
        )

    def on(self, volts: float, amperes: float, channel: int = 1, wait_s: float = 0.3) -> None:
        supply = self.bench.supply
        assert supply is not None
        supply.set_voltage_v(channel, volts)
        supply.set_current_a(channel, amperes)
        supply.set_output(channel, True)
        self.wait(wait_s)

    def off(self, channel: int = 1) -> None:
        supply = self.bench.supply
        assert supply is not None
        supply.set_voltage_v(channel, 0.0)
        self.wait(0.5)
        supply.set_output(channel, False)
        self.wait(3.0)

    def wait(self, seconds: float) -> None:
        self.bench.clock.sleep_s(seconds)
        self.bench.settle()

    def read(self) -> float:
        assert self.bench.multimeter is not None
        value = self.bench.multimeter.measure()
        assert value is not None
        return value


MakeHands = Callable[..., Hands]


@pytest.fixture
def hands() -> MakeHands:
    """Give a function that sets up a bench; `ohm` lays resistors out in place of its parts."""

    def make(
        scenario: str = "switches",
        *,
        ohm: Mapping[str, float] | None = None,
        seed: int = 1,
        **change: Any,
    ) -> Hands:
        found = load_scenario(scenario)
        if "output_f" in change and found.supply is not None:
            found = replace(found, supply=replace(found.supply, output_f=change["output_f"]))
        devices: dict[str, Device] | None = None
        if ohm is not None:
            terminals = {"mosfet": ("D", "S", "G"), "load": ("RAIL", "GND")}
            devices = {
                spec.name: Resistors(spec.name, terminals[found.family(spec)], ohm)
                for spec in found.specimens
            }
        return Hands(SwitchBench(found, seed=seed, clock=ManualClock(), devices=devices))

    return make
