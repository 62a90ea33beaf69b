"""Make the plan of a gauge study and keep it as a file (gauge-plan/1)."""

from __future__ import annotations

__all__ = [
    "SCHEMA",
    "PlanFile",
    "load_plan",
    "make_plan",
    "save_plan",
]

import json
import os
import secrets
from collections.abc import Sequence
from pathlib import Path
from typing import Final, Literal

from attrs import asdict, frozen

from labbench.errors import FileProblems, InputError, Problem
from labbench.files import parse_json_line, structure, unreadable
from labbench.lots.plans import Characteristic, GaugePlan, plan_study
from labbench.parts.coil_type import CoilType

SCHEMA: Final = "gauge-plan/1"


@frozen(kw_only=True)
class PlanFile(GaugePlan):
    """Hold what a plan file holds: the plan and its schema."""

    schema: Literal["gauge-plan/1"]


def make_plan(
    part: CoilType,
    *,
    study: str,
    characteristic: Characteristic,
    frequency_hz: float | None,
    parts: Sequence[str],
    operators: Sequence[str],
    trials: int,
    days: int,
    readings: int,
    seed: int | None,
    type_name: str | None = None,
) -> GaugePlan:
    """Plan a study of a part type's characteristic; without a seed one is drawn (and kept).

    An inductance is studied at `frequency_hz`, else where the type's first limit is, else at
    100 kHz. `type_name` is how the part type was called: a name, a file or a marking.
    """
    if characteristic == "inductance" and frequency_hz is None:
        frequency_hz = part.inductance[0].frequency_hz if part.inductance else 100e3
    return plan_study(
        study=study, type=type_name or part.name, characteristic=characteristic,
        frequency_hz=frequency_hz if characteristic == "inductance" else None,
        parts=parts, operators=operators, trials=trials, days=days, readings=readings,
        seed=secrets.randbelow(2**31) if seed is None else seed,
    )  # fmt: skip


def save_plan(plan: GaugePlan, path: Path) -> None:
    """Write a plan; raise InputError where the file exists: runs may refer to it already."""
    if path.exists():
        raise InputError(
            f"the file {path} exists already and a plan is never written over",
            hint="give another --out, or move the old plan away",
        )
    path.parent.mkdir(parents=True, exist_ok=True)
    fresh = path.with_name(f"{path.name}.{os.getpid()}.new")
    data = {"schema": SCHEMA} | asdict(plan)
    fresh.write_text(json.dumps(data, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    os.replace(fresh, path)


def load_plan(path: Path) -> GaugePlan:
    """Read a plan; raise FileProblems with every problem of the file."""
    try:
        data = parse_json_line(path.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError) as error:
        raise FileProblems([Problem(str(path), unreadable(error))]) from error
    except InputError as error:
        raise FileProblems([Problem(str(path), error.message)]) from error
    if not isinstance(data, dict) or data.get("schema") != SCHEMA:
        raise FileProblems(
            [Problem(str(path), f"is no plan of a gauge study (schema {SCHEMA})", key="schema")],
            hint="`labbench gauge plan` writes one",
        )
    plan = structure(data, PlanFile, file=str(path))
    unknown = sorted(
        {entry.code for entry in plan.entries if entry.code not in plan.codes}
        | {part for part in plan.codes.values() if part not in plan.parts}
        | {entry.operator for entry in plan.entries if entry.operator not in plan.operators}
    )
    if unknown:
        raise FileProblems(
            [Problem(str(path), f"{name!r} stands in the order and not in the lists", key="entries")
             for name in unknown]
        )  # fmt: skip
    return plan
