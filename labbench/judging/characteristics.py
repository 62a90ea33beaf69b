"""Decide the characteristics of a coil: inductance, dc resistance, saturation."""

from __future__ import annotations

__all__ = [
    "SAME_CURRENT",
    "SAME_FREQUENCY",
    "ResistanceAt",
    "decide_dc_resistance",
    "decide_inductance",
    "decide_saturation",
    "inductance_at",
    "prior_of",
    "resistance_at",
]

import math

import numpy as np
from attrs import frozen

from labbench.judging.conformity import Decision, Prior, decide, typical_value
from labbench.judging.sweep_points import BEYOND_OHM, SweepPoints
from labbench.metrology.temperature import copper_resistance_at, copper_sensitivity_per_k
from labbench.parts.coil_type import InductanceLimit, ResistanceLimit, Saturation, Spread
from labbench.results import BiasPoint, Characteristic, DcResistance, Impedance, Status

#: a point this near the limit's frequency (relative) is taken for it
SAME_FREQUENCY = 0.05
#: a bias point this near the limit's current (relative) is taken for it
SAME_CURRENT = 0.05
# Without a thermometer a part on a bench is taken to be at room temperature; common practice.
_ROOM_C = 23.0
_ROOM_U_C = 5.0


@frozen
class ResistanceAt:
    """Hold a dc resistance corrected to a temperature, and whether that was assumed."""

    value_ohm: float
    u_ohm: float
    dof: float
    temperature_assumed: bool


def inductance_at(points: SweepPoints, frequency_hz: float) -> tuple[float, float] | None:
    """Find the inductance (H) and its standard uncertainty at a frequency.

    The nearest point within 5 % is taken. Between two points the inductance is interpolated in
    ln f, with an allowance: it may lie anywhere between its neighbours (uniform, JCGM 100:2008,
    4.3.7). Beyond the sweep there is none: None.
    """
    if not len(points):
        return None
    inductance, u = points.inductance_h, points.u_inductance_h
    nearest = int(np.argmin(np.abs(np.log(points.frequency_hz / frequency_hz))))
    if abs(points.frequency_hz[nearest] / frequency_hz - 1.0) <= SAME_FREQUENCY:
        return float(inductance[nearest]), float(u[nearest])
    above = int(np.searchsorted(points.frequency_hz, frequency_hz))
    if above in (0, len(points)):
        return None
    below = above - 1
    share = math.log(frequency_hz / points.frequency_hz[below]) / math.log(
        points.frequency_hz[above] / points.frequency_hz[below]
    )
    value = (1.0 - share) * inductance[below] + share * inductance[above]
    # the errors of neighbours are mostly common to both: they add, not their squares
    own = (1.0 - share) * u[below] + share * u[above]
    allowance = abs(inductance[above] - inductance[below]) / math.sqrt(12.0)
    return float(value), float(math.hypot(own, allowance))


def prior_of(
    nominal: float | None, lower: float | None, upper: float | None, spread: Spread | None
) -> Prior | None:
    """Return what a population's spread says of a characteristic; None where it is not known.

    Lot to lot and part to part add in squares: which lot a pulled part is from is not known.
    """
    if spread is None or (spread.lot_to_lot is None and spread.part_to_part is None):
        return None
    if nominal is None and lower is None and upper is None:
        return None
    mean = nominal if nominal is not None else typical_value(lower, upper)
    sd = abs(mean) * math.hypot(spread.lot_to_lot or 0.0, spread.part_to_part or 0.0)
    return Prior(mean, sd) if sd > 0.0 else None


def decide_inductance(
    limit: InductanceLimit,
    points: SweepPoints,
    impedance: Impedance | None,
    *,
    risk: float,
    rejection_risk: float,
    spread: Spread | None = None,
) -> Characteristic:
    """Decide the inductance at the limit's frequency; `spread` is that of the type's population."""
    found = inductance_at(points, limit.frequency_hz)
    value, u = found if found is not None else (None, None)
    status: Status = "ok" if found is not None else _status_near(impedance, limit.frequency_hz)
    decision = decide(
        value, u, limit.lower_h, limit.upper_h,
        risk=risk, rejection_risk=rejection_risk, status=status,
        prior=prior_of(limit.nominal_h, limit.lower_h, limit.upper_h, spread),
    )  # fmt: skip
    return _characteristic(
        "inductance", {"frequency_hz": limit.frequency_hz}, value, "H",
        limit.lower_h, limit.upper_h, decision, status,
    )  # fmt: skip


def resistance_at(
    measured: DcResistance, to_c: float, *, part_temperature_c: float | None
) -> ResistanceAt | None:
    """Correct a dc resistance to a temperature as copper; None where there is no value.

    The temperature is the reading's own, else the part's, else 23 degrees with a standard
    uncertainty of 5 K (assumed). Its uncertainty counts where it is known or assumed.
    """
    if measured.value_ohm is None or measured.u_ohm is None or measured.status != "ok":
        return None
    if not (abs(measured.value_ohm) < BEYOND_OHM and 0.0 < measured.u_ohm < BEYOND_OHM):
        return None
    from_c = measured.temperature_c
    assumed = False
    u_c = measured.u_temperature_c or 0.0
    if from_c is None:
        from_c = part_temperature_c
    if from_c is None:
        from_c, u_c, assumed = _ROOM_C, _ROOM_U_C, True
    value = copper_resistance_at(measured.value_ohm, from_c, to_c)
    u = measured.u_ohm * abs(copper_resistance_at(1.0, from_c, to_c))
    return ResistanceAt(
        value_ohm=value,
        u_ohm=math.hypot(u, value * copper_sensitivity_per_k(from_c) * u_c),
        dof=measured.dof if measured.dof is not None and measured.dof >= 1.0 else math.inf,
        temperature_assumed=assumed,
    )


def decide_dc_resistance(
    limit: ResistanceLimit | None,
    measured: DcResistance | None,
    *,
    part_temperature_c: float | None,
    risk: float,
    rejection_risk: float,
    spread: Spread | None = None,
) -> Characteristic:
    """Decide the dc resistance at the limit's temperature (25 degrees where there is no limit).

    `spread` is that of the type's population, where it is known.
    """
    to_c = limit.temperature_c if limit is not None else 25.0
    lower = limit.lower_ohm if limit is not None else None
    upper = limit.upper_ohm if limit is not None else None
    at = None
    status: Status = "not-measured"
    if measured is not None:
        at = resistance_at(measured, to_c, part_temperature_c=part_temperature_c)
        status = measured.status if at is None and measured.status != "ok" else "ok"
        status = "not-measured" if at is None and status == "ok" else status
    decision = decide(
        at.value_ohm if at else None, at.u_ohm if at else None, lower, upper,
        risk=risk, rejection_risk=rejection_risk, dof=at.dof if at else math.inf,
        status=status,
        greater_than=measured.greater_than_ohm if measured else None,
        less_than=measured.less_than_ohm if measured else None,
        prior=prior_of(limit.nominal_ohm, lower, upper, spread) if limit is not None else None,
    )  # fmt: skip
    return _characteristic(
        "dc-resistance", {"temperature_c": to_c}, at.value_ohm if at else None, "ohm",
        lower, upper, decision, status,
    )  # fmt: skip


def decide_saturation(
    limit: Saturation,
    bias: tuple[BiasPoint, ...],
    unbiased: tuple[float, float] | None,
    *,
    risk: float,
    rejection_risk: float,
) -> Characteristic | None:
    """Decide the inductance under bias from single points, where no curve can be laid through them.

    Up to the least saturation current of the type it may drop by so much. `unbiased` is the
    inductance without bias (H) and its standard uncertainty; a bias point below a twentieth of the
    limit's current comes first. Inductance falls with current, so a part that has dropped too far
    below that current fails there, and one that holds above it conforms. None where nothing was
    measured that decides.
    """
    small = [p for p in bias if abs(p.current_a) <= SAME_CURRENT * limit.current_a]
    if small:
        unbiased = (small[0].inductance_h, small[0].u_inductance_h)
    if unbiased is None:
        return None
    lower = (1.0 - limit.drop) * unbiased[0]
    decided: list[Characteristic] = []
    for point in sorted(bias, key=lambda p: abs(abs(p.current_a) - limit.lowest_a)):
        ratio = abs(point.current_a) / limit.lowest_a
        if ratio <= SAME_CURRENT or point.u_inductance_h <= 0.0:
            continue
        u = math.hypot(point.u_inductance_h, (1.0 - limit.drop) * unbiased[1])
        decision = decide(
            point.inductance_h, u, lower, None, risk=risk, rejection_risk=rejection_risk
        )
        at_limit = abs(ratio - 1.0) <= SAME_CURRENT
        useful = (decision.verdict == "fails" and ratio < 1.0) or (
            decision.verdict == "conforms" and ratio > 1.0
        )
        if at_limit or useful:
            decided.append(
                _characteristic(
                    "saturation",
                    {"current_a": point.current_a},
                    point.inductance_h,
                    "H",
                    lower,
                    None,
                    decision,
                    "ok",
                )
            )
    failed = [c for c in decided if c.verdict == "fails"]
    return next(iter(failed or decided), None)


def _status_near(impedance: Impedance | None, frequency_hz: float) -> Status:
    if impedance is not None and impedance.status is not None:
        for f, status in zip(impedance.frequency_hz, impedance.status, strict=True):
            if abs(f / frequency_hz - 1.0) <= SAME_FREQUENCY and status != "ok":
                return status
    return "not-measured"


def _characteristic(
    name: str,
    conditions: dict[str, float],
    value: float | None,
    unit: str,
    lower: float | None,
    upper: float | None,
    decision: Decision,
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
