"""Look for shorts at 0.2 V behind 100 ohm; grade what is very low without the resistor."""

from __future__ import annotations

__all__ = [
    "FET_PATHS",
    "LEAST_OHM",
    "SCHOTTKY_OHM",
    "Polarity",
    "any_short",
    "check_path",
    "is_short",
    "short_check",
]

import math
from collections.abc import Sequence
from typing import Literal

from labbench.bench.bench import Bench
from labbench.bench.limits import Need
from labbench.ports import Hookup
from labbench.procedures.switch.hookups import hookup
from labbench.procedures.switch.live import Live, agree, tie, value
from labbench.procedures.switch.ranging import RangedMeter
from labbench.procedures.switch.taken import ShortTaken

#: below these a path is short: no later step is run
LEAST_OHM = 1e3
SCHOTTKY_OHM = 300.0
_GRADE_BELOW_OHM = 30.0
_VOLTS, _AMPS, _SETTLE_S = 0.2, 0.05, 0.05
_NEED = Need("the short check", voltage_v=_VOLTS, current_a=_AMPS, series_ohm=100.0)
_GRADE_NEED = Need("the short grade", voltage_v=_VOLTS, current_a=_AMPS)

Polarity = Literal["+", "-"]
#: hookup, path, polarity, in the order taken. Gate against drain and source tied together is one
#: network whichever of them is named: by hand it is connected once.
FET_PATHS: tuple[tuple[str, str, Polarity], ...] = (
    ("fet-short-ds", "drain-source", "+"),
    ("fet-short-sd", "drain-source", "-"),
    ("fet-short-gs", "gate-source", "+"),
    ("fet-short-gd", "gate-drain", "+"),
)


def check_path(
    bench: Bench, name: str, path: str, polarity: Polarity = "+", *, mirrored: bool = False,
    position: str | None = None,
) -> ShortTaken:  # fmt: skip
    """Read one path at 0.2 V; without a multimeter by the supply's own readback, direct."""
    with_meter = bench.multimeter is not None
    joined = hookup(name, mirrored=mirrored, with_multimeter=with_meter)
    tie(bench, joined, position)
    return _read(bench, path, polarity, direct=False, mirrored=mirrored)


def _read(
    bench: Bench, path: str, polarity: Polarity, *, direct: bool, mirrored: bool
) -> ShortTaken:
    meter = (
        RangedMeter(bench, mirrored=mirrored and direct) if bench.multimeter is not None else None
    )
    if meter is not None:
        meter.set_for(_VOLTS)
    agree(bench, f"the short check, {path}", volts=_VOLTS, amps=_AMPS)
    need = _GRADE_NEED if direct else _NEED
    with (
        bench.step("short-check", path=path, polarity=polarity, direct=direct),
        Live(bench, volts=_VOLTS, amps=_AMPS, need=need),
    ):
        bench.settle(_SETTLE_S)
        across_v = meter.read() if meter is not None else None
        supply_v = value(bench.take_supply_voltage()) or 0.0
        current_a = value(bench.take_supply_current())
    return ShortTaken(
        path=path, polarity=polarity, supply_v=supply_v, across_v=across_v, current_a=current_a,
        direct=direct,
    )  # fmt: skip


def short_check(
    bench: Bench, *, mirrored: bool, schottky: bool, position: str | None = None
) -> tuple[ShortTaken, ...]:
    """Check every path of a MOSFET; the first short ends it, graded where it is below 30 ohm."""
    taken: list[ShortTaken] = []
    for name, path, polarity in FET_PATHS:
        if name == "fet-short-gd" and bench.by_person:
            continue
        found = check_path(bench, name, path, polarity, mirrored=mirrored, position=position)
        if found.ohm < _GRADE_BELOW_OHM and polarity == "+" and bench.multimeter is not None:
            grade: Hookup = hookup(name.replace("short", "grade"), mirrored=mirrored)
            tie(bench, grade, position)
            graded = _read(bench, path, polarity, direct=True, mirrored=mirrored)
            found = graded if math.isfinite(graded.ohm) else found
        taken.append(found)
        if is_short(found, schottky=schottky):
            break
    return tuple(taken)


def is_short(taken: ShortTaken, *, schottky: bool = False) -> bool:
    """Tell whether a path is short: a stop rule, not a verdict.

    A Schottky diode beside the body diode conducts at 0.2 V, so its path is allowed less.
    """
    least = SCHOTTKY_OHM if schottky and taken.path == "drain-source" else LEAST_OHM
    return taken.ohm < least


def any_short(taken: Sequence[ShortTaken], *, schottky: bool = False) -> bool:
    """Tell whether one of several paths is short."""
    return any(is_short(one, schottky=schottky) for one in taken)
