"""Name the hookups of a whole board: its rail and input, each phase in place, its first power."""

from __future__ import annotations

__all__ = ["BOARD_HOOKUPS", "MOST_PHASES", "phase_hookup"]

from collections.abc import Mapping
from typing import Final, Literal

#: phases of one rail that can be named in a hookup
MOST_PHASES: Final = 8

_PLUS, _MINUS = "supply 1 plus", "supply 1 minus"


def _check(node: str, name: str) -> dict[str, tuple[str, ...]]:
    """Feed a rail directly, and through resistors for what draws little; ground is the return."""
    return {
        f"{name}-check": (f"{_PLUS} > {node}", f"{_MINUS} > ground", f"multimeter > {node} ground"),
        f"{name}-check-100R": (
            f"{_PLUS} > 100 > {node}", f"{_MINUS} > ground", "multimeter > across 100",
        ),
        f"{name}-check-4R7": (
            f"{_PLUS} > 4.7 > {node}", f"{_MINUS} > ground", "multimeter > across 4.7",
        ),
    }  # fmt: skip


def phase_hookup(path: Literal["vin-sw", "vin-sw-direct", "sw-rail"], phase: int) -> str:
    """Give the name of the hookup that looks at a path of a phase, counted from 1."""
    stem, direct = path.removesuffix("-direct"), path.endswith("-direct")
    return f"board-{stem}-{phase}{'-direct' if direct else ''}"


def _phase(phase: int) -> dict[str, tuple[str, ...]]:
    node = f"SW{phase}"
    return {
        phase_hookup("vin-sw", phase): (
            f"{_PLUS} > 100 > VIN", f"{_MINUS} > {node}", "multimeter > across 100",
        ),
        phase_hookup("vin-sw-direct", phase): (
            f"{_PLUS} > VIN", f"{_MINUS} > {node}", f"multimeter > VIN {node}",
        ),
        phase_hookup("sw-rail", phase): (
            f"{_PLUS} > {node}", f"{_MINUS} > rail", f"multimeter > {node} rail",
        ),
    }  # fmt: skip


#: name -> joins, as they are made
BOARD_HOOKUPS: Final[Mapping[str, tuple[str, ...]]] = {
    **_check("rail", "rail"),
    **_check("VIN", "vin"),
    # the clips together: the same wiring, with copper between the clips
    "rail-short": (f"{_PLUS} > rail", f"{_MINUS} > ground", "multimeter > rail ground"),
    **{name: joins for n in range(1, MOST_PHASES + 1) for name, joins in _phase(n).items()},
    # the 1 ohm holds the rail down, whatever the input lets through
    "board-power": (
        f"{_PLUS} > 22 > VIN", f"{_MINUS} > ground", "rail > 1 > ground",
        "multimeter > rail ground",
    ),
    "board-bleed": ("tie 1k rail ground", "tie 1k VIN ground", "multimeter > VIN ground"),
}  # fmt: skip
