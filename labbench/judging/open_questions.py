"""Collect what keeps a specimen from being called fit, and what would settle it."""

from __future__ import annotations

__all__ = ["Questions", "questions_about"]

import math
from collections.abc import Sequence

from attrs import frozen

from labbench.judging.coil_lot_book import LotView
from labbench.judging.conformity import decide, needed_expanded_uncertainty
from labbench.judging.input_doubts import Doubt
from labbench.judging.short_details import loop_resistance
from labbench.metrology.accuracy import MULTIMETER_CLASSES, SUPPLY_CLASSES
from labbench.metrology.expected import BenchAccuracies, expected_resistance
from labbench.parts.coil_type import CoilType
from labbench.quantities import format_si
from labbench.results import Characteristic, Finding, Readings, WouldDecide

# a bench that measures resistance in these ways has no multimeter to do it better with
_WITHOUT_MULTIMETER = ("supply-readback", "impedance-meter")
_TOP_HZ = 0.9e6
_USE_MULTIMETER = WouldDecide("use-multimeter", "measure the dc resistance with the multimeter")
_HIGHER_FREQUENCY = WouldDecide("higher-frequency", "sweep up to 1 MHz")
_MORE_SIBLINGS = WouldDecide("more-siblings", "measure three parts from the same board as siblings")
_SURE_SIBLINGS = WouldDecide("more-siblings", "measure siblings that are surely of the same lot")
# A sweep that leaves shorts with a lower corner than this unseen (some 0.2 ohm in a power coil)
# has not done what it is there for. Where to draw this line is a choice, not a measured fact.
_CORNER_OF_CONCERN_HZ = 1.15e6
_NORMAL_95 = 1.959963984540054
# What another bench would have: a 5.5-digit multimeter, a 1 mV/1 mA supply, 30 mW in the part.
_USUAL_BENCH = BenchAccuracies(
    multimeter=MULTIMETER_CLASSES["5.5-digit"], supply=SUPPLY_CLASSES["1mV-1mA"]
)
_USUAL_CURRENT_A, _USUAL_POWER_W, _USUAL_PAIRS = 3.0, 30e-3, 4


@frozen
class Questions:
    """Hold what is open (more work would settle it), reservations, remarks and actions."""

    open: bool
    #: why the readings, or the siblings, cannot be believed: said before anything else
    doubts: tuple[str, ...]
    reservations: tuple[str, ...]
    remarks: tuple[str, ...]
    would_decide: tuple[WouldDecide, ...]


class _Collector:
    def __init__(self) -> None:
        self.open = False
        self.doubts: list[str] = []
        self.reservations: list[str] = []
        self.remarks: list[str] = []
        self.would: list[WouldDecide] = []

    def ask(self, action: WouldDecide) -> None:
        self.open = True
        self.advise(action)

    def advise(self, action: WouldDecide) -> None:
        if action not in self.would:
            self.would.append(action)


def questions_about(
    readings: Readings,
    part: CoilType,
    characteristics: Sequence[Characteristic],
    findings: Sequence[Finding],
    *,
    doubts: Sequence[Doubt],
    learned: Sequence[str],
    strangers: Sequence[str],
    visible_corner_hz: float | None,
    risk: float,
    lot: LotView | None = None,
    saturation_remark: str | None = None,
) -> Questions:
    """Collect the open questions of a specimen.

    `learned` are the siblings that gave limits, `strangers` those left out because they are of
    another type or lot. `visible_corner_hz` is the corner up to which a loop of shorted turns
    would have been seen, None where there was no sweep.
    """
    collector = _Collector()
    for doubt in doubts:
        collector.doubts.append(doubt.text)
        collector.ask(WouldDecide(doubt.action, doubt.advice))
    doubted = {block for doubt in doubts for block in doubt.blocks}
    for characteristic in characteristics:
        if characteristic.name == "inductance" and "impedance" not in doubted:
            _about_inductance(collector, characteristic, readings, risk)
        if characteristic.name == "dc-resistance" and "dc-resistance" not in doubted:
            _about_resistance(collector, characteristic, readings, risk)
        if characteristic.name == "saturation" and characteristic.verdict == "undecided":
            collector.ask(WouldDecide("repeat", "measure the inductance under bias again"))
        if characteristic.name == "insulation" and characteristic.verdict not in (
            "conforms", "fails",
        ):  # fmt: skip
            collector.ask(
                WouldDecide("wash", "wash and dry the part, measure its insulation again")
            )
    if not part.inductance and readings.impedance is None:
        collector.ask(WouldDecide("measure-impedance", "take the impedance sweep"))
    _about_findings(collector, findings, readings)
    if visible_corner_hz is not None and not findings:
        _about_sight(collector, part, readings, visible_corner_hz)
    if lot is not None:
        _about_lot(collector, lot, findings)
    if learned:
        collector.reservations.append(f"dc resistance limits learned from {len(learned)} siblings")
    if part.learned_from:
        collector.reservations.append(f"limits learned from {len(part.learned_from)} parts")
    collector.remarks += [f"assumed: {text}" for text in part.assumed]
    if strangers:
        collector.remarks.append(
            f"siblings of another type or lot were left out: {', '.join(strangers)}"
        )
    if part.saturation is not None and not any(c.name == "saturation" for c in characteristics):
        collector.remarks.append(saturation_remark or "saturation was not checked")
    dc = readings.dc_resistance
    if dc is not None and dc.temperature_c is None and readings.temperature_c is None:
        collector.remarks.append("temperature not measured: 23 °C ± 10 °C assumed")
    return Questions(
        collector.open,
        tuple(collector.doubts),
        tuple(collector.reservations),
        tuple(collector.remarks),
        tuple(collector.would),
    )


def _about_lot(collector: _Collector, lot: LotView, findings: Sequence[Finding]) -> None:
    """Say what the siblings were good for."""
    if lot.unlike.specimens:
        names = ", ".join(lot.unlike.specimens)
        if lot.unlike.all_differ:
            collector.remarks.append(f"siblings unlike each other, not used: {names}")
            collector.advise(_MORE_SIBLINGS)
        else:
            collector.remarks.append(f"sibling left out, unlike the others: {names}")
    if lot.other_lot:
        text = "unlike its siblings, as a part of another lot would be"
        if findings:
            collector.remarks.append(text)
        else:
            collector.doubts.append(text)
            collector.ask(_SURE_SIBLINGS)
    elif lot.reference is not None:
        collector.remarks.append(f"compared with {len(lot.reference.specimens)} siblings")


def _about_sight(
    collector: _Collector, part: CoilType, readings: Readings, corner_hz: float
) -> None:
    """Say which shorts this sweep could not have shown."""
    nominal, turns = part.nominal_inductance_h, part.turns
    if nominal is not None and turns is not None and turns > 1:
        text = format_si(loop_resistance(corner_hz, nominal, turns), "ohm", 1)
        text = f"shorts above {text} not checked"
    else:
        text = f"shorts above a corner of {format_si(corner_hz, 'Hz', 1)} not checked"
    if corner_hz >= _CORNER_OF_CONCERN_HZ:
        collector.remarks.append(text)
        return
    collector.reservations.append(text)
    impedance = readings.impedance
    if impedance is not None and max(impedance.frequency_hz) < _TOP_HZ:
        collector.advise(_HIGHER_FREQUENCY)


def _about_inductance(
    collector: _Collector, c: Characteristic, readings: Readings, risk: float
) -> None:
    at = format_si(c.conditions["frequency_hz"], "Hz")
    if c.verdict == "not-measured":
        if c.status == "unstable":
            collector.ask(WouldDecide("press-again", "press the part in again: unstable"))
        elif c.status == "over-range":
            # the sweep was taken: nothing closed its circuit
            collector.ask(WouldDecide("press-again", f"press the part in again: open at {at}"))
        else:
            collector.ask(WouldDecide("measure-impedance", f"take the sweep, with {at} in it"))
    elif c.verdict == "undecided" and (c.lower is not None or c.upper is not None):
        if _hopeless(c, risk):
            # nothing on this bench sees better: said, and left at that
            collector.reservations.append(f"inductance known only within {_u_text(c)}")
            text = f"measure with less uncertainty than {_u_text(c)} at {at}"
            collector.advise(WouldDecide("better-meter", text))
        else:
            collector.ask(_for_inductance(c, readings, risk, at))


def _about_resistance(
    collector: _Collector, c: Characteristic, readings: Readings, risk: float
) -> None:
    dc = readings.dc_resistance
    if c.verdict == "not-measured":
        if c.status == "unstable":
            collector.ask(WouldDecide("wait", "let the part cool, then measure its dc resistance"))
        else:
            collector.ask(
                WouldDecide("measure-dc-resistance", "measure the dc resistance at four terminals")
            )
        return
    if c.verdict != "undecided":
        return
    if c.lower is None and c.upper is None:
        collector.reservations.append("no limit for the dc resistance: joint not checked")
        collector.advise(_MORE_SIBLINGS)
        return
    without = dc is not None and dc.method in _WITHOUT_MULTIMETER
    if not _hopeless(c, risk):
        again = WouldDecide("repeat", "measure the dc resistance again, probes on the pads")
        collector.ask(_with_figures(_by_multimeter(c) if without else again, c, risk))
    elif without:
        # nothing on this bench sees better: said, and left at that
        collector.reservations.append(f"joint not checked below {_u_text(c)}")
        collector.advise(_by_multimeter(c))
    else:
        collector.ask(_USE_MULTIMETER)


def _for_inductance(c: Characteristic, readings: Readings, risk: float, at: str) -> WouldDecide:
    """Say whether averaging could settle it: gain and contacts stay however long it is averaged."""
    needed = _needed(c, risk)
    floor = _inductance_floor_h(c, readings)
    if needed is not None and floor is not None and _NORMAL_95 * floor > needed:
        stays = format_si(_NORMAL_95 * floor, "H", 2)
        action = WouldDecide(
            "better-meter", f"another meter at {at}: ± {stays} stay however long it is averaged"
        )
    else:
        action = WouldDecide("repeat", f"repeat the sweep, averaging longer at {at}")
    return _with_figures(action, c, risk)


def _inductance_floor_h(c: Characteristic, readings: Readings) -> float | None:
    """Return what gain and contacts leave of u at the limit's frequency (H); None if not known."""
    block, contact = readings.impedance, readings.contact
    if block is None or block.u_gain_relative is None or contact is None or c.value is None:
        return None
    wanted = c.conditions["frequency_hz"]
    i = min(range(len(block.frequency_hz)), key=lambda k: abs(block.frequency_hz[k] - wanted))
    return math.hypot(block.u_gain_relative[i] * abs(c.value), contact.u_inductance_h)


def _by_multimeter(c: Characteristic) -> WouldDecide:
    """Name the multimeter, with what it would know this value to on a usual bench."""
    if c.value is None or c.value <= 0.0:
        return _USE_MULTIMETER
    known = expected_resistance(
        c.value, _USUAL_BENCH, method="multimeter-on-off", pairs=_USUAL_PAIRS,
        current_a=min(_USUAL_CURRENT_A, math.sqrt(_USUAL_POWER_W / c.value)),
    )  # fmt: skip
    if known is None:
        return _USE_MULTIMETER
    expected = format_si(_NORMAL_95 * known.u, "ohm", 2)
    return WouldDecide(
        _USE_MULTIMETER.action, f"{_USE_MULTIMETER.text}: ± {expected} on a usual bench"
    )


def _with_figures(action: WouldDecide, c: Characteristic, risk: float) -> WouldDecide:
    needed = _needed(c, risk)
    if needed is None:
        return action
    return WouldDecide(
        action.action,
        f"{action.text} (this value needs ± {format_si(needed, c.unit, 2)}, it has ± {_u_text(c)})",
    )


def _needed(c: Characteristic, risk: float) -> float | None:
    if c.value is None:
        return None
    return needed_expanded_uncertainty(c.value, c.lower, c.upper, risk=risk)


def _about_findings(collector: _Collector, findings: Sequence[Finding], readings: Readings) -> None:
    for finding in findings:
        if finding.grade == "sure":
            continue
        if finding.fault == "open-winding":
            if readings.dc_resistance is None:
                collector.ask(
                    WouldDecide("measure-dc-resistance", "measure the dc resistance as well")
                )
            if readings.impedance is None:
                collector.ask(WouldDecide("measure-impedance", "take the sweep as well"))
        top = max(readings.impedance.frequency_hz) if readings.impedance is not None else 0.0
        if finding.fault in ("shorted-turn", "lossy-core") and top < _TOP_HZ:
            collector.ask(_HIGHER_FREQUENCY)
        collector.ask(
            WouldDecide("press-again", "clean the pads, press the part in again, repeat the sweep")
        )


def _hopeless(c: Characteristic, risk: float) -> bool:
    """Tell whether not even a part in the middle of its limits could be accepted so."""
    if c.expanded_uncertainty is None:
        return False
    if c.lower is not None and c.upper is not None:
        best = 0.5 * (c.lower + c.upper)
    elif c.upper is not None:
        # a typical part; common practice, no source
        best = 0.87 * c.upper
    else:
        assert c.lower is not None
        best = c.lower / 0.87
    u = c.expanded_uncertainty / _NORMAL_95
    return decide(best, u, c.lower, c.upper, risk=risk).verdict != "conforms"


def _u_text(c: Characteristic) -> str:
    assert c.expanded_uncertainty is not None
    return format_si(c.expanded_uncertainty, c.unit, 2)
