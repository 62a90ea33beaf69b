"""Fault tables: what a scenario may say, and what it is told when it is wrong.

Does not cover what a fault does (test_coil.py).
"""

from __future__ import annotations

from typing import Any

import pytest

from sim.physics.faults import (
    BadJoint,
    CoreLeak,
    CrackedCore,
    Fault,
    FusedWinding,
    LossyCore,
    OpenWinding,
    ShortedTurn,
    SmallCore,
    fault_from_table,
)
from sim.text import TextError


@pytest.mark.parametrize(
    ("table", "fault"),
    [
        (
            {"fault": "shorted-turn", "turns": [2, 3], "contact": "50 mohm"},
            ShortedTurn((2, 3), 0.05),
        ),
        (
            {"fault": "fused-winding", "contact": "2 mohm", "core_lost": "30 %"},
            FusedWinding(2e-3, 0.3),
        ),
        ({"fault": "fused-winding", "contact": "2 mohm"}, FusedWinding(2e-3, 0.0)),
        ({"fault": "cracked-core", "flux_share": "50 %"}, CrackedCore(flux_share=0.5)),
        ({"fault": "cracked-core", "inductance_share": "60 %"}, CrackedCore(inductance_share=0.6)),
        ({"fault": "lossy-core", "factor": 4}, LossyCore(4)),
        ({"fault": "not-as-marked", "saturation": "70 %"}, SmallCore(0.7)),
        (
            {"fault": "winding-to-core-leak", "turn": 2, "resistance": "5 Mohm"},
            CoreLeak(5e6, 2),
        ),
        ({"fault": "high-resistance-joint", "factor": 1.5}, BadJoint(factor=1.5)),
        ({"fault": "high-resistance-joint", "extra": "1 mohm"}, BadJoint(extra_ohm=1e-3)),
        (
            {"fault": "open-winding", "turn": 3, "resistance": "10 Mohm"},
            OpenWinding(1e7, 3),
        ),
    ],
)
def test_a_fault_table_is_read(table: dict[str, Any], fault: Fault) -> None:
    assert fault_from_table(table) == fault


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ({"fault": "shorted-turns"}, ['did you mean "shorted-turn"']),
        ({}, ["fault: is missing"]),
        (
            {"fault": "shorted-turn", "turns": [3, 2], "contacts": "50 mohm"},
            ["turns: [3, 2]", "contact: is missing", "contacts: unknown key", '"contact"'],
        ),
        (
            {"fault": "shorted-turn", "turns": [1, True], "contact": 0.05},
            ["turns: [1, True]", "contact: 0.05 has no unit"],
        ),
        (
            {"fault": "fused-winding", "contact": "0 ohm", "core_lost": "120 %"},
            ["contact: '0 ohm' is outside", "core_lost: '120 %' is outside"],
        ),
        ({"fault": "cracked-core"}, ["either flux_share or inductance_share"]),
        (
            {"fault": "high-resistance-joint", "extra": "1 mohm", "factor": 1.5},
            ["either extra or factor"],
        ),
        ({"fault": "high-resistance-joint", "factor": 1}, ["factor: 1 is outside"]),
        ({"fault": "lossy-core", "factor": 0.5}, ["factor: 0.5 is outside"]),
        (
            {"fault": "open-winding", "turn": 0, "resistance": "10 MV"},
            ["turn: 0 is outside", 'resistance: "10 MV"'],
        ),
    ],
)
def test_every_problem_of_a_fault_table_is_named(table: dict[str, Any], words: list[str]) -> None:
    with pytest.raises(TextError) as caught:
        fault_from_table(table, "specimen D3")
    message = str(caught.value)
    assert message.startswith("specimen D3: ")
    for word in words:
        assert word in message
    assert len(caught.value.problems) >= (1 if len(words) == 1 else 2)


@pytest.mark.parametrize(
    ("kind", "values"),
    [
        (ShortedTurn, {"turns": (2, 2), "contact_ohm": 1.0}),
        (ShortedTurn, {"turns": (0, 2), "contact_ohm": 1.0}),
        (ShortedTurn, {"turns": (1, 2), "contact_ohm": 0.0}),
        (FusedWinding, {"contact_ohm": 1.0, "core_lost": 1.1}),
        (CrackedCore, {"flux_share": -0.1}),
        (CrackedCore, {"flux_share": 0.5, "inductance_share": 0.5}),
        (LossyCore, {"factor": float("nan")}),
        (BadJoint, {}),
        (BadJoint, {"factor": 1.0}),
        (OpenWinding, {"resistance_ohm": -1.0, "turn": 1}),
        (OpenWinding, {"resistance_ohm": 1.0, "turn": 0}),
    ],
)
def test_a_fault_that_cannot_be_is_refused(kind: type[Fault], values: dict[str, Any]) -> None:
    with pytest.raises(ValueError):
        kind(**values)
