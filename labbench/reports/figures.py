"""Give every plot of a page the same face, and the same bytes for the same data."""

from __future__ import annotations

__all__ = ["svg_figure"]

from collections.abc import Callable
from io import StringIO
from typing import Any

_HASH_SALT = "labbench"


def svg_figure(draw: Callable[[Any], None], *, width: float = 8.2, height: float = 3.4) -> str:
    """Return an SVG without its XML head; `draw` gets an empty matplotlib Figure (inches)."""
    import matplotlib as mpl
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    with mpl.rc_context({"svg.hashsalt": _HASH_SALT, "svg.fonttype": "none", "font.size": 10}):
        figure = Figure(figsize=(width, height), layout="constrained")
        FigureCanvasSVG(figure)
        draw(figure)
        text = StringIO()
        figure.savefig(text, format="svg", metadata={"Date": None})
    svg = text.getvalue()
    return svg[svg.index("<svg") :]
