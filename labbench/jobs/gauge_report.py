"""Report a gauge study: from the runs of a plan, or from a CSV file measured elsewhere."""

from __future__ import annotations

__all__ = ["gauge_json", "nested_from_csv", "nested_json", "report_from_csv", "report_from_plan"]

import csv
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from attrs import asdict

from labbench.errors import FileProblems, InputError, Problem
from labbench.files import nearest, unreadable
from labbench.jobs.gauge_run import progress
from labbench.lots.average_and_range import average_and_range
from labbench.lots.gauge_study import Nested, crossed_study, nested_study, split_repeatability
from labbench.lots.plans import GaugePlan
from labbench.lots.study_data import StudyReading, study_block
from labbench.parts.coil_type import CoilType
from labbench.quantities import format_si
from labbench.records.folder import DataFolder
from labbench.reports.gauge_words import StudyReport, gauge_verdict, nested_verdict

#: column: other names by which published studies call it
_COLUMNS: Mapping[str, tuple[str, ...]] = {
    "part": ("part", "wafer", "specimen"),
    "operator": ("operator", "op", "appraiser"),
    "day": ("day",),
    "trial": ("trial", "repeat"),
    "value": ("value", "y", "measurement", "average"),
    "run": ("run",),
    "sd": ("sd", "stddev"),
    "readings": ("readings", "n"),
}


def report_from_plan(plan: GaugePlan, part: CoilType, data: DataFolder) -> StudyReport:
    """Analyse what was measured of a plan, against the limits of its part type.

    Raises InputError while measurements are missing: with the number and the next one.
    """
    now = progress(plan, data)
    if now.waiting:
        first = now.waiting[0]
        raise InputError(
            f"{len(now.waiting)} of {len(plan.entries)} measurements of {plan.study} are still to "
            f"do; the next: day {first.day}, {first.operator}, part {first.code}",
            hint="`labbench gauge run` goes on where it stopped",
        )
    quantity, lower, upper = _limits(plan, part)
    return _analysed(
        now.readings, title=plan.study, quantity=quantity, unit=now.unit,
        lower=lower, upper=upper, simulated=now.simulated,
        facts=(
            ("Part type", f"{part.name} {part.description}".strip()),
            ("Parts", ", ".join(plan.parts)),
            ("Operators", ", ".join(plan.operators)),
            ("Order", f"random, seed {plan.seed}; parts by code letters"),
        ),
    )  # fmt: skip


def report_from_csv(
    path: Path,
    *,
    lower: float | None = None,
    upper: float | None = None,
    unit: str = "",
    confidence: float = 0.95,
) -> StudyReport:
    """Analyse a CSV file with columns part, value, and as far as they matter operator, day, trial.

    Raises FileProblems with every problem of the file.
    """
    if lower is not None and upper is not None and not lower < upper:
        raise InputError(f"the lower limit {lower:g} is not below the upper limit {upper:g}")
    readings = [
        StudyReading(
            part=row["part"], operator=row.get("operator", ""), day=row.get("day", ""),
            trial=row.get("trial"), value=float(row["value"]), where=row["where"],
        )
        for row in _rows(path, ("part", "value"), numbers=("value",))
    ]  # fmt: skip
    return _analysed(
        readings, title=path.stem, quantity="value", unit=unit, lower=lower, upper=upper,
        facts=(("File", path.name),), confidence=confidence,
    )  # fmt: skip


def nested_from_csv(path: Path) -> Nested:
    """Analyse a CSV file with a line a day: run, part, value (the day's average), sd, readings."""
    days: dict[tuple[str, str], list[tuple[float, float, int]]] = {}
    rows = _rows(path, ("run", "part", "value", "sd", "readings"), numbers=("value", "sd"))
    problems = [
        Problem(str(path), f"{row['readings']!r} is no number of readings", line=int(row["where"]))
        for row in rows if not row["readings"].isdigit()
    ]  # fmt: skip
    if problems:
        raise FileProblems(problems)
    for row in rows:
        day = (float(row["value"]), float(row["sd"]), int(row["readings"]))
        days.setdefault((row["run"], row["part"]), []).append(day)
    return nested_study(days)


def gauge_json(report: StudyReport) -> dict[str, Any]:
    """Give a study as JSON-able data."""
    study = report.study
    return {
        "study": report.title,
        "quantity": report.quantity,
        "unit": report.unit or None,
        "levels": dict(study.levels),
        "verdict": gauge_verdict(report),
        "confidence": study.confidence,
        "components": {name: asdict(c) for name, c in study.components.items()},
        "distinct_categories": study.categories,
        "pooled": list(study.pooled),
        "anova": [
            {"source": e.name, "ss": e.ss, "df": e.df, "ms": e.ms,
             "f": _finite(e.f), "p": e.p}
            for e in study.effects
        ],
        "noise": asdict(report.noise) if report.noise is not None else None,
        "average_and_range": asdict(report.ranges) if report.ranges is not None else None,
        "simulated": report.simulated,
    }  # fmt: skip


def nested_json(nested: Nested) -> dict[str, Any]:
    """Give a nested study as JSON-able data."""
    return {
        "verdict": nested_verdict(nested),
        "level_1": nested.level_1,
        "level_2": nested.level_2,
        "level_3": nested.level_3,
        "day_variance": nested.day_variance,
        "run_variance": nested.run_variance,
        "measurement_sd": nested.measurement_sd,
        "cells": [
            {"run": run, "part": part, "average": a, "level_1": s1, "level_2": s2}
            for (run, part), (a, s1, s2) in nested.by_cell.items()
        ],
    }


def _finite(value: float | None) -> float | None:
    return value if value is None or math.isfinite(value) else None


def _analysed(
    readings: Sequence[StudyReading],
    *,
    title: str,
    quantity: str,
    unit: str,
    lower: float | None,
    upper: float | None,
    facts: tuple[tuple[str, str], ...],
    simulated: bool = False,
    confidence: float = 0.95,
) -> StudyReport:
    block = study_block(readings)
    tolerance = upper - lower if lower is not None and upper is not None else None
    study = crossed_study(block.values, block.factors, tolerance=tolerance, confidence=confidence)
    by_hand = block.factors == ("part", "operator")
    return StudyReport(
        title=title, quantity=quantity, unit=unit, block=block, study=study,
        noise=split_repeatability(
            study.components["repeatability"].sd, block.noise_sds, block.noise_dfs
        ),
        ranges=average_and_range(block.values) if by_hand else None,
        lower=lower, upper=upper, facts=facts, simulated=simulated,
    )  # fmt: skip


def _limits(plan: GaugePlan, part: CoilType) -> tuple[str, float | None, float | None]:
    """Name the quantity and find its limits in the part type."""
    if plan.characteristic == "inductance":
        assert plan.frequency_hz is not None
        at = f"inductance at {format_si(plan.frequency_hz, 'Hz')}"
        for limit in part.inductance:
            if math.isclose(limit.frequency_hz, plan.frequency_hz, rel_tol=0.05):
                return at, limit.lower_h, limit.upper_h
        return at, None, None
    for ohms in part.dc_resistance:
        return "dc resistance at 25 °C", ohms.lower_ohm, ohms.upper_ohm
    return "dc resistance at 25 °C", None, None


def _rows(path: Path, needed: Sequence[str], *, numbers: Sequence[str]) -> list[dict[str, str]]:
    """Read a CSV file by known column names; raise FileProblems with all that is wrong."""
    file = str(path)
    try:
        with path.open(encoding="utf-8-sig", newline="") as opened:
            reader = csv.DictReader(opened)
            table = list(reader)
            header = list(reader.fieldnames or ())
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise FileProblems([Problem(file, unreadable(error))]) from error
    known = {other: name for name, others in _COLUMNS.items() for other in others}
    names = {title: known[title.strip().lower()] for title in header
             if title and title.strip().lower() in known}  # fmt: skip
    missing = [name for name in needed if name not in names.values()]
    if missing:
        raise FileProblems(
            [
                Problem(
                    file, f"has no column {name!r}; its columns are {', '.join(header) or 'none'}",
                    line=1, suggestion=nearest(name, header),
                )
                for name in missing
            ]
        )  # fmt: skip
    rows: list[dict[str, str]] = []
    problems: list[Problem] = []
    for line, raw in enumerate(table, start=2):
        if None in raw:
            problems.append(
                Problem(file, "has more cells than the heading (a decimal comma?)", line=line)
            )
            continue
        row = {names[t]: (v or "").strip() for t, v in raw.items() if t in names}
        for name in numbers:
            if not _is_number(row[name]):
                problems.append(Problem(file, f"{row[name]!r} is no number", key=name, line=line))
        problems += [Problem(file, "is empty", key=n, line=line) for n in needed if not row[n]]
        rows.append({**row, "where": str(line)})
    if problems:
        raise FileProblems(problems)
    return rows


def _is_number(text: str) -> bool:
    try:
        return math.isfinite(float(text))
    except ValueError:
        return False
