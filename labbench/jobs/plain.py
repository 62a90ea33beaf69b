"""Give results as plain JSON-able data: verdict/1, problem/1."""

from __future__ import annotations

__all__ = ["to_json"]

from typing import Any

from labbench.errors import Problem
from labbench.records.readings_file import judgement_to_json, problem_to_json
from labbench.results import Judgement


def to_json(item: Judgement | Problem) -> dict[str, Any]:
    """Return a judgement as verdict/1 or a problem as problem/1."""
    if isinstance(item, Problem):
        return problem_to_json(item)
    return judgement_to_json(item)
