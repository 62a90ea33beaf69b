"""A virtual bench with a server for each of its instruments."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from types import TracebackType
from typing import Self

from sim.bench import Truth, VirtualBench
from sim.bench_file import bench_file
from sim.clock import Clock, ManualClock, RateClock
from sim.link_faults import FaultSchedule
from sim.profiles.impedance_meter import impedance_meter
from sim.profiles.multimeter import multimeter
from sim.profiles.relay_switch import relay_switch
from sim.profiles.supply import supply
from sim.scenario import Scenario, load_scenario
from sim.scpi.interpreter import Interpreter
from sim.server import InstrumentServer

_IDENTITY_ROLES = {
    "impedance_meter": "impedance meter",
    "supply": "supply",
    "multimeter": "multimeter",
    "switch": "relay switch",
}


class ServedBench:
    """Serve a scenario's instruments on this machine until closed.

    All servers listen when the object has been made.
    """

    def __init__(
        self,
        scenario: str | Path | Scenario,
        *,
        seed: int | None = None,
        clock_rate: float | None = None,
        manual_clock: bool = False,
        ports: Mapping[str, int] | None = None,
        faults: Mapping[str, FaultSchedule] | None = None,
    ) -> None:
        """Build the bench of a scenario and listen.

        ``seed`` and ``clock_rate`` (simulated seconds per real second) replace the scenario's;
        with ``manual_clock`` nothing waits at all. ``ports`` and ``faults`` go by role; a port
        left out is any free one, and a schedule given here replaces the scenario's. Raises
        ValueError for a role that the scenario has not, OSError for a port that is taken.
        """
        self.scenario = scenario if isinstance(scenario, Scenario) else load_scenario(scenario)
        self.seed = self.scenario.seed if seed is None else seed
        self.clock_rate = self.scenario.clock_rate if clock_rate is None else clock_rate
        self.clock: Clock = ManualClock() if manual_clock else RateClock(self.clock_rate)
        self.bench = VirtualBench(self.scenario, seed=self.seed, clock=self.clock)
        interpreters = self._interpreters()
        ports = ports or {}
        faults = {**self.scenario.link_faults, **(faults or {})}
        for option, by_role in (("ports", ports), ("faults", faults)):
            unknown = sorted(set(by_role) - set(interpreters))
            if unknown:
                raise ValueError(
                    f"{option} for {', '.join(unknown)}: scenario {self.scenario.name!r} has only "
                    f"{', '.join(interpreters)}"
                )
        self.servers: dict[str, InstrumentServer] = {}
        try:
            for role, interpreter in interpreters.items():
                self.servers[role] = InstrumentServer(
                    interpreter, port=ports.get(role, 0), faults=faults.get(role)
                )
        except BaseException:
            self.close()
            raise

    @property
    def addresses(self) -> dict[str, str]:
        """Return the VISA resource string of each role."""
        return {role: server.address for role, server in self.servers.items()}

    def bench_toml(self) -> str:
        """Return the text of a bench file for these servers."""
        return bench_file(self.scenario, self.addresses, seed=self.seed, clock_rate=self.clock_rate)

    def truth(self) -> dict[str, Truth]:
        """Return what each specimen really is."""
        return self.bench.truth()

    def close(self) -> None:
        """Close every server; nothing is left listening or running."""
        if isinstance(self.clock, RateClock):
            self.clock.release()
        for server in self.servers.values():
            server.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def _interpreters(self) -> dict[str, Interpreter]:
        bench = self.bench
        found: dict[str, Interpreter] = {}

        def identity(role: str) -> str:
            name = self.scenario.name.replace(",", " ").replace(";", " ")
            plain = name.encode("ascii", "replace").decode("ascii")
            return f"virtual bench,{_IDENTITY_ROLES[role]},{plain},1.0"

        if bench.impedance_meter is not None:
            found["impedance_meter"] = impedance_meter(
                bench.impedance_meter, identity=identity("impedance_meter")
            )
        if bench.supply is not None:
            found["supply"] = supply(bench.supply, identity=identity("supply"))
        if bench.multimeter is not None:
            found["multimeter"] = multimeter(bench.multimeter, identity=identity("multimeter"))
        if bench.switch is not None:
            found["switch"] = relay_switch(bench.switch, identity=identity("switch"))
        return found
