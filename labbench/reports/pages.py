"""Fill the page templates."""

from __future__ import annotations

__all__ = ["SIGNS", "fill"]

from importlib.resources import files

from jinja2 import Environment, StrictUndefined

#: colour is never the only signal
SIGNS = {"fit": "✓", "unfit": "✗", "undecided": "?", "plausible": "~"}


def fill(template: str, **values: object) -> str:
    """Return the HTML text of a template in `reports/templates`, with its style inside."""
    templates = files("labbench.reports") / "templates"
    environment = Environment(
        autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=StrictUndefined
    )
    page = environment.from_string((templates / template).read_text(encoding="utf-8"))
    return page.render(style=(templates / "report.css").read_text(encoding="utf-8"), **values)
