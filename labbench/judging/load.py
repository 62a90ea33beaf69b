"""Judge the load behind a rail from the current that it draws at 0.05 to 0.3 V, nothing powered.

Silicon below its turn-on draws less than in proportion: the exponent d ln I / d ln V of a healthy
load lies near 0.35 to 0.75 (a result of a model of leakage, not of measured loads), a metallic
short's is 1.00. Where a board known to be good was measured, the ratio of the resistances decides:
below 0.35 a healthy board of the same type is met once in a hundred (boards spread by a quarter,
warmer or colder by 10 K: both assumed). What metal carries shows in how the current bends, beside
that of the good board: a board that only draws much is not called dead for it, and one with metal
across its rail is not called alive because it draws little. Less than 20 mohm is dead whatever the
rail. The input of a board is judged alike, but that nothing drawn there at 0.2 V is what is
expected of it.
"""

from __future__ import annotations

__all__ = [
    "DEAD_RATIO",
    "INPUT_NAMES",
    "LoadJudgement",
    "LoadWord",
    "When",
    "exponent_of",
    "is_input",
    "judge_load",
    "resistance_of",
]

import math
from collections.abc import Sequence
from statistics import median
from typing import Literal

from attrs import frozen

from labbench.errors import InputError
from labbench.judging.metal_share import metal_share
from labbench.quantities import format_si
from labbench.results import (
    Estimate,
    Influence,
    LoadReading,
    PhaseReading,
    Readings,
    WouldDecide,
    earlier_of,
)

LoadWord = Literal["alive", "dead", "undecided"]
When = Literal["before-fitting", "after-fitting"]

DEAD_RATIO = 0.35
#: a parallel short of less than this share of the healthy resistance is found reliably
_SURE_RATIO = 0.2
_DEAD_OHM = 20e-3
#: with the exponent of metal less than this is no load that was ever designed (assumed)
_METAL_DEAD_OHM = 1.0
_METAL_WITHIN = 0.03
#: exponents of boards of one type differ by so much (assumed)
_EXPONENT_SD = 0.05
#: surely bent like silicon: below this with its uncertainty (the model's healthy loads end there; a
#: short as large as the load itself lies above)
_JUNCTION_BELOW = 0.75
#: a board that draws that much and is dead has at least this share in metal; with more than half of
#: the current in metal it is dead from 1.4 times a good board's current on; a tenth is looked into
_METAL_NONE, _METAL_MOST, _METAL_SOME = 0.3, 0.5, 0.1
_METAL_RATIO = 0.7
#: less than this share of a good board's resistance is no matter of warmth
_FAR_RATIO = 0.1
_AT_V = 0.1
#: a readback's own error bends the exponent of less than this (switches.md E)
_READBACK_LEAST_A = 10e-3
#: rails that are the input of a board
INPUT_NAMES = ("vin", "input")
#: converters that are off draw less than this at 0.2 V (assumed)
_QUIET_INPUT_OHM = 1e3
_REPEATS_WITHIN = 0.05


@frozen
class LoadJudgement:
    """Hold what is said of a load: the word, why, resistance (ohm), exponent, ratio, next step."""

    specimen: str
    board: str | None
    rail: str | None
    word: LoadWord
    because: str
    resistance: Estimate | None
    exponent: Estimate | None
    ratio: Estimate | None
    would_decide: tuple[WouldDecide, ...] = ()
    remarks: tuple[str, ...] = ()
    when: When = "before-fitting"
    #: after fitting: what each phase reads in place
    phases: tuple[PhaseReading, ...] = ()


def is_input(rail: str | None) -> bool:
    """Tell whether a rail's name stands for the input of the board."""
    return rail is not None and rail.strip().lower() in INPUT_NAMES


def resistance_of(load: Sequence[LoadReading]) -> Estimate | None:
    """Return V/I at the voltage nearest to 0.1 V (ohm); None where no current could be told."""
    valued = [r for r in load if _amps(r) is not None]
    if not valued:
        return None
    chosen = min(valued, key=lambda r: abs(math.log(r.voltage_v / _AT_V)))
    amps, u = _amps(chosen) or (0.0, 0.0)
    ohms = chosen.voltage_v / amps
    parts = [Influence("current", ohms * u / amps)]
    if chosen.u_voltage_v:
        parts.append(Influence("voltage", ohms * chosen.u_voltage_v / chosen.voltage_v))
    return Estimate(ohms, math.hypot(*(p.u for p in parts)), "ohm", influences=tuple(parts))


def exponent_of(load: Sequence[LoadReading]) -> Estimate | None:
    """Return d ln I / d ln V between the lowest and the highest voltage; None for less than x2.

    A supply's readback does not count for it below 10 mA.
    """
    valued = sorted((r for r in load if _bends(r)), key=lambda r: r.voltage_v)
    if not valued or valued[-1].voltage_v < 2.0 * valued[0].voltage_v:
        return None
    low, high = _mean(valued, valued[0].voltage_v), _mean(valued, valued[-1].voltage_v)
    span = math.log(valued[-1].voltage_v / valued[0].voltage_v)
    parts = [
        Influence(f"current at {v:g} V", u / amps / span)
        for v, (amps, u) in ((valued[0].voltage_v, low), (valued[-1].voltage_v, high))
    ]
    for reading in (valued[0], valued[-1]):
        if reading.u_voltage_v:
            parts.append(Influence("voltage", reading.u_voltage_v / reading.voltage_v / span))
    value = math.log(high[0] / low[0]) / span
    return Estimate(value, math.hypot(*(p.u for p in parts)), "", influences=tuple(parts))


def _bends(reading: LoadReading) -> bool:
    amps = _amps(reading)
    if amps is None:
        return False
    return reading.method != "supply-readback" or amps[0] >= _READBACK_LEAST_A


def judge_load(readings: Readings, *, good: Sequence[Readings] = ()) -> LoadJudgement:
    """Judge a load, by boards known to be good where there are any.

    `good` are readings of the same rail on boards of the same type; others are left out. Useful
    without one: the word then rests on the exponent and on what no healthy rail has. Raises
    InputError where there is no load to judge.
    """
    if not readings.load:
        raise InputError(
            f"{readings.specimen} has no reading of a load",
            hint="read the current at 0.1 V and at 0.3 V",
        )
    resistance, exponent = resistance_of(readings.load), exponent_of(readings.load)
    usable = [g for g in good if (g.board, g.rail) == (readings.board, readings.rail)]
    ratio = _ratio(resistance, usable)
    word, because, would = _decide(readings, resistance, exponent, ratio, usable)
    remarks = _remarks(readings, usable, ratio)
    if word == "dead" and (resistance is None or resistance.value < _METAL_DEAD_OHM):
        remarks = (*remarks, _FIND_SHORT)
    return LoadJudgement(
        readings.specimen, readings.board, readings.rail, word, because, resistance, exponent,
        ratio, would, remarks,
    )  # fmt: skip


_ASK_GOOD = WouldDecide("measure-good-board", "measure the same rail on a board known to be good")
_ASK_HIGHER = WouldDecide("measure-higher", "read again at 0.1 V and 0.3 V, with a multimeter")
_ASK_STILL = WouldDecide(
    "let-settle", "clips firm, board discharged and cool, nothing else joined; then read again"
)
_ASK_WARM = WouldDecide(
    "warm",
    "warm the load by 10 K and read again: silicon draws much more, metal 4 % less "
    "(no spray near flames or heat; dry before the next reading)",
)

_FIND_SHORT = (
    "do not fit: find the short first. 1 A into the rail (0.2 V at most), multimeter minus on "
    "ground beside the clip: the millivolts fall to the least where the current leaves the plane "
    "(some 0.5 mV per square of copper)"
)

_Said = tuple[LoadWord, str, tuple[WouldDecide, ...]]


def _decide(
    readings: Readings,
    resistance: Estimate | None,
    exponent: Estimate | None,
    ratio: Estimate | None,
    good: Sequence[Readings],
) -> _Said:
    if resistance is None:
        return _without_current(readings, good)
    ohms = format_si(resistance.value, "Ω")
    if resistance.value + 2.0 * resistance.u < _DEAD_OHM:
        return "dead", f"{ohms}: no rail in order has so little", ()
    metal = _is_metal(exponent, good)
    if ratio is not None:
        said = f"{ohms}, {ratio.value:.2g} times that of a good board"
        share = _share(readings, exponent, good)
        if (
            share is not None
            and share.value - 2.0 * share.u > _METAL_MOST
            and ratio.value + 2.0 * ratio.u < _METAL_RATIO
        ):
            return "dead", f"{said}, {_per_cent(share)} of the current through metal", ()
        if ratio.value + 2.0 * ratio.u < DEAD_RATIO:
            if (
                share is not None
                and share.value + 2.0 * share.u < _METAL_NONE
                and ratio.value > _FAR_RATIO
            ):
                return "undecided", f"{said}, but bent like one: warm, or hurt?", (_ASK_WARM,)
            return "dead", said, ()
        if ratio.value < DEAD_RATIO:
            return "undecided", f"{said}: too close to {DEAD_RATIO:g}", (_ASK_WARM,)
        if share is not None and share.value - 2.0 * share.u > _METAL_SOME:
            return (
                "undecided", f"{said}, {_per_cent(share)} of the current through metal?",
                (_ASK_WARM,),
            )  # fmt: skip
        if metal and exponent is not None and ratio.value < 0.9:
            return (
                "undecided", f"{said}, and bent like metal (exponent {exponent.value:.2f})",
                (_ASK_WARM,),
            )  # fmt: skip
        return "alive", said, ()
    least = _least_good_ohms(good)
    most = resistance.value + 2.0 * resistance.u
    if least is not None and most < DEAD_RATIO * least:
        said = f"{ohms}, a good board has more than {format_si(least, 'Ω')}"
        return "dead", said, ()
    if is_input(readings.rail) and resistance.value - 2.0 * resistance.u > _QUIET_INPUT_OHM:
        return "alive", f"{ohms}: no short on the input", ()
    if exponent is None:
        return "undecided", f"{ohms}, ratio unknown", (_ASK_HIGHER, _ASK_GOOD)
    bent = f"{ohms}, exponent {exponent.value:.2f}"
    if metal and resistance.value + 2.0 * resistance.u < _METAL_DEAD_OHM:
        return "dead", f"{bent}: a metallic short, ratio unknown", ()
    if exponent.value + 2.0 * exponent.u < _JUNCTION_BELOW:
        return "alive", f"{bent}: bent like silicon, ratio unknown", ()
    return "undecided", f"{bent}, ratio unknown", (_ASK_GOOD, _ASK_WARM)


def _without_current(readings: Readings, good: Sequence[Readings]) -> _Said:
    below = [r for r in readings.load if r.status == "over-range" and r.less_than_a is not None]
    above = [r for r in readings.load if r.status == "over-range" and r.greater_than_a is not None]
    for r in above:
        most = r.voltage_v / (r.greater_than_a or math.inf)
        if most < _DEAD_OHM:
            return "dead", f"less than {format_si(most, 'Ω')}", ()
    if below:
        least = max(r.voltage_v / (r.less_than_a or math.inf) for r in below)
        reference = _good_ohms(good)
        if reference is not None and least > DEAD_RATIO * reference:
            return "alive", f"more than {format_si(least, 'Ω')}, as much as a good board", ()
        if is_input(readings.rail) and least > _QUIET_INPUT_OHM:
            return "alive", f"more than {format_si(least, 'Ω')}: no short on the input", ()
        said = f"more than {format_si(least, 'Ω')}: the current cannot be told from zero"
        through = WouldDecide("use-multimeter", "read through 100 Ω with the multimeter across it")
        return "undecided", said, (through,)
    if any(r.status == "unstable" for r in readings.load):
        return "undecided", "the readings did not come to rest", (_ASK_STILL,)
    return "undecided", "no current could be read", (_ASK_HIGHER,)


def _is_metal(exponent: Estimate | None, good: Sequence[Readings]) -> bool:
    """Tell whether the exponent is that of metal, and no good board's is."""
    if exponent is None or abs(exponent.value - 1.0) > _METAL_WITHIN + 2.0 * exponent.u:
        return False
    if exponent.u > 2.0 * _METAL_WITHIN:
        return False
    known = [e.value for g in good if (e := exponent_of(g.load)) is not None]
    return not known or median(known) + 3.0 * _EXPONENT_SD < exponent.value


def _share(
    readings: Readings, exponent: Estimate | None, good: Sequence[Readings]
) -> Estimate | None:
    """Return the share of the current that metal carries, beside good boards."""
    known = [e for g in good if (e := exponent_of(g.load)) is not None]
    if exponent is None or not known:
        return None
    volts = [r.voltage_v for r in readings.load if _bends(r)]
    u = math.hypot(median(e.u for e in known), _EXPONENT_SD)
    sound = Estimate(median(e.value for e in known), u, "")
    return metal_share(exponent, sound, voltage_ratio=max(volts) / min(volts))


def _per_cent(share: Estimate) -> str:
    return f"{100.0 * min(1.0, share.value):.0f} %"


def _good_ohms(good: Sequence[Readings]) -> float | None:
    known = [r.value for g in good if (r := resistance_of(g.load)) is not None]
    return median(known) if known else None


def _least_good_ohms(good: Sequence[Readings]) -> float | None:
    """Return what the good boards have at least, where their current was too small to tell."""
    known = [
        max(r.voltage_v / r.less_than_a for r in g.load if r.less_than_a)
        for g in good if any(r.less_than_a for r in g.load)
    ]  # fmt: skip
    return min(known, default=None)


def _ratio(resistance: Estimate | None, good: Sequence[Readings]) -> Estimate | None:
    known = [r for g in good if (r := resistance_of(g.load)) is not None]
    if resistance is None or not known:
        return None
    centre = median(r.value for r in known)
    relative = median(r.u / r.value for r in known)
    value = resistance.value / centre
    parts = (
        Influence("this board", value * resistance.u / resistance.value),
        Influence("the good board", value * relative),
    )
    return Estimate(value, math.hypot(*(p.u for p in parts)), "", influences=parts)


def _remarks(
    readings: Readings, good: Sequence[Readings], ratio: Estimate | None
) -> tuple[str, ...]:
    said: list[str] = []
    if ratio is None:
        said.append("ratio unknown: no good board of this type has been measured")
    for again in readings.load:
        first = earlier_of(again, readings.load) if again.repeat else None
        if first is None:
            continue
        one, two = _amps(first), _amps(again)
        if one is None or two is None:
            continue
        # read at not quite the same voltage: what a resistor would draw at that of the first
        back = two[0] * first.voltage_v / again.voltage_v if again.voltage_v else two[0]
        if abs(back - one[0]) > _REPEATS_WITHIN * one[0] + 3.0 * (one[1] + two[1]):
            said.append(f"not the same on the way back at {again.voltage_v:.3g} V: let it settle")
    return tuple(said)


def _amps(reading: LoadReading) -> tuple[float, float] | None:
    """Return a current and its uncertainty where it can be told from zero (A)."""
    if reading.current_a is None or reading.u_current_a is None:
        return None
    if reading.current_a < 3.0 * reading.u_current_a:
        return None
    return reading.current_a, reading.u_current_a


def _mean(load: Sequence[LoadReading], volts: float) -> tuple[float, float]:
    pairs = [pair for r in load if r.voltage_v == volts and (pair := _amps(r)) is not None]
    # the errors of both readings are mostly common: the mean is no better than one
    return math.fsum(p[0] for p in pairs) / len(pairs), max(p[1] for p in pairs)
