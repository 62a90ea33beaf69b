"""Measure how long `judge` takes for 10,000 switches, in one process, from file to verdict/1.

Readings are drawn from closed forms: lots of fifty of each of three types, every tenth faulty, five
siblings a lot. Each line is read, checked, judged and written; seconds are the processor's.
"""

from __future__ import annotations

import json
import tempfile
import time
from pathlib import Path

import numpy as np

from labbench.errors import Problem
from labbench.jobs.judge_files import judge_files
from labbench.jobs.plain import to_json
from labbench.records.readings_file import readings_to_json
from tests.benchmarks.figures import Figure
from tests.studies.switch_populations import FAULTS, KINDS, draw_lot, draw_part, faulty, measured

PARTS, A_LOT, SIBLINGS = 10_000, 50, 5
GOAL_MS = 2.0


def measure() -> list[Figure]:
    """Measure with five siblings a lot."""
    rng = np.random.default_rng(20250102)
    lines: list[str] = []
    for number in range(PARTS // A_LOT):
        name = f"lot {number}"
        lot = draw_lot(rng, KINDS[number % len(KINDS)])
        for k in range(A_LOT + SIBLINGS):
            sibling = k < SIBLINGS
            part = draw_part(rng, lot)
            if k % 10 == 9:
                part = faulty(rng, part, list(FAULTS)[k % len(FAULTS)])
            line = measured(
                rng, part, f"{number}-{k}", role="sibling" if sibling else "test", lot=name
            )
            lines.append(json.dumps(readings_to_json(line)))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "switches.jsonl"
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        begun = time.process_time()
        count = 0
        for item in judge_files([str(path)]):
            if isinstance(item, Problem):
                raise RuntimeError(f"the benchmark's own file cannot be read: {item}")
            json.dumps(to_json(item), allow_nan=False)
            count += 1
        seconds = time.process_time() - begun
    assert count == PARTS
    return [
        Figure("judge 10,000 switches, milliseconds of the processor each",
               1e3 * seconds / PARTS, "ms", GOAL_MS)
    ]  # fmt: skip
