"""Put uncertainty budgets into lines of text and rows of a table, largest first."""

from __future__ import annotations

__all__ = ["budget_lines", "budget_rows", "budget_title"]

import math
from collections.abc import Iterator, Sequence

from labbench.metrology.budgets import Budget
from labbench.quantities import format_si

#: lines below this share are put together
_LEAST_SHARE = 0.005
_WIDTH = 34
_CONDITIONS = (
    ("voltage_v", "V", ""), ("gate_source_v", "V", " at the gate"), ("current_a", "A", ""),
)  # fmt: skip
_MANY_DEGREES_OF_FREEDOM = 500


def budget_title(budget: Budget) -> str:
    """Return what it is the budget of: `inductance at 100 kHz: 471 nH ± 3 nH (k = 1.96)`."""
    name = budget.name.replace("-", " ")
    if (frequency := budget.conditions.get("frequency_hz")) is not None:
        name += f" at {format_si(frequency, 'Hz')}"
    for key, unit, word in _CONDITIONS:
        if (at := budget.conditions.get(key)) is not None:
            name += f" at {format_si(at, unit)}{word}"
    if (temperature := budget.conditions.get("temperature_c")) is not None:
        name += f" at {temperature:g} °C"
    k = budget.expanded_uncertainty / budget.u if budget.u > 0.0 else math.nan
    # above some hundred the factor is the normal one, and the figure says nothing
    many = budget.dof > _MANY_DEGREES_OF_FREEDOM
    freedom = "" if many else f", {budget.dof:.0f} degrees of freedom"
    return (
        f"{name}: {format_si(budget.value, budget.unit, 4)} ± "
        f"{format_si(budget.expanded_uncertainty, budget.unit, 2)} (95 %, k = {k:.2f}{freedom})"
    )


def budget_rows(budget: Budget) -> list[tuple[str, str, str]]:
    """Return a row a line: influence, standard uncertainty, share of the variance."""
    kept = [line for line in budget.lines if line.share >= _LEAST_SHARE]
    rest = [line for line in budget.lines if line.share < _LEAST_SHARE]
    rows = [
        (line.label, format_si(line.u, budget.unit, 2), f"{100.0 * line.share:.0f} %")
        for line in kept
    ]
    if rest:
        u = math.sqrt(math.fsum(line.u**2 for line in rest))
        share = math.fsum(line.share for line in rest)
        name = rest[0].label if len(rest) == 1 else f"{len(rest)} smaller ones"
        rows.append((name, format_si(u, budget.unit, 2), f"{100.0 * share:.1f} %"))
    return rows


def budget_lines(budgets: Sequence[Budget]) -> Iterator[str]:
    """Yield every budget as text."""
    for budget in budgets:
        yield budget_title(budget)
        for label, u, share in budget_rows(budget):
            yield f"  {label:<{_WIDTH}} {u:>9} {share:>6}"
