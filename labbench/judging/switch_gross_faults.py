"""Name what breaks a MOSFET outright: shorts and leaks at 0.2 V, and what no longer conducts."""

from __future__ import annotations

__all__ = ["name_opens", "name_shorts"]

import math
from collections.abc import Iterator

from labbench.judging.leak_separation import ratio_by_law
from labbench.judging.switch_findings import make_finding
from labbench.parts.mosfet_type import MosfetType
from labbench.quantities import format_si
from labbench.results import Finding, Readings, ShortCheck

#: below this at 0.2 V a path is broken, whatever the part (a Schottky diode conducts some there)
_SHORT_OHM, _SCHOTTKY_SHORT_OHM = 1e3, 300.0
_SHORT_V = 0.2
#: how much flatter than usual the law of a sound Schottky diode may be
_FLATTEST_SDS = 3.0
#: what no healthy junction or gate shows at 0.2 V
_LEAK_OHM = 100e3
#: a break-through of metal has less, a damaged junction more
_METAL_OHM, _PERHAPS_METAL_OHM = 5.0, 30.0


def name_shorts(readings: Readings, part: MosfetType) -> Iterator[Finding]:
    """Yield the short, or the leak at 0.2 V, that the short check shows."""
    low: dict[str, float] = {}
    for entry in readings.short_check:
        ohms = _at_most(entry)
        if ohms is None:
            continue
        if "schottky" in part.features and entry.path in ("drain-source", "source-drain"):
            limit = _SCHOTTKY_SHORT_OHM
            if entry.path == "drain-source" and entry.polarity == "+":
                limit = max(limit, _least_schottky_ohm(part))
        elif entry.path == "source-drain" or entry.polarity == "-":
            # the body diode's direction
            limit = _SHORT_OHM
        else:
            limit = _LEAK_OHM
        if "gate-clamp" in part.features and "gate" in entry.path:
            # a sound clamp's current grows at least in proportion to the voltage
            sound = [one.voltage_v / one.upper_a for one in part.gate_leakage]
            limit = max(_SHORT_OHM, min([_LEAK_OHM, *sound])) if sound else _SHORT_OHM
        if ohms < limit:
            low[entry.path] = ohms
    if not low:
        return
    gate = min((ohms for path, ohms in low.items() if "gate" in path), default=None)
    drain = min((ohms for path, ohms in low.items() if "gate" not in path), default=None)
    ohms = min(x for x in (gate, drain) if x is not None)
    others: tuple[str, ...] = ()
    if gate is not None and drain is not None:
        # with the third terminal tied to source a path from gate to drain shows in both
        path, others = "gate-drain", ("short drain-source", "short gate-source")
        if drain < 0.5 * gate:
            path, others = "drain-source", ("short gate-drain",)
    elif gate is not None:
        path, others = "gate-source", ("short gate-drain",)
    else:
        path = "drain-source"
    fault = "short" if ohms < _METAL_OHM else "leak"
    if fault == "leak":
        others = tuple(other.replace("short ", "leak ") for other in others)
        if ohms < _PERHAPS_METAL_OHM:
            others = ("short", *others)
    because = f"{format_si(ohms, 'Ω', 2)} at 0.2 V, {path.replace('-', ' to ')}"
    yield make_finding(fault, path, "sure", 0.0, because, *others)


def _least_schottky_ohm(part: MosfetType) -> float:
    """Return what a sound Schottky type has at least at 0.2 V: its limit, led down by its law."""
    ohms = [_LEAK_OHM]
    for limit in part.drain_leakage:
        ln_k, sd = ratio_by_law(_SHORT_V, limit.voltage_v, schottky=True)
        ohms.append(_SHORT_V / limit.upper_a * math.exp(ln_k - _FLATTEST_SDS * sd))
    return min(ohms) if len(ohms) > 1 else 0.0


def _at_most(entry: ShortCheck) -> float | None:
    if entry.resistance_ohm is not None:
        return entry.resistance_ohm
    return entry.less_than_ohm if entry.status == "over-range" else None


def name_opens(readings: Readings) -> Iterator[Finding]:
    """Yield what no longer conducts: the body diode, or the channel at any gate voltage."""
    open_diode = any(
        e.status == "over-range" and e.greater_than_v is not None for e in readings.body_diode
    )
    open_channel = any(
        e.status == "over-range" and e.greater_than_ohm is not None for e in readings.on_resistance
    )
    no_threshold = any(
        e.status == "over-range" and e.greater_than_v is not None for e in readings.threshold
    )
    if open_diode:
        because = "no current through the body diode"
        if open_channel or not readings.on_resistance:
            yield make_finding("open", "drain-source", "sure", 0.0, because, "lifted-bond")
        else:
            yield make_finding("not-as-marked", None, "suspect", 0.05, because, "open")
    elif open_channel or (no_threshold and not readings.on_resistance):
        because = "the body diode conducts, but no gate voltage turns the channel on"
        yield make_finding(
            "open", "gate-source", "sure", 0.0, because, "lifted-bond", "threshold-shift"
        )
