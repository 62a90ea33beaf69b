"""Write the page for a gauge study: verdict, components, by part, by operator, the table."""

from __future__ import annotations

__all__ = ["gauge_page"]

from typing import Any

import numpy as np

import labbench
from labbench.reports.figures import svg_figure
from labbench.reports.gauge_words import (
    StudyReport,
    component_words,
    gauge_lines,
    gauge_verdict,
    ordered,
    p_text,
    sd_text,
)
from labbench.reports.pages import fill


def gauge_page(report: StudyReport) -> str:
    """Return the page as HTML text; it needs nothing else and no network."""
    study = report.study
    return fill(
        "gauge.html",
        title=report.title,
        quantity=report.quantity,
        verdict=gauge_verdict(report),
        facts=report.facts,
        shape=", ".join(f"{n} {name}s" for name, n in study.levels.items()),
        confidence=f"{100 * study.confidence:.0f} %",
        components=[
            {
                "name": component_words(c.name),
                "sd": sd_text(c.sd, report.unit),
                "interval": f"{sd_text(c.lower, report.unit)} to {sd_text(c.upper, report.unit)}",
                "study": f"{c.study_percent:.2f}",
                "contribution": f"{c.contribution_percent:.2f}",
                "tolerance": f"{c.tolerance_percent:.2f}" if c.tolerance_percent else "",
            }
            for c in ordered(study)
        ],
        effects=[
            {
                "name": e.name, "ss": f"{e.ss:.6g}", "df": e.df, "ms": f"{e.ms:.6g}",
                "f": f"{e.f:.3f}" if e.f is not None else "",
                "p": p_text(e.p),
            }
            for e in study.effects
        ],
        lines=list(gauge_lines(report)),
        plots=[
            ("Components of variation", _components_plot(report)),
            ("By part", _by_plot(report, "part")),
            *((f"By {name}", _by_plot(report, name)) for name in report.block.factors[1:]),
        ],
        simulated=report.simulated,
        version=labbench.__version__,
    )  # fmt: skip


def _components_plot(report: StudyReport) -> str:
    components = ordered(report.study)

    def draw(figure: Any) -> None:
        axes = figure.subplots()
        places = np.arange(len(components))
        axes.barh(places, [c.study_percent for c in components], color="#7aa6d8", height=0.6)
        for place, c in zip(places, components, strict=True):
            axes.text(c.study_percent + 1, place, f"{c.study_percent:.1f} %", va="center")
        axes.set_yticks(places, [component_words(c.name) for c in components])
        axes.invert_yaxis()
        axes.set_xlim(0, 118)
        axes.set_xlabel("standard deviation, % of the total")

    return svg_figure(draw, height=0.5 * len(components) + 1.0)


def _by_plot(report: StudyReport, factor: str) -> str:
    """Draw every reading over the levels of a factor, and their means; limits where known."""
    axis = report.block.factors.index(factor)
    names = report.block.names[factor]
    unit = {"ohm": "Ω"}.get(report.unit, report.unit)
    by_level = np.moveaxis(report.block.values, axis, 0).reshape(len(names), -1)

    def draw(figure: Any) -> None:
        from matplotlib.ticker import EngFormatter

        axes = figure.subplots()
        for place, values in enumerate(by_level):
            # readings side by side, in their order, so that equal ones stay visible
            spread = np.linspace(-0.18, 0.18, values.size)
            axes.plot(place + spread, values, "o", color="black", ms=3, alpha=0.6)
        axes.plot(range(len(names)), by_level.mean(axis=1), color="#b3541e", lw=1.6, marker="_",
                  ms=14, label="mean")  # fmt: skip
        for limit in (report.lower, report.upper):
            if limit is not None and factor == "part":
                axes.axhline(limit, color="black", lw=1.2, ls="--")
        axes.set_xticks(range(len(names)), [name.replace("$", r"\$") for name in names])
        axes.set_xlabel(factor)
        axes.set_ylabel(report.quantity)
        if unit:
            axes.yaxis.set_major_formatter(EngFormatter(unit=unit))
        axes.grid(visible=True, axis="y", alpha=0.3)
        axes.legend(loc="best", fontsize=9)

    return svg_figure(draw)
