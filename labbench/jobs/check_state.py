"""Tell from the record whether the check standard of a bench is in control, or was missed."""

from __future__ import annotations

__all__ = ["JOB", "CheckState", "charts_of", "check_state", "standard_remark"]

from collections.abc import Sequence
from datetime import datetime

from attrs import frozen

from labbench.bench.opened import OpenBench
from labbench.errors import FileProblems, InputError
from labbench.jobs.compensate import fixture_of
from labbench.lots.check_chart import CheckChart, CheckPoint, check_chart
from labbench.lots.control_charts import LEAST_POINTS
from labbench.quantities import format_si
from labbench.records.check_standard_file import CheckStandard, read_check_standard
from labbench.records.folder import DataFolder
from labbench.records.store import RunRow, Store

JOB = "check"


@frozen
class CheckState:
    """Hold how it stands: standard, charts, when it was last measured, and one sentence.

    `word`: "none" (no standard was ever named), "in-control", "out-of-control", "missed" (too
    long ago, or never), "learning" (too few checks for limits).
    """

    word: str
    text: str
    standard: CheckStandard | None = None
    last_utc: str | None = None
    charts: tuple[CheckChart, ...] = ()


def check_state(opened: OpenBench, data: DataFolder) -> CheckState:
    """Look up how the check standard of this bench and fixture stands now."""
    bench, now = opened.file.name, opened.clock.utc()
    standard = read_check_standard(data.check_standards, bench)
    if standard is None:
        return CheckState("none", "no check standard is kept for this bench")
    rows = _checks(data, standard.name, bench, fixture_of(opened))
    if not rows:
        text = f"the check standard {standard.name} was never measured: labbench gauge check"
        return CheckState("missed", text, standard)
    charts = charts_of(rows)
    last_utc = rows[-1].opened_utc
    return _state(standard, charts, rows[-1], now, last_utc)


def _state(
    standard: CheckStandard,
    charts: tuple[CheckChart, ...],
    last: RunRow,
    now: datetime,
    last_utc: str,
) -> CheckState:
    day = last_utc[:10]
    lost = list((last.judged or {}).get("not_measured", ()))
    broken = [f"{chart.name}: {alarm}" for chart in charts for alarm in chart.alarms
              if chart.points[-1].run == last.run]  # fmt: skip
    broken += [f"{name} could not be measured" for name in lost]
    if broken:
        text = (
            f"the check standard {standard.name} was out of control on {day}: {'; '.join(broken)}"
        )
        return CheckState("out-of-control", text, standard, last_utc, charts)
    age_h = (now - datetime.fromisoformat(last_utc)).total_seconds() / 3600.0
    if age_h > standard.every_h:
        ago = f"{age_h:.0f} h" if age_h < 48 else f"{age_h / 24:.0f} days"
        text = (
            f"the check standard {standard.name} was last measured {ago} ago: labbench gauge check"
        )
        return CheckState("missed", text, standard, last_utc, charts)
    fewest = min((len(chart.points) for chart in charts if chart.limits is None), default=0)
    if fewest:
        text = (
            f"the check standard {standard.name} has {_count(fewest)}; limits come from its own "
            f"history after {LEAST_POINTS}"
        )
        return CheckState("learning", text, standard, last_utc, charts)
    text = f"the check standard {standard.name} is in control ({day})"
    return CheckState("in-control", text, standard, last_utc, charts)


def _count(checks: int) -> str:
    return "1 check" if checks == 1 else f"{checks} checks"


def standard_remark(opened: OpenBench, data: DataFolder) -> str | None:
    """Return the sentence that goes with every verdict: out of control, or missed; else None.

    It warns and never blocks: also a store or a file that cannot be read is only said.
    """
    try:
        state = check_state(opened, data)
    except (InputError, FileProblems) as error:
        return f"whether the check standard is in control is not known: {error.message}"
    return state.text if state.word in ("out-of-control", "missed") else None


def charts_of(rows: Sequence[RunRow]) -> tuple[CheckChart, ...]:
    """Chart every characteristic of the checks (oldest first)."""
    points: dict[tuple[str, str], list[CheckPoint]] = {}
    for row in rows:
        for entry in (row.judged or {}).get("characteristics", ()):
            if entry.get("value") is None:
                continue
            points.setdefault((_name(entry), entry["unit"]), []).append(
                CheckPoint(
                    utc=row.opened_utc, value=float(entry["value"]),
                    # expanded with k = 2, see jobs/check_standard.py
                    u=float(entry.get("expanded_uncertainty") or 0.0) / 2.0, run=row.run,
                )
            )  # fmt: skip
    return tuple(check_chart(name, unit, found) for (name, unit), found in points.items())


def _name(entry: dict[str, object]) -> str:
    conditions = entry.get("conditions")
    name = str(entry["name"]).replace("-", " ")
    if isinstance(conditions, dict):
        if frequency := conditions.get("frequency_hz"):
            return f"{name} at {format_si(float(frequency), 'Hz')}"
        if (temperature := conditions.get("temperature_c")) is not None:
            return f"{name} at {float(temperature):g} °C"
    return name


def _checks(data: DataFolder, standard: str, bench: str, fixture: str) -> list[RunRow]:
    """Find the checks of a standard on a bench and fixture, oldest first, struck ones left out."""
    if not data.journals.is_dir():
        return []
    with Store(data.store) as store:
        store.ingest_waiting(data.journals)
        rows = store.search(job=JOB, specimen=standard, lot=fixture, with_void=False)
    return [r for r in reversed(rows) if r.bench == bench and r.status == "done" and r.judged]
