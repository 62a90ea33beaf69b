"""Take from a verdict the resistances by which a part shares current, at 25 degrees.

A coil has its DC resistance (corrected as copper), a MOSFET its on-resistance at a gate voltage, a
power stage one on-resistance for each of its switches.
"""

from __future__ import annotations

__all__ = ["AT_C", "Ohms", "resistance_of_readings", "resistances"]

from collections.abc import Iterable, Mapping

from attrs import frozen

from labbench.judging.characteristics import resistance_at
from labbench.metrology.semiconductor import ON_RESISTANCE_PER_K
from labbench.metrology.temperature import copper_resistance_at
from labbench.results import Characteristic, Readings

#: resistances are compared at this temperature
AT_C = 25.0
#: U95 is taken as twice the standard uncertainty
_K = 2.0
#: of a power stage: characteristic -> place
_OF_STAGE = {"on-resistance-sw-pgnd": "low_side", "on-resistance-vin-sw": "high_side"}


@frozen
class Ohms:
    """Hold a resistance and its standard uncertainty (ohm)."""

    value_ohm: float
    u_ohm: float


def resistances(
    characteristics: Iterable[Characteristic], *, gate_source_v: float | None = None
) -> Mapping[str, Ohms]:
    """Return what a part would share by: place (coil, low_side, high_side) -> resistance.

    A MOSFET may be put in either place. Without a gate voltage its highest one counts. What was
    not measured, or has no uncertainty, is absent.
    """
    found: dict[str, Ohms] = {}
    on: dict[float, Ohms] = {}
    for each in characteristics:
        if each.value is None or not each.value > 0.0 or each.expanded_uncertainty is None:
            continue
        at_c = each.conditions.get("temperature_c", AT_C)
        if each.name == "dc-resistance":
            factor = copper_resistance_at(1.0, at_c, AT_C)
            found["coil"] = _ohms(each.value, each.expanded_uncertainty, factor)
        elif each.name in _OF_STAGE or each.name == "on-resistance":
            factor = 1.0 + ON_RESISTANCE_PER_K * (AT_C - at_c)
            ohms = _ohms(each.value, each.expanded_uncertainty, factor)
            if each.name in _OF_STAGE:
                found[_OF_STAGE[each.name]] = ohms
            else:
                on[each.conditions.get("gate_source_v", 0.0)] = ohms
    if on:
        volts = max(on, key=abs) if gate_source_v is None else gate_source_v
        chosen = next((o for v, o in on.items() if abs(v - volts) < 1e-3), None)
        if chosen is not None:
            found["low_side"] = found["high_side"] = chosen
    return found


def resistance_of_readings(
    readings: Readings, *, gate_source_v: float | None = None
) -> Mapping[str, Ohms]:
    """Return the same of raw readings (of a neighbour that was measured and not judged).

    On-resistances are taken as read: nobody says how warm a neighbour's junction was.
    """
    found: dict[str, Ohms] = {}
    if readings.dc_resistance is not None:
        at = resistance_at(readings.dc_resistance, AT_C, part_temperature_c=readings.temperature_c)
        if at is not None and at.value_ohm > 0.0:
            found["coil"] = Ohms(at.value_ohm, at.u_ohm)
    on = {
        each.gate_source_v: Ohms(each.value_ohm, each.u_ohm)
        for each in readings.on_resistance
        if each.value_ohm is not None and each.u_ohm is not None and each.value_ohm > 0.0
    }
    if on:
        volts = max(on, key=abs) if gate_source_v is None else gate_source_v
        if (chosen := on.get(volts)) is not None:
            found["low_side"] = found["high_side"] = chosen
    for stage in readings.stage:
        place = _OF_STAGE.get(f"{stage.step}-{stage.path}")
        if place and stage.value is not None and stage.u is not None and stage.value > 0.0:
            found.setdefault(place, Ohms(stage.value, stage.u))
    return found


def _ohms(value: float, expanded: float, factor: float) -> Ohms:
    return Ohms(value * factor, expanded * factor / _K)
