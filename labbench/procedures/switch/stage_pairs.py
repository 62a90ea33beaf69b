"""Look at a power stage between its terminals at 0.2 V: how it lies, and what is short."""

from __future__ import annotations

__all__ = ["BACKWARDS", "LEAST_OHM", "first_short", "lie_of", "short_paths", "take_pair"]

import math
from collections.abc import Sequence
from contextlib import nullcontext

from labbench.bench.bench import Bench
from labbench.bench.limits import Need
from labbench.parts.stage_seating import PairReading, Seating, all_pairs, seating
from labbench.parts.stage_steps import SHORT
from labbench.parts.stage_type import StageType
from labbench.procedures.switch.hookups import hookup
from labbench.procedures.switch.live import Live, agree, tie, value
from labbench.procedures.switch.ranging import RangedMeter
from labbench.procedures.switch.stage_boot import boot_emptied
from labbench.procedures.switch.stage_taken import PairTaken

#: below this a path is short: no later step is run
LEAST_OHM = 1e3
_GRADE_BELOW_OHM = 30.0
_VOLTS, _AMPS, _SETTLE_S = 0.2, 0.05, 0.05
_NEED = Need("the short check", voltage_v=_VOLTS, current_a=_AMPS, series_ohm=100.0)
_GRADE_NEED = Need("the short grade", voltage_v=_VOLTS, current_a=_AMPS)
#: a large resistance is averaged: at 2 Mohm a reading is 8 µV
_AVERAGE_BELOW_V, _AVERAGED = 100e-6, 4
#: what a reading across the resistor is good for, as a share at that voltage (V; assumed)
_NOISE_V = 1e-6
#: the other way round; inputs are not: their clamp conducts
BACKWARDS = (
    ("sw", "vin"), ("pgnd", "sw"), ("pgnd", "vin"), ("pgnd", "vdrv"), ("sw", "boot"),
)  # fmt: skip
#: by hand pairs are added until it is clear how the part lies: those that tell most come first
_TELLING = (
    ("vin", "boot"), ("pwm", "en"), ("boot", "pwm"), ("vdrv", "en"), ("sw", "vdrv"), ("boot", "en"),
    ("sw", "en"), ("vin", "en"), ("sw", "pwm"), ("vin", "pwm"), ("vin", "vdrv"),
)  # fmt: skip


def take_pair(
    bench: Bench, one: str, other: str, *, position: str | None = None, direct: bool = False
) -> PairTaken:
    """Read one path at 0.2 V behind 100 ohm; `direct` only to grade one that is below 30 ohm.

    Without a multimeter the supply's own readback has to do: 2 mA behind 100 ohm is its zero, so
    the path is read directly. Raises what the bench raises.
    """
    with_meter = bench.multimeter is not None
    direct = direct or not with_meter
    kind = "grade" if direct else "short"
    tie(bench, hookup(f"stage-{kind}-{one}-{other}", with_multimeter=with_meter), position)
    meter = RangedMeter(bench) if with_meter else None
    if meter is not None:
        meter.set_for(0.1)
    agree(bench, f"{one} to {other} at 0.2 V", volts=_VOLTS, amps=_AMPS)
    # vdrv reaches the bootstrap capacitor by its diode, at 0.2 V too
    emptied = boot_emptied(bench) if one == "vdrv" else nullcontext()
    with emptied, bench.step("short-check", path=f"{one}-{other}", direct=direct):
        # the multimeter's own zero and what the contacts' warmth puts in
        zero_v = meter.read() if meter is not None and not bench.multimeter_by_hand else None
        with Live(bench, volts=_VOLTS, amps=_AMPS, need=_GRADE_NEED if direct else _NEED):
            bench.settle(_SETTLE_S)
            across = [meter.read()] if meter is not None else [None]
            if (
                meter is not None and not bench.multimeter_by_hand and across[0] is not None
                and across[0] < _AVERAGE_BELOW_V
            ):  # fmt: skip
                across += [meter.read() for _ in range(_AVERAGED - 1)]
            supply_v = value(bench.take_supply_voltage()) or 0.0
            current_a = value(bench.take_supply_current())
    found = [v for v in across if v is not None]
    small = bool(found) and found[0] < 0.09
    return PairTaken(
        one=one, other=other, supply_v=supply_v, count=max(len(found), 1),
        across_v=math.fsum(found) / len(found) if found else None,
        # in another range the zero is another, and does not matter
        zero_v=zero_v if small and zero_v is not None else 0.0,
        current_a=current_a, direct=direct,
    )  # fmt: skip


def lie_of(
    bench: Bench, part: StageType, *, position: str | None = None
) -> tuple[Seating, tuple[PairTaken, ...]]:
    """Read the pattern of resistances at 0.2 V and tell how the part lies.

    Relays read every pair; by hand pairs are added to those of the short check until it is clear.
    Without a multimeter nothing can be told: `known` is False.
    """
    named = [(path.split("-")[0], path.split("-")[1]) for path in SHORT.paths]
    taken: list[PairTaken] = []
    if bench.multimeter is None:
        taken = [take_pair(bench, *pair, position=position) for pair in named]
        return Seating("as-marked", 0.0, known=False), tuple(taken)
    first = named if bench.by_person else list(all_pairs())
    for pair in first:
        taken.append(take_pair(bench, *pair, position=position))
    found = seating([_reading(one) for one in taken], part)
    for pair in _TELLING if bench.by_person and found.known else ():
        if found.how == "as-marked":
            break
        taken.append(take_pair(bench, *pair, position=position))
        found = seating([_reading(one) for one in taken], part)
    return found, tuple(taken)


def _reading(one: PairTaken) -> PairReading:
    noise = _NOISE_V / max(one.seen_v, _NOISE_V)
    return PairReading(one.one, one.other, one.ohm, one.greater_than_ohm, 0.02 + noise)


def short_paths(
    bench: Bench, pairs: Sequence[PairTaken], *, position: str | None = None
) -> tuple[PairTaken, ...]:
    """Complete the short check: grade the first short, else look at the other polarity.

    By hand the other way round is left out: at 0.2 V no junction conducts.
    """
    named = {path: one for path in SHORT.paths for one in pairs if one.path == path}
    taken = list(named.values())
    short = first_short(taken)
    if short is not None:
        if short.ohm < _GRADE_BELOW_OHM and bench.multimeter is not None:
            graded = take_pair(bench, short.one, short.other, position=position, direct=True)
            if math.isfinite(graded.ohm):
                taken[taken.index(short)] = graded
        return tuple(taken)
    if bench.by_person or bench.multimeter is None:
        return tuple(taken)
    for one, other in BACKWARDS:
        taken.append(take_pair(bench, one, other, position=position))
        if taken[-1].ohm < LEAST_OHM:
            break
    return tuple(taken)


def first_short(taken: Sequence[PairTaken]) -> PairTaken | None:
    """Return the lowest path that is short: a stop rule, not a verdict."""
    low = [one for one in taken if one.ohm < LEAST_OHM]
    return min(low, key=lambda one: one.ohm, default=None)
