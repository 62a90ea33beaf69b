"""Describe every file format as a JSON Schema (draft 2020-12), for whoever writes such files.

The schemas say shape, names and types; rules between fields (lengths that agree, a bound that
belongs to a status) are checked by the readers. TOML formats are described as the data they hold,
a date as its ISO text.
"""

from __future__ import annotations

__all__ = ["SCHEMA_NAMES", "load_schema"]

import json
from importlib.resources import files
from typing import Any, Final

SCHEMA_NAMES: Final = (
    "bench-1",
    "first-power-1",
    "gauge-plan-1",
    "journal-1",
    "load-1",
    "match-1",
    "part-type-1",
    "part-type-mosfet-1",
    "part-type-power-stage-1",
    "problem-1",
    "rail-1",
    "readings-1",
    "verdict-1",
)


def load_schema(name: str) -> dict[str, Any]:
    """Read a schema by its name, one of `SCHEMA_NAMES`; raise ValueError on another."""
    if name not in SCHEMA_NAMES:
        raise ValueError(f"there is no schema {name!r}: {', '.join(SCHEMA_NAMES)}")
    text = files(__package__).joinpath(f"{name}.json").read_text(encoding="utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema
