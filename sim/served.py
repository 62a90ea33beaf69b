"""A virtual bench with a server for each of its instruments."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from sim.bench import VirtualBench
from sim.bench_file import bench_file
from sim.clock import Clock, ManualClock, RateClock
from sim.link_faults import FaultSchedule
from sim.links.base import LinkServer
from sim.links.serve import serve
from sim.profiles.catalogue import PROFILES
from sim.scenario import SWITCH, Scenario, load_scenario
from sim.scpi.interpreter import Interpreter
from sim.switch_bench import SwitchBench

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
        links: Mapping[str, str] | None = None,
        dialects: Mapping[str, str] | None = None,
    ) -> None:
        """Build the bench of a scenario and listen.

        ``seed`` and ``clock_rate`` (simulated seconds per real second) replace the scenario's;
        with ``manual_clock`` nothing waits at all. The others go by role: a port left out is any
        free one; a schedule of faults, a kind of link or a command profile given here replaces
        the scenario's. Raises ValueError for a role that the scenario has not and for a kind,
        profile or fault that cannot be, OSError for a port that is taken.
        """
        found = scenario if isinstance(scenario, Scenario) else load_scenario(scenario)
        self.scenario = replace(
            found,
            links={**found.links, **(links or {})},
            dialects={**found.dialects, **(dialects or {})},
        )
        self.seed = self.scenario.seed if seed is None else seed
        self.clock_rate = self.scenario.clock_rate if clock_rate is None else clock_rate
        self.clock: Clock = ManualClock() if manual_clock else RateClock(self.clock_rate)
        self.bench: VirtualBench | SwitchBench = (
            SwitchBench(self.scenario, seed=self.seed, clock=self.clock)
            if self.scenario.jig == SWITCH
            else VirtualBench(self.scenario, seed=self.seed, clock=self.clock)
        )
        faults = {**self.scenario.link_faults, **(faults or {})}
        behaviours = self._behaviours()
        for option, by_role in (
            ("ports", ports),
            ("faults", faults),
            ("links", links),
            ("dialects", dialects),
        ):
            unknown = sorted(set(by_role or ()) - set(behaviours))
            if unknown:
                raise ValueError(
                    f"{option} for {', '.join(unknown)}: scenario {self.scenario.name!r} has only "
                    f"{', '.join(behaviours)}"
                )
        self.servers: dict[str, LinkServer] = {}
        try:
            for role, behaviour in behaviours.items():
                self.servers[role] = serve(
                    self.scenario.link(role),
                    self._interpreter(role, behaviour),
                    port=(ports or {}).get(role),
                    faults=faults.get(role),
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

    def truth(self) -> Mapping[str, Any]:
        """Return what each specimen really is: a `Truth` of a coil, else a `DeviceTruth`."""
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

    def _behaviours(self) -> dict[str, object]:
        bench = self.bench
        by_role = {
            "impedance_meter": bench.impedance_meter,
            "supply": bench.supply,
            "multimeter": bench.multimeter,
            "switch": bench.switch,
        }
        return {role: behaviour for role, behaviour in by_role.items() if behaviour is not None}

    def _interpreter(self, role: str, behaviour: object) -> Interpreter:
        dialect = self.scenario.dialect(role)
        if dialect not in PROFILES[role]:
            known = ", ".join(PROFILES[role])
            raise ValueError(f"there is no profile {dialect!r} for {role}; known: {known}")
        name = self.scenario.name.replace(",", " ").replace(";", " ")
        plain = name.encode("ascii", "replace").decode("ascii")
        identity = f"virtual bench,{_IDENTITY_ROLES[role]},{plain},1.0"
        return PROFILES[role][dialect](behaviour, identity=identity)
