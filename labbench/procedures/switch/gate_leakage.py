"""Read the gate's leakage in both directions, drain tied to source, before the drain sees volts."""

from __future__ import annotations

__all__ = ["gate_hookup", "gate_leakage", "stops"]

from collections.abc import Mapping

from labbench.bench.bench import Bench
from labbench.bench.limits import Maximum
from labbench.ports import Hookup
from labbench.procedures.switch.conditions import SwitchConditions
from labbench.procedures.switch.hookups import hookup
from labbench.procedures.switch.leakage import take_leak
from labbench.procedures.switch.live import part_maximum, tie
from labbench.procedures.switch.taken import LeakTaken


def gate_hookup(sign: int, *, mirrored: bool, through_1m: bool = False) -> Hookup:
    """Give the hookup of one direction: the multimeter in series, or 1 Mohm with it across."""
    name = "fet-gate-plus" if sign > 0 else "fet-gate-minus"
    return hookup(f"{name}-1M" if through_1m else name, mirrored=mirrored)


def gate_leakage(
    bench: Bench, conditions: SwitchConditions, *, position: str | None = None,
    open_v: Mapping[tuple[str, float], float] | None = None, signs: tuple[int, ...] = (1, -1),
) -> tuple[LeakTaken, ...]:  # fmt: skip
    """Read the gate at each voltage, plus first; a leak beyond the stop limit ends it.

    A current beyond what 10 Mohm can show (half the voltage is then lost in the meter) is read
    again through 1 Mohm, where relays make that. `open_v` holds what was read with nothing in the
    jig, by hookup and voltage. Raises what the bench raises.
    """
    maximum = part_maximum(conditions.name, conditions.maximum_gate_source_v)
    zeros = dict(open_v or {})
    taken: list[LeakTaken] = []
    for sign in signs:
        for volts in conditions.gate_v:
            joined = gate_hookup(sign, mirrored=conditions.mirrored)
            found = _at(bench, joined, volts, sign, position, maximum, zeros)
            if not bench.by_person and found.part_v < volts / 2:
                joined = gate_hookup(sign, mirrored=conditions.mirrored, through_1m=True)
                found = _at(bench, joined, volts, sign, position, maximum, zeros)
            taken.append(found)
            if stops(found, conditions):
                return tuple(taken)
    return tuple(taken)


def _at(
    bench: Bench, joined: Hookup, volts: float, sign: int, position: str | None,
    maximum: Maximum, zeros: Mapping[tuple[str, float], float],
) -> LeakTaken:  # fmt: skip
    tie(bench, joined, position)
    return take_leak(
        bench, joined, volts, what="the gate leakage", sign=sign,
        part=maximum,
        open_v=zeros.get((joined.name, volts)),
    )  # fmt: skip


def stops(found: LeakTaken, conditions: SwitchConditions) -> bool:
    """Tell whether a gate conducts so much that the drain is not given a voltage."""
    return found.current_a > conditions.gate_stop_a
