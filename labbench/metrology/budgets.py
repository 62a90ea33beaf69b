"""Put an uncertainty budget into lines: largest first, with the share of each in the variance."""

from __future__ import annotations

__all__ = [
    "REPEATABILITY",
    "Budget",
    "BudgetLine",
    "budget_from_json",
    "budget_of",
    "budget_to_json",
    "budgets_of_readings",
    "repeatability_of",
]

import math
from collections.abc import Mapping
from typing import Any, Final

from attrs import evolve, field, frozen

from labbench.metrology.estimates import expanded_uncertainty, influence, to_estimate
from labbench.metrology.resistance import at_temperature
from labbench.results import Estimate, Influence, Readings

#: labels of the lines that more readings take out
REPEATABILITY: Final = ("repeatability", "repeatability of the voltage")


@frozen
class BudgetLine:
    """Hold one line: what it is, its share of u (the unit of the value), of the variance (0-1)."""

    label: str
    u: float
    share: float


@frozen
class Budget:
    """Hold the budget of one value, largest line first."""

    name: str
    conditions: Mapping[str, float]
    unit: str
    value: float
    u: float
    dof: float
    expanded_uncertainty: float
    lines: tuple[BudgetLine, ...] = field(default=())


def budget_of(
    estimate: Estimate, name: str, conditions: Mapping[str, float] | None = None
) -> Budget:
    """Return the budget of an estimate.

    Shares are of the sum of the lines' squares, so they add up to one also where lines are
    correlated with each other and do not add up to `u` (see `to_estimate`).
    """
    total = math.fsum(line.u**2 for line in estimate.influences)
    lines = sorted(estimate.influences, key=lambda line: (-line.u, line.label))
    return Budget(
        name=name,
        conditions=dict(conditions or {}),
        unit=estimate.unit,
        value=estimate.value,
        u=estimate.u,
        dof=estimate.dof,
        expanded_uncertainty=expanded_uncertainty(estimate),
        lines=tuple(
            BudgetLine(line.label, line.u, line.u**2 / total if total > 0.0 else 0.0)
            for line in lines
        ),
    )


def repeatability_of(estimate: Estimate) -> float:
    """Return the part of u that more readings take out (the unit of the value)."""
    return math.sqrt(
        math.fsum(line.u**2 for line in estimate.influences if line.label in REPEATABILITY)
    )


def budget_to_json(budget: Budget) -> dict[str, Any]:
    """Return plain data; infinite degrees of freedom are None."""
    return {
        "name": budget.name,
        "conditions": dict(budget.conditions),
        "unit": budget.unit,
        "value": budget.value,
        "u": budget.u,
        "dof": None if math.isinf(budget.dof) else budget.dof,
        "expanded_uncertainty": budget.expanded_uncertainty,
        "lines": [{"label": line.label, "u": line.u, "share": line.share} for line in budget.lines],
    }


def budget_from_json(data: Mapping[str, Any]) -> Budget:
    """Read what `budget_to_json` wrote, from a journal."""
    dof = data.get("dof")
    return Budget(
        name=data["name"], conditions=dict(data["conditions"]), unit=data["unit"],
        value=data["value"], u=data["u"], dof=math.inf if dof is None else dof,
        expanded_uncertainty=data["expanded_uncertainty"],
        lines=tuple(BudgetLine(n["label"], n["u"], n["share"]) for n in data["lines"]),
    )  # fmt: skip


def budgets_of_readings(readings: Readings, *, resistance_at_c: float = 25.0) -> list[Budget]:
    """Return what a readings/1 line tells of its budgets: gain, contact, and the rest.

    Labelled influences stop at the border of readings/1; what is common to a session or to a
    placement is known there, and the rest of the stated uncertainty is one line.
    """
    budgets = _of_impedance(readings)
    dc = readings.dc_resistance
    if dc is None or dc.value_ohm is None or dc.u_ohm is None:
        return budgets
    dof = max(1.0, dc.dof if dc.dof is not None else math.inf)
    if dc.temperature_c is not None:
        u_c = dc.u_temperature_c or 0.0
        known = at_temperature(evolve(dc, u_temperature_c=u_c), resistance_at_c)
        return [*budgets, budget_of(known, "dc-resistance", {"temperature_c": resistance_at_c})]
    alone = to_estimate(influence(dc.value_ohm, dc.u_ohm, "resistance as measured", dof=dof), "ohm")
    return [*budgets, budget_of(alone, "dc-resistance")]


def _of_impedance(readings: Readings) -> list[Budget]:
    block, contact = readings.impedance, readings.contact
    if block is None:
        return []
    budgets = []
    for i, frequency_hz in enumerate(block.frequency_hz):
        r, x = block.resistance_ohm[i], block.reactance_ohm[i]
        u_r, u_x = block.u_resistance_ohm[i], block.u_reactance_ohm[i]
        if r is None or x is None or u_r is None or u_x is None:
            continue
        omega = 2.0 * math.pi * frequency_hz
        gain = block.u_gain_relative[i] * math.hypot(r, x) if block.u_gain_relative else 0.0
        for name, unit, value, u, touch, scale in (
            ("resistance", "ohm", r, u_r, contact.u_resistance_ohm if contact else 0.0, 1.0),
            (
                "inductance", "H", x / omega, u_x / omega,
                contact.u_inductance_h if contact else 0.0, 1.0 / omega,
            ),
        ):  # fmt: skip
            lines = {"gain of the meter": gain * scale, "contacts of part and short": touch}
            rest = u**2 - math.fsum(line**2 for line in lines.values())
            lines["rest of the stated uncertainty"] = math.sqrt(max(rest, 0.0))
            found = Estimate(
                value=value, u=u, unit=unit,
                influences=tuple(Influence(label, v) for label, v in lines.items() if v > 0.0),
            )  # fmt: skip
            budgets.append(budget_of(found, name, {"frequency_hz": frequency_hz}))
    return budgets
