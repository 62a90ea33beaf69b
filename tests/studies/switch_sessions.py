"""Put one switch on a simulated bench inside one process, settled: thousands of sessions.

As in_process.py does for coils: procedures, guarded supply and metrology are the real ones, the
instruments are the simulator's, with errors of their own for each session. The circuit is the
simulator's whole circuit, but it does not move: after each change it stands where it settles (one
implicit step of a million seconds), which takes a twentieth of the time. What that leaves out,
settling and discharge, is tested where the circuit moves (tests/end_to_end, tests/sim).
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from unittest import mock

from labbench.bench.bench import Bench
from labbench.bench.bench_file import BenchLimits
from labbench.bench.stop import StopFlag
from sim import switch_bench
from sim.clock import ManualClock
from sim.physics.devices.fault_file import DeviceFault
from sim.physics.devices.mosfet import Mosfet
from sim.scenario import Scenario, SpecimenSpec, SupplySpec, load_scenario
from sim.switch_hookups import hookups
from sim.transient import Transient
from tests.studies.in_process import (
    _Clock,
    _Consenting,
    _Multimeter,
    _NoJournal,
    _of,
    _Supply,
    _Switch,
)

_SETTLED_S = 1e6
NAME = "Q1"


class SettledCircuit(Transient):
    """Be the circuit where it settles, however short the wait."""

    def _step(self, left_s: float) -> float:
        found = self._solve(_SETTLED_S, self._x, self._x)
        if found is None:
            return super()._step(left_s)
        self._x, self._whole = found, None
        self._rest_s = math.inf
        return left_s


class SwitchSession:
    """Hold one session: its own errors of every instrument, its own jig and part."""

    def __init__(self, scenario: Scenario, seed: int) -> None:
        self.clock = ManualClock()
        self.scenario = scenario
        with mock.patch.object(switch_bench, "Transient", SettledCircuit):
            self.simulated = switch_bench.SwitchBench(scenario, seed=seed, clock=self.clock)
        supply = scenario.supply
        assert supply is not None
        relays = hookups(
            ["mosfet"], channels=supply.channels, meter=scenario.multimeter_class is not None,
            bridge=False,
        )  # fmt: skip
        self.bench = Bench(
            impedance_meter=None,
            supply=_of(_Supply, self.simulated.supply),
            multimeter=_of(_Multimeter, self.simulated.multimeter),
            switch=_of(_Switch, self.simulated.switch),
            operator=_Consenting(),
            clock=_Clock(self.clock),
            journal=_NoJournal(),  # type: ignore[arg-type]
            limits=BenchLimits(voltage_v=supply.highest_v, current_a=supply.highest_a),
            hookups={n: tuple(map(int, re.findall(r"\d+", v))) for n, v in relays.items()},
            positions={NAME: (101,), "open": (198,), "short": (199,), "check": (197,)},
            stop=StopFlag(),
            output_capacitance_f=supply.output_f,
            supply_leads_ohm=scenario.fixture.supply_leads_ohm,
        )

    @contextmanager
    def open(self) -> Iterator[Bench]:
        """Measure on it; every circuit that is made meanwhile is one that has settled."""
        with mock.patch.object(switch_bench, "Transient", SettledCircuit):
            yield self.bench
            assert self.simulated.damage == []

    @property
    def device(self) -> Mosfet:
        """Give the part on the bench."""
        part = self.simulated._devices[NAME]
        assert isinstance(part, Mosfet)
        return part

    @property
    def temperature_c(self) -> float:
        """Give the part's temperature now."""
        return self.simulated.temperature_c(NAME)

    @property
    def jig_ohm(self) -> float:
        """Give what the jig itself has between the sense contacts of drain and source and the part.

        The same for every part in this jig; what each placement adds is not in it.
        """
        return float(sum(self.simulated.wiring._kelvin_ohm[:2]))


def switch_scenario(
    construction: str, *, supply: str = "1mV-1mA", multimeter: str = "6.5-digit",
    channels: int = 2, output_f: float = 220e-6, fault: DeviceFault | None = None,
) -> Scenario:  # fmt: skip
    """Return a bench with one switch of a construction and instruments of these classes."""
    base = _base()
    spec: SpecimenSpec = replace(
        base.specimens[0], name=NAME, position=101, lot="one", device_fault=fault
    )
    lots: Sequence = [replace(base.lots[0], name="one", construction=construction)]
    return replace(
        base, impedance_meter=None, supply=SupplySpec(supply, channels, output_f, 30.0, 5.0),
        multimeter_class=multimeter, lots=tuple(lots), specimens=(spec,),
    )  # fmt: skip


_known: list[Scenario] = []


def _base() -> Scenario:
    if not _known:
        _known.append(load_scenario("switches"))
    return _known[0]
