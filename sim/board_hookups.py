"""Hookups of a board after a repair: its input, each phase in place, and its first power."""

from __future__ import annotations

from sim.physics.devices.board_construction import MOST_PHASES

_PLUS, _MINUS = "supply 1 plus", "supply 1 minus"
_HUNDRED = "multimeter > across 100"


def _phase(number: int) -> dict[str, tuple[str, ...]]:
    node = f"SW{number}"
    return {
        f"board-vin-sw-{number}": (f"{_PLUS} > 100 > VIN", f"{_MINUS} > {node}", _HUNDRED),
        f"board-vin-sw-{number}-direct": (
            f"{_PLUS} > VIN", f"{_MINUS} > {node}", f"multimeter > VIN' {node}'",
        ),
        f"board-sw-rail-{number}": (
            f"{_PLUS} > {node}", f"{_MINUS} > RAIL", f"multimeter > {node}' RAIL'",
        ),
    }  # fmt: skip


BOARD: dict[str, tuple[str, ...]] = {
    "vin-check": (f"{_PLUS} > VIN", f"{_MINUS} > GND", "multimeter > VIN' GND'"),
    "vin-check-100R": (f"{_PLUS} > 100 > VIN", f"{_MINUS} > GND", _HUNDRED),
    "vin-check-4R7": (f"{_PLUS} > 4.7 > VIN", f"{_MINUS} > GND", "multimeter > across 4.7"),
    **{name: joins for n in range(1, MOST_PHASES + 1) for name, joins in _phase(n).items()},
    "board-power": (
        f"{_PLUS} > 22 > VIN", f"{_MINUS} > GND", "RAIL > 1 > GND", "multimeter > RAIL' GND'",
    ),
    "board-bleed": ("tie 1k RAIL GND", "tie 1k VIN GND", "multimeter > VIN' GND'"),
}  # fmt: skip
