"""Measure how many parts `judge` judges in a second, in one process, from file to verdict/1.

The readings are those of the demo's eleven coils (simulated), repeated with small changes; each
line is read, checked, judged and written. With siblings: ten more healthy ones of the same lot.
Seconds are those of the processor, so that other programs do not count.
"""

from __future__ import annotations

import json
import random
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from labbench.compose import data_folder, open_simulated
from labbench.errors import Problem
from labbench.fronts.terminal.person import TerminalPerson
from labbench.jobs.compensate import compensate
from labbench.jobs.judge_files import judge_files
from labbench.jobs.part_types import find
from labbench.jobs.plain import to_json
from labbench.jobs.verify import Request, verify
from labbench.records.readings_file import readings_to_json
from tests.benchmarks.figures import Figure

PARTS = 330
SIBLINGS = 10
#: 20 ms a coil
GOAL_A_SECOND = 50.0


def measure() -> list[Figure]:
    """Measure without and with siblings."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        lines = _demo_readings(folder / "demo")
        healthy = [line for line in lines if line["specimen"] in ("D1", "D4", "D7", "D11")]
        rng = random.Random(20250101)
        parts = [_changed(lines[i % len(lines)], f"P{i}", rng) for i in range(PARTS)]
        siblings = [
            {**_changed(healthy[i % len(healthy)], f"S{i}", rng), "role": "sibling"}
            for i in range(SIBLINGS * 2)
        ]
        # the first lines load what is loaded once
        _judge(folder / "warm.jsonl", parts[:11])
        alone_s = _judge(folder / "alone.jsonl", parts)
        with_s = _judge(folder / "with.jsonl", [*siblings, *parts])
    return [
        Figure(
            "judge, parts a second of the processor", PARTS / alone_s, "/s", GOAL_A_SECOND, True
        ),
        Figure(
            "judge with siblings, parts a second of the processor",
            PARTS / with_s,
            "/s",
            GOAL_A_SECOND,
            True,
        ),
    ]


def _judge(path: Path, lines: Sequence[dict[str, Any]]) -> float:
    """Judge a file from start to end; give the processor's seconds."""
    path.write_text("".join(json.dumps(line) + "\n" for line in lines), encoding="utf-8")
    begun = time.process_time()
    count = 0
    for item in judge_files([str(path)]):
        if isinstance(item, Problem):
            raise RuntimeError(f"the benchmark's own file cannot be read: {item}")
        json.dumps(to_json(item), allow_nan=False)
        count += 1
    seconds = time.process_time() - begun
    assert count == sum(line["role"] == "test" for line in lines)
    return seconds


def _demo_readings(folder: Path) -> list[dict[str, Any]]:
    """Measure the coils of the demo with simulated time that jumps."""
    person = TerminalPerson(
        interactive=False, quiet=True, answers={"look": "fine", "coil-resistance": "yes"}
    )
    data = data_folder(folder)
    found = []
    with open_simulated("harbour-buoys", data, waits=False) as (served, opened):
        compensate(opened, who="benchmark", operator=person, data=data)
        for name, type_name, donor in served.specimens:
            request = Request(
                part=find(type_name, ()), specimen=name, position=name, who="benchmark",
                donor=donor,
            )  # fmt: skip
            outcome = verify(opened, request, operator=person, data=data)
            found.append(readings_to_json(outcome.readings))
    return found


def _changed(line: dict[str, Any], specimen: str, rng: random.Random) -> dict[str, Any]:
    """Make another part of it: everything measured half a percent off, in one lot."""
    copy: dict[str, Any] = json.loads(json.dumps(line))
    copy.update(specimen=specimen, lot="one lot", role="test")
    if (sweep := copy.get("impedance")) is not None:
        for key in ("resistance_ohm", "reactance_ohm"):
            factor = rng.gauss(1.0, 0.005)
            sweep[key] = [v and v * factor for v in sweep[key]]
    resistance = copy.get("dc_resistance")
    if resistance is not None and resistance.get("value_ohm"):
        resistance["value_ohm"] *= rng.gauss(1.0, 0.005)
    return copy
