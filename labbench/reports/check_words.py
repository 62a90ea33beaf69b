"""Say how a check standard stands, and draw its control charts."""

from __future__ import annotations

__all__ = ["check_lines", "check_page"]

from collections.abc import Iterator, Sequence
from typing import Any

import labbench
from labbench.lots.check_chart import CheckChart
from labbench.lots.control_charts import SETTLED_POINTS
from labbench.quantities import format_si
from labbench.reports.figures import svg_figure
from labbench.reports.pages import fill


def check_lines(text: str, charts: Sequence[CheckChart]) -> Iterator[str]:
    """Yield the sentence, then a line a characteristic: value, limits, what is wrong."""
    yield text
    for chart in charts:
        yield f"  {chart.name}: {_numbers(chart)}"
        for alarm in chart.alarms:
            yield f"    {alarm}"


def _numbers(chart: CheckChart) -> str:
    value = format_si(chart.points[-1].value, chart.unit, 5)
    if chart.limits is None:
        return f"{value} (check {len(chart.points)}, no limits yet)"
    lower, upper = (format_si(v, chart.unit, 5) for v in (chart.limits.lower, chart.limits.upper))
    return f"{value}, limits {lower} to {upper} ({len(chart.points)} checks)"


def check_page(
    name: str, text: str, charts: Sequence[CheckChart], *, simulated: bool = False
) -> str:
    """Return the page (HTML) with the control chart and the EWMA of every characteristic."""
    return fill(
        "check.html",
        name=name,
        text=text,
        charts=[
            {
                "name": chart.name,
                "numbers": _numbers(chart),
                "alarms": chart.alarms,
                "plot": _chart_plot(chart),
                "past": [
                    (chart.points[alarm.index].utc[:16].replace("T", " "), alarm.text)
                    for alarm in chart.past
                ],
            }
            for chart in charts
        ],
        settled=SETTLED_POINTS,
        simulated=simulated,
        version=labbench.__version__,
    )


def _chart_plot(chart: CheckChart) -> str:
    unit = {"ohm": "Ω"}.get(chart.unit, chart.unit)
    numbers = range(1, len(chart.points) + 1)

    def draw(figure: Any) -> None:
        from matplotlib.ticker import EngFormatter, MaxNLocator

        axes = figure.subplots()
        axes.plot(numbers, [p.value for p in chart.points], "o-", color="black", ms=4, lw=0.8,
                  label="check")  # fmt: skip
        if chart.limits is not None:
            for zone, style in ((0, "-"), (1, ":"), (2, ":"), (3, "--")):
                for side in (1, -1):
                    axes.axhline(chart.limits.centre + side * zone * chart.limits.sigma,
                                 color="#5b6470", lw=0.8, ls=style)  # fmt: skip
        if chart.ewma is not None:
            axes.plot(numbers, chart.ewma.averages, color="#b3541e", lw=1.6, label="EWMA")
            for edge in (chart.ewma.lower, chart.ewma.upper):
                axes.plot(numbers, edge, color="#b3541e", lw=0.8, ls="--")
        broken = sorted({alarm.index for alarm in chart.past})
        axes.plot([i + 1 for i in broken], [chart.points[i].value for i in broken], "s", ms=10,
                  mfc="none", mec="#9b1c1c", label="breaks a rule")  # fmt: skip
        axes.set_xlabel("check")
        axes.xaxis.set_major_locator(MaxNLocator(integer=True))
        axes.yaxis.set_major_formatter(EngFormatter(unit=unit))
        axes.legend(loc="best", fontsize=9)

    return svg_figure(draw)
