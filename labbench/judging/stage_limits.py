"""Decide the characteristics of a power stage against the limits of its type."""

from __future__ import annotations

__all__ = ["decide_stage_limits"]

import math

from labbench.judging.conformity import decide
from labbench.judging.stage_quantities import state_word
from labbench.metrology.semiconductor import (
    LEAKAGE_DOUBLING_K,
    ON_RESISTANCE_PER_K,
    diode_v_per_k,
    leakage_factor,
)
from labbench.parts.stage_steps import BODY_DIODE, HS_LEAK, ON_RESISTANCE
from labbench.parts.stage_type import StageLimit, StageType
from labbench.results import Characteristic, Readings, StageReading

_ROOM_C, _U_ROOM_K, _U_UNKNOWN_K = 25.0, 2.0, 10.0
#: a short check is a coarse ohmmeter where nobody says how coarse
_U_SHORT = 0.05


def decide_stage_limits(
    readings: Readings, part: StageType, *, risk: float, rejection_risk: float
) -> tuple[Characteristic, ...]:
    """Decide every limit of the type; what was not measured says so."""
    by_key: dict[tuple[str, str, str], StageReading] = {}
    for reading in readings.stage:
        if not reading.repeat:
            by_key.setdefault((reading.step, reading.path, state_word(reading)), reading)
    return tuple(
        _decided(limit, by_key.get(_key(limit)), readings.temperature_c, risk, rejection_risk)
        for limit in part.limits
    )


def _key(limit: StageLimit) -> tuple[str, str, str]:
    return limit.step, limit.path, next(iter(limit.state.values()), "")


def _decided(
    limit: StageLimit,
    reading: StageReading | None,
    temperature_c: float | None,
    risk: float,
    rejection_risk: float,
) -> Characteristic:
    value = u = None
    status = reading.status if reading is not None else "not-measured"
    if reading is not None and reading.value is not None:
        value = reading.value
        u = reading.u if reading.u is not None else _U_SHORT * max(abs(value), 1.0)
        value, u = _corrected(limit, value, u, temperature_c)
    decision = decide(
        value, u, limit.lower, limit.upper, risk=risk, rejection_risk=rejection_risk,
        status=status,
        greater_than=reading.greater_than if reading is not None else None,
        less_than=reading.less_than if reading is not None else None,
    )  # fmt: skip
    verdict = decision.verdict
    bound = reading.greater_than if reading is not None else None
    if verdict == "not-measured" and bound is not None and limit.upper is None:
        # "more than the bench sees" is what a lower limit alone asks for
        verdict = "conforms" if limit.lower is not None and bound > limit.lower else verdict
    name = "-".join(word for word in (limit.step, limit.path, *limit.state.values()) if word != "+")
    return Characteristic(
        name=name,
        conditions={**limit.conditions, "temperature_c": limit.temperature_c},
        value=value,
        unit=limit.unit,
        expanded_uncertainty=decision.expanded_uncertainty,
        coverage=decision.coverage,
        lower=limit.lower,
        upper=limit.upper,
        verdict=verdict,
        probability_conforming=decision.probability_conforming,
        status=status,
    )


def _corrected(
    limit: StageLimit, value: float, u: float, temperature_c: float | None
) -> tuple[float, float]:
    celsius = _ROOM_C if temperature_c is None else temperature_c
    u_k = _U_UNKNOWN_K if temperature_c is None else _U_ROOM_K
    if limit.step == HS_LEAK.name:
        factor = leakage_factor(celsius, limit.temperature_c)
        relative = math.log(2.0) / LEAKAGE_DOUBLING_K * u_k
        return value * factor, math.hypot(u * factor, value * factor * relative)
    if limit.step == ON_RESISTANCE.name:
        factor = 1.0 + ON_RESISTANCE_PER_K * (limit.temperature_c - celsius)
        return value * factor, math.hypot(u * factor, value * ON_RESISTANCE_PER_K * u_k)
    if limit.step == BODY_DIODE.name:
        slope = diode_v_per_k(limit.conditions.get("current_a", 1e-2))
        return value + slope * (limit.temperature_c - celsius), math.hypot(u, slope * u_k)
    return value, u
