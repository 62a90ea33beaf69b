"""Write the page for a specimen: one HTML file that needs nothing else and no network."""

from __future__ import annotations

__all__ = ["SpecimenRecord", "specimen_page"]

import math
from collections.abc import Mapping, Sequence
from typing import Any

from attrs import field, frozen

import labbench
from labbench.metrology.budgets import Budget
from labbench.quantities import format_si
from labbench.reports.budgets import budget_rows, budget_title
from labbench.reports.characteristic_names import characteristic_words
from labbench.reports.pages import SIGNS, fill
from labbench.reports.plots import bias_plot, sweep_plot
from labbench.reports.words import (
    fault_words,
    limits_text,
    next_action,
    path_words,
    reason,
    resonance_words,
    short_text,
    value_text,
)
from labbench.results import Influence, Judgement, Readings


@frozen
class SpecimenRecord:
    """Hold what a page tells beside the judgement: origin, bench, dates, files."""

    judgement: Judgement
    readings: Readings
    facts: Sequence[tuple[str, str]] = ()
    measured_facts: Sequence[tuple[str, str]] = ()
    risk: float = 0.05
    simulated: bool = False
    void: Mapping[str, str] | None = None
    #: where the part is now, nothing while it lies on the shelf; then (day, what, who) of each step
    now: str = ""
    since: Sequence[tuple[str, str, str]] = ()
    dc_budget: tuple[Influence, ...] = field(default=())
    budgets: tuple[Budget, ...] = field(default=())


def specimen_page(record: SpecimenRecord) -> str:
    """Return the page as HTML text."""
    judgement = record.judgement
    resonance = resonance_words(record.readings)
    drawn_on = [("Self-resonance", resonance)] if resonance else []
    coverage = judgement.characteristics[0].coverage if judgement.characteristics else 0.95
    return fill(
        "specimen.html",
        judgement=judgement,
        sign=SIGNS[judgement.disposition],
        reason=reason(judgement),
        action=next_action(judgement),
        facts=[(name, value) for name, value in record.facts if value],
        measured_facts=[
            (name, value) for name, value in [*record.measured_facts, *drawn_on] if value
        ],
        characteristics=[_characteristic(c) for c in judgement.characteristics],
        findings=[
            {
                "fault": fault_words(f.fault) + path_words(f),
                "grade": f.grade,
                "because": f.because,
                "alternatives": " or ".join(fault_words(a) for a in f.alternatives),
                "short": short_text(f),
            }
            for f in judgement.findings
        ],
        would_decide=[w.text for w in judgement.would_decide],
        remarks=judgement.remarks,
        plot=sweep_plot(record.readings, judgement),
        plot_caption="Dots with bars: measured, with expanded uncertainty. Band: where a healthy "
        "part of this type is expected. Dashed line: the best explanation found. Short thick "
        "lines: the limits.",
        points=_points(record.readings),
        bias_plot=bias_plot(record.readings, judgement),
        bias_caption="Dots with bars: measured. Dashed line: the curve through them. Band: where a "
        "sound part of this type lies, its inductance without current being what it is.",
        bias_points=_bias_points(record.readings),
        budget=_shares(record.dc_budget),
        budgets=[(budget_title(b), budget_rows(b)) for b in record.budgets],
        coverage=f"{100 * coverage:.0f} %",
        accept=f"{100 * (1 - record.risk):.0f} %",
        simulated=record.simulated,
        void=record.void,
        now=record.now,
        since=record.since,
        not_covered=_not_covered(record.readings),
        version=labbench.__version__,
    )


def _shares(lines: Sequence[Influence]) -> list[tuple[str, str, str]]:
    """Return label, standard uncertainty and share of the variance of each line."""
    total = math.fsum(line.u**2 for line in lines)
    return [
        (line.label, format_si(line.u, "Ω", 2), f"{100.0 * line.u**2 / total:.0f} %")
        for line in lines
    ]


def _not_covered(readings: Readings) -> str:
    """Return what no measurement here sees of a part of this kind."""
    if readings.short_check or readings.stage or readings.gate_leakage or readings.drain_leakage:
        return "switching behaviour, gate charge, ageing, mechanical strength of the joints"
    load = "behaviour under load current"
    if not readings.bias:
        load += " (no inductance under direct current was measured)"
    return f"{load}, ageing, mechanical strength of the joints"


def _characteristic(characteristic: Any) -> dict[str, str]:
    u = characteristic.expanded_uncertainty
    probability = characteristic.probability_conforming
    return {
        "name": characteristic_words(characteristic),
        "value": value_text(characteristic),
        "uncertainty": format_si(u, characteristic.unit, 2) if u is not None else "",
        "limits": limits_text(characteristic) or "none known",
        "verdict": characteristic.verdict,
        "probability": f"{probability:.4f}" if probability is not None else "",
    }


def _bias_points(readings: Readings) -> list[list[str]]:
    first = next((p.inductance_h for p in readings.bias if p.current_a == 0.0), None)
    return [
        [
            format_si(p.current_a, "A", 3) + (", again" if p.repeat else ""),
            format_si(p.inductance_h, "H", 4),
            format_si(2 * p.u_inductance_h, "H", 2),
            f"{p.inductance_h / first:.4f}" if first else "",
            f"{2 * p.u_ratio_relative:.4f}" if p.u_ratio_relative else "",
        ]
        for p in readings.bias
    ]


def _points(readings: Readings) -> list[list[str]]:
    block = readings.impedance
    if block is None:
        return []
    rows = []
    for i, frequency in enumerate(block.frequency_hz):
        r, x = block.resistance_ohm[i], block.reactance_ohm[i]
        u_r, u_x = block.u_resistance_ohm[i], block.u_reactance_ohm[i]
        row = [format_si(frequency, "Hz", 4)]
        if r is None or x is None or u_r is None or u_x is None:
            limit = block.greater_than_ohm[i] if block.greater_than_ohm else None
            status = block.status[i] if block.status else "not measured"
            text = status.replace("-", " ")
            row += [text, "", f"above {format_si(limit, 'Ω')}" if limit else "", "", "", ""]
        else:
            inductance = x / (2 * math.pi * frequency)
            row += [
                format_si(r, "Ω", 4), format_si(2 * u_r, "Ω", 2),
                format_si(x, "Ω", 4), format_si(2 * u_x, "Ω", 2),
                format_si(inductance, "H", 4), f"{x / r:.3g}" if r > 0 else "",
            ]  # fmt: skip
        rows.append(row)
    return rows
