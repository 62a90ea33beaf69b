"""Open every driver of a simulated bench, with quick dialects."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from drivers import (
    ScpiImpedanceMeter,
    ScpiMultimeter,
    ScpiRelaySwitch,
    ScpiSupply,
    open_impedance_meter,
    open_multimeter,
    open_relay_switch,
    open_supply,
)
from sim.served import ServedBench
from tests.drivers.peers import quick_dialect

SCENARIO = Path(__file__).parents[2] / "sim" / "scenarios" / "harbour-buoys.toml"
ROLES = ("impedance_meter", "supply", "multimeter", "switch")
#: the relays of that scenario
RELAYS = (*range(101, 112), 198, 199, *range(201, 209))
OPENERS: dict[str, Any] = {
    "impedance_meter": open_impedance_meter,
    "supply": open_supply,
    "multimeter": open_multimeter,
    "switch": open_relay_switch,
}


@dataclass
class Opened:
    """The four instruments of a bench."""

    meter: ScpiImpedanceMeter
    supply: ScpiSupply
    multimeter: ScpiMultimeter
    relays: ScpiRelaySwitch

    def all(self) -> Sequence[Any]:
        return (self.meter, self.supply, self.multimeter, self.relays)


def open_role(
    bench: ServedBench,
    undo: ExitStack,
    folder: Path,
    role: str,
    *,
    changes: Sequence[tuple[str, str]] = (),
    **more: Any,
) -> Any:
    """Open the driver of one role, with the dialect that its instrument speaks."""
    if role == "switch":
        more.setdefault("relays", RELAYS)
    return undo.enter_context(
        OPENERS[role](
            bench.addresses[role],
            quick_dialect(folder, bench.scenario.dialect(role), changes=changes),
            lock_directory=folder,
            **more,
        )
    )


def open_all(bench: ServedBench, undo: ExitStack, folder: Path) -> Opened:
    """Open all four."""
    return Opened(*(open_role(bench, undo, folder, role) for role in ROLES))
