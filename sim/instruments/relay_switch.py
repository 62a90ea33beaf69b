"""A relay switch: which relays are closed, and the time that they take to move."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Protocol

from sim.instruments.errors import DATA_OUT_OF_RANGE, SettingError
from sim.instruments.world import World

MOVE_S = 15e-3


class Relays(Protocol):
    """The wiring that a relay switch moves."""

    relays: frozenset[int]
    closed: set[int]

    def close(self, relay: int, now_s: float) -> None:
        """Close a relay."""

    def open(self, relay: int) -> None:
        """Open a relay."""


class RelaySwitch:
    """Close and open the relays of the wiring."""

    def __init__(self, world: World, wiring: Relays) -> None:
        self._world = world
        self._wiring = wiring
        self.relays: frozenset[int] = wiring.relays

    def close(self, numbers: Iterable[int]) -> None:
        """Close these relays and leave the others; -222 when one does not exist."""
        self._move(self._known(numbers), closing=True)

    def open(self, numbers: Iterable[int]) -> None:
        """Open these relays; -222 when one does not exist."""
        self._move(self._known(numbers), closing=False)

    def open_all(self) -> None:
        """Open every relay."""
        self._move(sorted(self.relays), closing=False)

    def check(self, numbers: Iterable[int]) -> None:
        """Raise SettingError -222 when one of these relays does not exist."""
        self._known(numbers)

    def closed(self) -> list[int]:
        """Give the closed relays in order."""
        with self._world.lock:
            return sorted(self._wiring.closed)

    def reset(self) -> None:
        """Open every relay, as at power-on."""
        self.open_all()

    def _known(self, numbers: Iterable[int]) -> list[int]:
        wanted = list(dict.fromkeys(numbers))
        unknown = [number for number in wanted if number not in self.relays]
        if unknown:
            listed = ", ".join(str(number) for number in unknown)
            raise SettingError(DATA_OUT_OF_RANGE, f"there is no relay {listed}")
        return wanted

    def _move(self, numbers: list[int], *, closing: bool) -> None:
        with self._world.lock:
            moved = [n for n in numbers if (n in self._wiring.closed) != closing]
            if moved:
                listed = ", ".join(str(number) for number in moved)
                verb = "closed" if closing else "opened"
                noun = "relay" if len(moved) == 1 else "relays"
                with self._world.changing(f"{noun} {listed} {verb}"):
                    # Breaking before making: the order within one command is that of the list.
                    for number in moved:
                        if closing:
                            self._wiring.close(number, self._world.clock.now_s())
                        else:
                            self._wiring.open(number)
        self._world.clock.sleep_s(MOVE_S)
