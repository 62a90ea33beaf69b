"""Decide the characteristics of a MOSFET against the limits of its type."""

from __future__ import annotations

__all__ = ["decide_limits", "limit_count"]

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from labbench.judging.conformity import decide
from labbench.judging.leak_separation import ratio_by_law
from labbench.judging.switch_quantities import PartTemperature, same
from labbench.metrology.semiconductor import (
    LEAKAGE_DOUBLING_K,
    ON_RESISTANCE_PER_K,
    THRESHOLD_V_PER_K,
    diode_v_per_k,
    leakage_factor,
)
from labbench.parts.mosfet_type import LeakageLimit, MosfetType, VoltageLimit
from labbench.results import Characteristic, Readings, Status

#: a reading at this share of the limit's voltage or more is led on to it by its own power law
_NEAR_BELOW = 0.6
#: how well that power is known near the limit, from two voltages this far apart; and without them
_U_POWER, _APART, _U_POWER_UNKNOWN = 0.5, 1.5, 1.0
_STEEPEST = 6.0
#: how much flatter than usual a sound junction's law may be
_FLATTEST_SDS = 3.0
#: a part of unknown temperature may be 20 K warmer than the limit's: its leakage four times
_UNKNOWN_WARMTH = 4.0


def limit_count(part: MosfetType) -> int:
    """Return how many limits the type has."""
    return sum(
        len(limits)
        for limits in (
            part.drain_leakage, part.gate_leakage, part.threshold, part.body_diode,
            part.breakdown, part.on_resistance,
        )
    )  # fmt: skip


def decide_limits(
    readings: Readings,
    part: MosfetType,
    temperature: PartTemperature,
    *,
    risk: float,
    rejection_risk: float,
) -> tuple[Characteristic, ...]:
    """Decide every limit of the type; what was not measured at its conditions says so."""
    risks: dict[str, Any] = {"risk": risk, "rejection_risk": rejection_risk}
    found: list[Characteristic] = []
    for leak in part.drain_leakage:
        found.append(
            _leakage(
                "drain-leakage",
                "drain_source_v",
                leak,
                readings.drain_leakage,
                temperature,
                risks,
                schottky="schottky" in part.features,
            )
        )
    for leak in part.gate_leakage:
        for sign in (1.0, -1.0):
            entries = [e for e in readings.gate_leakage if e.voltage_v * sign > 0.0]
            if entries or sign > 0.0:
                mirrored = LeakageLimit(leak.upper_a, sign * leak.voltage_v, leak.temperature_c)
                found.append(_leakage("gate-leakage", "gate_source_v", mirrored, entries,
                                      temperature, risks))  # fmt: skip
    for volts, name, entries_v in (
        (part.threshold, "threshold", readings.threshold),
        (part.body_diode, "body-diode", readings.body_diode),
        (part.breakdown, "breakdown", readings.breakdown),
    ):
        for limit in volts:
            found.append(_voltage(name, limit, entries_v, temperature, risks))
    found += _on_resistances(readings, part, temperature, risks)
    return tuple(found)


def _leakage(
    name: str,
    condition: str,
    limit: LeakageLimit,
    entries: Sequence[Any],
    temperature: PartTemperature,
    risks: Mapping[str, Any],
    *,
    schottky: bool = False,
) -> Characteristic:
    conditions = {condition: limit.voltage_v, "temperature_c": limit.temperature_c}
    chosen, steps_v, u_steps_v = _leak_entry(limit, entries)
    if chosen is None:
        chosen, steps_v, u_steps_v = _led_on(name, limit, entries, schottky=schottky)
    if chosen is None:
        return _missing(name, conditions, "A", None, limit.upper_a)
    if steps_v != 1.0:
        conditions["measured_at_v"] = chosen.voltage_v
    if chosen.current_a is None or chosen.u_current_a is None:
        decision = decide(
            None, None, None, limit.upper_a, status=chosen.status,
            greater_than=chosen.greater_than_a, less_than=chosen.less_than_a, **risks,
        )  # fmt: skip
        return _characteristic(name, conditions, None, "A", None, limit.upper_a, decision,
                               chosen.status)  # fmt: skip
    # gate leakage is no junction's: it is compared as measured
    factor, u_relative = 1.0, 0.0
    if name == "drain-leakage":
        factor = leakage_factor(temperature.celsius, limit.temperature_c)
        u_relative = math.log(2.0) / LEAKAGE_DOUBLING_K * temperature.u_k
    factor *= steps_v
    value = abs(chosen.current_a) * factor
    u = math.hypot(chosen.u_current_a * factor, value * u_relative, value * u_steps_v)
    decision = decide(value, u, None, limit.upper_a, **risks)
    if not temperature.known and name == "drain-leakage" and decision.verdict == "fails":
        cold = decide(value / _UNKNOWN_WARMTH, u / _UNKNOWN_WARMTH, None, limit.upper_a, **risks)
        if cold.verdict != "fails":
            decision = cold if cold.verdict == "undecided" else decide(
                value, u, None, None, **risks
            )  # fmt: skip
    return _characteristic(name, conditions, value, "A", None, limit.upper_a, decision,
                           chosen.status)  # fmt: skip


def _leak_entry(limit: LeakageLimit, entries: Sequence[Any]) -> tuple[Any | None, float, float]:
    """Choose the reading for the limit, the factor to the limit's voltage, and its relative u.

    A reading somewhat below the limit's voltage (the series resistor takes its part) is led on by
    the power of the voltage that this part itself shows. Farther off, a leak only grows with the
    voltage: at a higher one what is small enough is so at the limit's too, and at a lower one what
    is too large is too large.
    """
    at = [e for e in entries if same(e.voltage_v, limit.voltage_v) and not e.repeat]
    if at:
        return at[0], 1.0, 0.0
    want = abs(limit.voltage_v)
    valued = sorted(
        (e for e in entries if e.current_a is not None and not e.repeat),
        key=lambda e: abs(e.voltage_v),
    )
    if valued and _NEAR_BELOW * want <= abs(valued[-1].voltage_v) < want:
        near, first = valued[-1], valued[0]
        step = math.log(want / abs(near.voltage_v))
        power, u_power = 1.0, _U_POWER_UNKNOWN
        if first.current_a and abs(near.voltage_v) > _APART * abs(first.voltage_v):
            power = math.log(abs(near.current_a / first.current_a)) / math.log(
                abs(near.voltage_v / first.voltage_v)
            )
            power, u_power = min(max(power, 0.0), _STEEPEST), _U_POWER
        return near, math.exp(power * step), u_power * step
    for entry in reversed(valued):
        beyond = abs(entry.voltage_v) > want and abs(entry.current_a) < limit.upper_a
        below = abs(entry.voltage_v) < want and abs(entry.current_a) > limit.upper_a
        if beyond or below:
            return entry, 1.0, 0.0
    return None, 1.0, 0.0


def _led_on(
    name: str, limit: LeakageLimit, entries: Sequence[Any], *, schottky: bool
) -> tuple[Any | None, float, float]:
    """Lead a reading far below the limit's voltage on by the flattest law, to fail it.

    A drain leaks at the limit's voltage at least what the flattest law of a sound junction makes of
    the reading, a gate at least in proportion; if that is too much, the part fails whatever else it
    does there.
    """
    want = abs(limit.voltage_v)
    below = [
        e for e in entries
        if e.current_a is not None and not e.repeat and 0.0 < abs(e.voltage_v) < want
    ]  # fmt: skip
    if not below:
        return None, 1.0, 0.0
    highest = max(below, key=lambda e: abs(e.voltage_v))
    factor = want / abs(highest.voltage_v)
    if name == "drain-leakage":
        ln_k, sd = ratio_by_law(highest.voltage_v, want, schottky=schottky)
        factor = math.exp(max(0.0, ln_k - _FLATTEST_SDS * sd))
    if abs(highest.current_a) * factor <= limit.upper_a:
        return None, 1.0, 0.0
    return highest, factor, 0.0


def _voltage(
    name: str,
    limit: VoltageLimit,
    entries: Sequence[Any],
    temperature: PartTemperature,
    risks: Mapping[str, Any],
) -> Characteristic:
    conditions = {"current_a": limit.current_a, "temperature_c": limit.temperature_c}
    chosen = next((e for e in entries if same(e.current_a, limit.current_a)), None)
    if chosen is None:
        return _missing(name, conditions, "V", limit.lower_v, limit.upper_v)
    if chosen.voltage_v is None or chosen.u_voltage_v is None:
        decision = decide(
            None, None, limit.lower_v, limit.upper_v, status=chosen.status,
            greater_than=chosen.greater_than_v, less_than=chosen.less_than_v, **risks,
        )  # fmt: skip
        return _characteristic(name, conditions, None, "V", limit.lower_v, limit.upper_v,
                               decision, chosen.status)  # fmt: skip
    slope = {
        "threshold": THRESHOLD_V_PER_K, "body-diode": diode_v_per_k(limit.current_a),
    }.get(name, 0.0)  # fmt: skip
    value = chosen.voltage_v + slope * (limit.temperature_c - temperature.celsius)
    u = math.hypot(chosen.u_voltage_v, slope * temperature.u_k)
    decision = decide(value, u, limit.lower_v, limit.upper_v, **risks)
    return _characteristic(name, conditions, value, "V", limit.lower_v, limit.upper_v, decision,
                           chosen.status)  # fmt: skip


def _on_resistances(
    readings: Readings,
    part: MosfetType,
    temperature: PartTemperature,
    risks: Mapping[str, Any],
) -> Iterator[Characteristic]:
    for limit in part.on_resistance:
        conditions = {
            "gate_source_v": limit.gate_source_v, "temperature_c": limit.temperature_c,
        }  # fmt: skip
        bounds = (limit.lower_ohm, limit.upper_ohm)
        chosen = next(
            (e for e in readings.on_resistance if same(e.gate_source_v, limit.gate_source_v)), None
        )
        if chosen is None:
            yield _missing("on-resistance", conditions, "ohm", *bounds)
            continue
        if chosen.value_ohm is None or chosen.u_ohm is None:
            decision = decide(
                None, None, *bounds, status=chosen.status,
                greater_than=chosen.greater_than_ohm, less_than=chosen.less_than_ohm, **risks,
            )  # fmt: skip
            yield _characteristic("on-resistance", conditions, None, "ohm", *bounds, decision,
                                  chosen.status)  # fmt: skip
            continue
        factor = 1.0 + ON_RESISTANCE_PER_K * (limit.temperature_c - temperature.celsius)
        value = chosen.value_ohm * factor
        u = math.hypot(chosen.u_ohm * factor, value * ON_RESISTANCE_PER_K * temperature.u_k)
        decision = decide(value, u, *bounds, **risks)
        yield _characteristic("on-resistance", conditions, value, "ohm", *bounds, decision,
                              chosen.status)  # fmt: skip


def _missing(
    name: str,
    conditions: Mapping[str, Any],
    unit: str,
    lower: float | None,
    upper: float | None,
) -> Characteristic:
    decision = decide(None, None, lower, upper)
    return _characteristic(name, conditions, None, unit, lower, upper, decision, "not-measured")


def _characteristic(
    name: str,
    conditions: Mapping[str, Any],
    value: float | None,
    unit: str,
    lower: float | None,
    upper: float | None,
    decision: Any,
    status: Status,
) -> Characteristic:
    return Characteristic(
        name=name,
        conditions=conditions,
        value=value,
        unit=unit,
        expanded_uncertainty=decision.expanded_uncertainty,
        coverage=decision.coverage,
        lower=lower,
        upper=upper,
        verdict=decision.verdict,
        probability_conforming=decision.probability_conforming,
        status=status,
    )
