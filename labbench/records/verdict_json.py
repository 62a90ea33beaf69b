"""Turn a judgement into verdict/1, a problem into problem/1, and verdict/1 back."""

from __future__ import annotations

__all__ = ["judgement_from_json", "judgement_to_json", "plain", "problem_to_json"]

import math
from collections.abc import Mapping
from typing import Any, Literal

import attrs

from labbench.errors import Problem
from labbench.files import structure
from labbench.results import Characteristic, Disposition, Finding, Judgement, WouldDecide


def judgement_to_json(judgement: Judgement) -> dict[str, Any]:
    """Give the verdict/1 object of a judgement (remarks and plots stay out)."""
    return {
        "schema": "verdict/1",
        "specimen": judgement.specimen,
        "type": judgement.type,
        "disposition": judgement.disposition,
        "findings": [plain(finding) for finding in judgement.findings],
        "characteristics": [plain(each) for each in judgement.characteristics],
        "would_decide": [plain(action) for action in judgement.would_decide],
    }


@attrs.frozen(kw_only=True)
class _VerdictTable:
    schema: Literal["verdict/1"]
    specimen: str
    type: str
    disposition: Disposition
    findings: tuple[Finding, ...]
    characteristics: tuple[Characteristic, ...]
    would_decide: tuple[WouldDecide, ...]
    remarks: tuple[str, ...] = ()


def judgement_from_json(data: Mapping[str, Any], *, file: str = "verdict") -> Judgement:
    """Give the judgement of a verdict/1 object, which may carry `remarks` beside.

    Raises FileProblems.
    """
    table = structure(data, _VerdictTable, file=file)
    return Judgement(
        specimen=table.specimen,
        type=table.type,
        disposition=table.disposition,
        findings=table.findings,
        characteristics=table.characteristics,
        would_decide=table.would_decide,
        remarks=table.remarks,
    )


def problem_to_json(problem: Problem) -> dict[str, Any]:
    """Give the problem/1 object of a problem; key and suggestion become part of the message."""
    message = f"{problem.key}: {problem.message}" if problem.key else problem.message
    if problem.suggestion:
        message += f"; did you mean {problem.suggestion}?"
    return {"schema": "problem/1", "file": problem.file, "line": problem.line, "message": message}


def plain(value: Any) -> Any:
    """Turn attrs data, mappings, sequences and numpy scalars into what JSON holds.

    An infinite number (no bound, no limit) becomes null; NaN raises ValueError.
    """
    if attrs.has(type(value)):
        return {
            field.name: plain(getattr(value, field.name)) for field in attrs.fields(type(value))
        }
    if isinstance(value, Mapping):
        return {str(name): plain(item) for name, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, float):  # numpy's float64 is one
        if math.isnan(value):
            raise ValueError("NaN has no place in a record")
        return None if math.isinf(value) else float(value)
    if value is None or isinstance(value, bool | int | str):
        return value
    if hasattr(value, "tolist"):  # other numpy scalars and arrays
        return plain(value.tolist())
    raise TypeError(f"{type(value).__name__} has no place in a record")
