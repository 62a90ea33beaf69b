"""What an instrument can ask of the bench that it stands on."""

from __future__ import annotations

import threading
from contextlib import AbstractContextManager
from typing import Protocol

from sim.clock import Clock
from sim.streams import Streams


class World(Protocol):
    """The circuit and the time that all instruments share.

    Whoever changes a setting does it inside `changing()`: the circuit is first brought up to
    date with the old setting, and damage is looked for after the new one.
    """

    lock: threading.RLock
    clock: Clock
    streams: Streams

    def settle(self) -> None:
        """Bring the circuit up to the present time."""

    def settled_s(self) -> float:
        """Give the time of the last settling: what the circuit shows belongs to it, not to now."""

    def changing(self, what: str = "") -> AbstractContextManager[None]:
        """Hold the circuit while a setting, a relay or a contact changes."""

    def impedance_ohm(self, frequency_hz: float) -> complex:
        """Give the impedance at the LCR meter's terminals now; infinite when they are open."""

    def disturbances(self) -> int:
        """Count the changes of contacts, relays and settings so far."""

    def meter_integral_vs(self) -> float:
        """Give the time integral of the multimeter's input voltage up to the last settling."""

    def meter_voltage_v(self) -> float:
        """Give the multimeter's input voltage at the last settling."""

    def terminal_voltage_v(self, channel: int) -> float:
        """Give the voltage at a supply channel's terminals at the last settling."""

    def regulator_current_a(self, channel: int) -> float:
        """Give the current that a supply channel's regulator delivers at the last settling."""
