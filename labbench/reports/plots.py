"""Draw the sweep against the band where a healthy part is expected."""

from __future__ import annotations

__all__ = ["bias_plot", "sweep_plot"]

import math
from collections.abc import Mapping
from io import StringIO
from typing import Any

from labbench.results import Judgement, Readings

#: the same data give the same file, byte for byte
_HASH_SALT = "labbench"


def sweep_plot(readings: Readings, judgement: Judgement) -> str:
    """Return an SVG of inductance and loss tangent over frequency; empty without a sweep.

    Draws the measured points with expanded uncertainty (k = 2), the healthy band and the best
    explanation of `judgement.band`, and the limits of the inductance.
    """
    block = readings.impedance
    if block is None:
        return ""
    points = [
        (f, r, x, u_r, u_x)
        for f, r, x, u_r, u_x in zip(
            block.frequency_hz, block.resistance_ohm, block.reactance_ohm,
            block.u_resistance_ohm, block.u_reactance_ohm, strict=True,
        )
        if r is not None and x is not None and u_r is not None and u_x is not None
    ]  # fmt: skip
    if not points:
        return ""

    import matplotlib as mpl
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure
    from matplotlib.ticker import EngFormatter, FuncFormatter, NullFormatter

    with mpl.rc_context({"svg.hashsalt": _HASH_SALT, "svg.fonttype": "none", "font.size": 10}):
        figure = Figure(figsize=(8.2, 5.6))
        FigureCanvasSVG(figure)
        # fixed margins and plain tick labels: a layout that is solved and powers of ten that are
        # typeset took three quarters of the time of a page
        upper, lower = figure.subplots(
            2, 1, sharex=True,
            gridspec_kw={"left": 0.12, "right": 0.98, "top": 0.98, "bottom": 0.09, "hspace": 0.08},
        )  # fmt: skip
        _draw_band(upper, lower, judgement.band)
        frequency = [p[0] for p in points]
        omega = [2 * math.pi * f for f in frequency]
        upper.errorbar(
            frequency,
            [p[2] / w for p, w in zip(points, omega, strict=True)],
            yerr=[2 * p[4] / w for p, w in zip(points, omega, strict=True)],
            fmt="o", color="black", capsize=3, label="measured", zorder=5,
        )  # fmt: skip
        for characteristic in judgement.characteristics:
            if characteristic.name == "inductance":
                at = characteristic.conditions.get("frequency_hz")
                for limit in (characteristic.lower, characteristic.upper):
                    if limit is not None and at:
                        upper.plot([at / 1.25, at * 1.25], [limit, limit], color="black", lw=2)
        tangent = [(f, abs(p[1] / p[2]), _u_tangent(p)) for f, p in
                   zip(frequency, points, strict=True) if p[2] != 0]  # fmt: skip
        # on a log scale a bar that reaches zero would vanish: it is cut a decade below its point
        lower.errorbar(
            [t[0] for t in tangent],
            [t[1] for t in tangent],
            yerr=[[min(2 * t[2], 0.9 * t[1]) for t in tangent], [2 * t[2] for t in tangent]],
            fmt="o", color="black", capsize=3, label="measured", zorder=5,
        )  # fmt: skip
        upper.set_xscale("log")
        upper.set_ylabel("inductance")
        upper.yaxis.set_major_formatter(EngFormatter("H"))
        lower.set_ylabel("loss tangent R/X")
        lower.set_yscale("log")
        lower.yaxis.set_major_formatter(FuncFormatter(lambda value, _place: f"{value:g}"))
        lower.set_xlabel("frequency")
        lower.xaxis.set_major_formatter(EngFormatter("Hz"))
        for axis in (lower.xaxis, lower.yaxis):
            axis.set_minor_formatter(NullFormatter())
        for axes in (upper, lower):
            axes.grid(visible=True, which="major", alpha=0.3)
        upper.legend(loc="best", fontsize=9)
        text = StringIO()
        figure.savefig(text, format="svg", metadata={"Date": None})
    # inside an HTML page an SVG has no XML head
    svg = text.getvalue()
    return svg[svg.index("<svg") :]


def bias_plot(readings: Readings, judgement: Judgement) -> str:
    """Return an SVG of inductance over direct current; empty without bias points.

    Draws the measured points with expanded uncertainty (k = 2) and, where the judgement has them,
    the curve that fits and where a sound part of the type lies.
    """
    if not readings.bias:
        return ""
    import matplotlib as mpl
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure
    from matplotlib.ticker import EngFormatter

    with mpl.rc_context({"svg.hashsalt": _HASH_SALT, "svg.fonttype": "none", "font.size": 10}):
        figure = Figure(figsize=(8.2, 3.0))
        FigureCanvasSVG(figure)
        axes = figure.subplots(
            gridspec_kw={"left": 0.12, "right": 0.98, "top": 0.97, "bottom": 0.16}
        )
        if band := (judgement.band or {}).get("bias"):
            current = band["current_a"]
            if edges := band.get("inductance_h"):
                axes.fill_between(
                    current, edges["lower"], edges["upper"], color="#7aa6d8", alpha=0.35,
                    label="sound part of this type", zorder=1,
                )  # fmt: skip
            axes.plot(
                current, band["fitted_inductance_h"], color="#b3541e", lw=1.6, ls="--", zorder=3,
                label=f"falls as {band['core_class']} does",
            )  # fmt: skip
        axes.errorbar(
            [abs(p.current_a) for p in readings.bias],
            [p.inductance_h for p in readings.bias],
            yerr=[2 * p.u_inductance_h for p in readings.bias],
            fmt="o", color="black", capsize=3, label="measured", zorder=5,
        )  # fmt: skip
        axes.set_xlabel("direct current")
        axes.set_ylabel("inductance")
        axes.xaxis.set_major_formatter(EngFormatter("A"))
        axes.yaxis.set_major_formatter(EngFormatter("H"))
        axes.set_ylim(bottom=0.0)
        axes.grid(visible=True, alpha=0.3)
        axes.legend(loc="best", fontsize=9)
        text = StringIO()
        figure.savefig(text, format="svg", metadata={"Date": None})
    svg = text.getvalue()
    return svg[svg.index("<svg") :]


def _u_tangent(point: tuple[float, float, float, float, float]) -> float:
    _, r, x, u_r, u_x = point
    return math.hypot(u_r / x, r * u_x / (x * x))


def _draw_band(upper: Any, lower: Any, band: Mapping[str, Any] | None) -> None:
    if not band:
        return
    frequency = band["frequency_hz"]
    for axes, name in ((upper, "inductance_h"), (lower, "loss_tangent")):
        if edges := band.get(name):
            axes.fill_between(
                frequency, edges["lower"], edges["upper"], color="#7aa6d8", alpha=0.35,
                label="healthy part expected here", zorder=1,
            )  # fmt: skip
    if explanation := band.get("explanation"):
        label = str(explanation.get("label", "best explanation"))
        style = {"color": "#b3541e", "lw": 1.6, "ls": "--", "zorder": 3}
        upper.plot(frequency, explanation["inductance_h"], label=label, **style)
        lower.plot(frequency, explanation["loss_tangent"], **style)
