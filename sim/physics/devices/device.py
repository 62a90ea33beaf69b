"""What the bench needs of any device, and how its truth is told."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Protocol

from sim.circuit import Element

Capacitance = tuple[str, str, Callable[[float], float]]
"""First terminal, second terminal, farad as a function of V(first) - V(second)."""


class Device(Protocol):
    """A part with named terminals that joins any circuit."""

    @property
    def terminals(self) -> tuple[str, ...]:
        """Names of the terminals."""

    @property
    def state(self) -> object:
        """What its logic remembers; a change of it asks for new elements."""

    def elements(self, node: Mapping[str, str], temperature_c: float) -> list[Element]:
        """Give the elements of its circuit, its terminals joined to the given nodes."""

    def capacitances(self) -> list[Capacitance]:
        """Give the capacitances between terminals."""

    def advance(self, volts: Mapping[str, float]) -> None:
        """Let the logic see the voltages at the terminals."""

    def truth(self) -> Mapping[str, Any]:
        """Tell what the part really is."""


def told(fault: Fault | None, **values: object) -> dict[str, Any]:
    """Tell disposition, fault and path in the words of the verdicts, and the given values.

    `paths` lists every path that names the fault rightly; `path` is the first.
    """
    return {
        "disposition": "fit" if fault is None else "unfit",
        "fault": None if fault is None else fault.name,
        "path": None if fault is None or not fault.paths else fault.paths[0],
        "paths": () if fault is None else fault.paths,
        **values,
    }


class Fault(Protocol):
    """What has befallen a part."""

    @property
    def name(self) -> str:
        """The fault in the words of the verdicts."""

    @property
    def paths(self) -> Sequence[str]:
        """Every path that names it rightly, the plainest first."""
