"""Read the drain's leakage at two voltages, gate tied to source, in the range that suits it."""

from __future__ import annotations

__all__ = [
    "FINEST",
    "LADDER",
    "START",
    "drain_hookup",
    "drain_leakage",
    "next_element",
    "repeat_drain",
]

from collections.abc import Mapping, Sequence

from labbench.bench.bench import Bench
from labbench.ports import Hookup
from labbench.procedures.switch.conditions import SwitchConditions
from labbench.procedures.switch.hookups import hookup
from labbench.procedures.switch.leakage import take_leak
from labbench.procedures.switch.live import part_maximum, tie
from labbench.procedures.switch.taken import LeakTaken

#: series elements from the smallest, and where a reading begins
LADDER = ("1k", "10k", "100k", "1M")
START, FINEST = "100k", "1M"
_TOO_MUCH_SHARE, _TOO_LITTLE_V = 0.1, 1e-3
_LOW_RESISTOR_V = 8.0


def next_element(
    element: str, *, across_v: float | None, set_v: float, schottky: bool, by_person: bool
) -> str | None:
    """Choose the next series element from what is across this one; None: it suits.

    More than a tenth of the voltage: a smaller resistor, 1 kohm only for a Schottky type below
    8 V. Less than 1 mV: 1 Mohm. By hand nothing is re-tied for a finer figure.
    """
    index = LADDER.index(element)
    if across_v is None or across_v > _TOO_MUCH_SHARE * set_v:
        if index == 0 or (LADDER[index - 1] == "1k" and not (schottky and set_v < _LOW_RESISTOR_V)):
            return None
        return LADDER[index - 1]
    if across_v < _TOO_LITTLE_V and element == START and not by_person:
        return FINEST
    return None


def drain_hookup(element: str, *, mirrored: bool) -> Hookup:
    """Give the hookup with a series element."""
    return hookup(f"fet-drain-{element}", mirrored=mirrored)


def drain_leakage(
    bench: Bench, conditions: SwitchConditions, *, position: str | None = None,
    open_v: Mapping[tuple[str, float], float] | None = None,
    volts: Sequence[float] | None = None,
) -> tuple[LeakTaken, ...]:  # fmt: skip
    """Read the leakage at an eighth of the test voltage and at the test voltage.

    A part that takes all of the low voltage is not given the high one. Raises what the bench
    raises.
    """
    taken: list[LeakTaken] = []
    for at in volts or (conditions.low_drain_v, conditions.drain_v):
        found = _ranged(bench, conditions, at, START, position, open_v or {})
        taken.append(found)
        if found.part_v < at / 2:
            break
    return tuple(taken)


def _ranged(
    bench: Bench, conditions: SwitchConditions, volts: float, element: str,
    position: str | None, zeros: Mapping[tuple[str, float], float],
) -> LeakTaken:  # fmt: skip
    maximum = part_maximum(conditions.name, conditions.maximum_drain_source_v)
    tried: list[str] = []
    while True:
        tried.append(element)
        joined = drain_hookup(element, mirrored=conditions.mirrored)
        tie(bench, joined, position)
        found = take_leak(
            bench, joined, volts, what="the drain leakage", part=maximum,
            open_v=zeros.get((joined.name, volts)),
        )  # fmt: skip
        following = next_element(
            element, across_v=found.across_v, set_v=volts, schottky=conditions.schottky,
            by_person=bench.by_person,
        )  # fmt: skip
        if following is None or following in tried:
            return found
        element = following


def repeat_drain(
    bench: Bench, conditions: SwitchConditions, first: LeakTaken, *, position: str | None = None
) -> LeakTaken:
    """Read the leakage again at the end, as the first was read: the stability check."""
    maximum = part_maximum(conditions.name, conditions.maximum_drain_source_v)
    element = first.hookup.removeprefix("fet-drain-").removesuffix("-p")
    joined = drain_hookup(element, mirrored=conditions.mirrored)
    tie(bench, joined, position)
    return take_leak(
        bench, joined, first.set_v, what="the drain leakage again", part=maximum,
        open_v=first.open_v, repeat=True,
    )  # fmt: skip
