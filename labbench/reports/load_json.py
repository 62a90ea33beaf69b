"""Turn what is said of a load, or of a first power, into load/1 and first-power/1."""

from __future__ import annotations

__all__ = ["first_power_to_json", "load_to_json"]

from typing import Any, Literal

import attrs

from labbench.judging.first_power import FirstPowerJudgement, FirstPowerWord
from labbench.judging.load import LoadJudgement, LoadWord, When
from labbench.records.verdict_json import plain
from labbench.results import Estimate, PhaseReading, PowerStep, WouldDecide


@attrs.frozen
class _Number:
    value: float
    u: float


@attrs.frozen(kw_only=True)
class _LoadTable:
    schema: Literal["load/1"]
    specimen: str
    board: str | None
    rail: str | None
    when: When
    word: LoadWord
    because: str
    resistance_ohm: _Number | None
    exponent: _Number | None
    ratio: _Number | None
    phases: tuple[PhaseReading, ...]
    would_decide: tuple[WouldDecide, ...]
    remarks: tuple[str, ...]


@attrs.frozen(kw_only=True)
class _FirstPowerTable:
    schema: Literal["first-power/1"]
    specimen: str
    board: str
    rail: str
    word: FirstPowerWord
    because: str
    next_action: str
    stopped: str | None
    steps: tuple[PowerStep, ...]


def load_to_json(judgement: LoadJudgement) -> dict[str, Any]:
    """Give the load/1 object of a judgement; u are standard uncertainties."""
    numbers = {
        name: None if estimate is None else plain(_Number(estimate.value, estimate.u))
        for name, estimate in _estimates(judgement)
    }
    return {
        "schema": "load/1",
        "specimen": judgement.specimen,
        "board": judgement.board,
        "rail": judgement.rail,
        "when": judgement.when,
        "word": judgement.word,
        "because": judgement.because,
        **numbers,
        "phases": [plain(phase) for phase in judgement.phases],
        "would_decide": [plain(action) for action in judgement.would_decide],
        "remarks": list(judgement.remarks),
    }


def first_power_to_json(judgement: FirstPowerJudgement) -> dict[str, Any]:
    """Give the first-power/1 object of a judgement."""
    return {"schema": "first-power/1", **plain(judgement)}


def _estimates(judgement: LoadJudgement) -> tuple[tuple[str, Estimate | None], ...]:
    return (
        ("resistance_ohm", judgement.resistance),
        ("exponent", judgement.exponent),
        ("ratio", judgement.ratio),
    )
