"""Check that readings files of every family are judged line by line, in order.

Does not cover: what each judgement says (tests/judging), the command's output (tests/fronts).
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

from labbench.errors import Problem
from labbench.jobs.judge_files import judge_files
from labbench.judging.judge import judge
from labbench.parts.library import find_part_type
from labbench.records.readings_file import readings_to_json
from labbench.results import LoadReading, Readings, StageReading
from tests.studies.switch_populations import KINDS, draw_lot, draw_part, faulty, measured


def write(path: Path, lines: list[Readings]) -> str:
    text = "".join(json.dumps(readings_to_json(line)) + "\n" for line in lines)
    path.write_text(text, encoding="utf-8")
    return str(path)


def lot_of_switches(seed: int = 3) -> list[Readings]:
    """Give five siblings, a sound part and one with each of two faults."""
    rng = np.random.default_rng(seed)
    lot = draw_lot(rng, KINDS[0])
    lines = [measured(rng, draw_part(rng, lot), f"S{k}", role="sibling") for k in range(5)]
    lines.append(measured(rng, draw_part(rng, lot), "Q1"))
    for name, fault in (("Q2", "drain leak 10 Ω-10 MΩ"), ("Q3", "open")):
        lines.append(measured(rng, faulty(rng, draw_part(rng, lot), fault), name))
    return lines


def test_switches_are_judged_by_the_siblings_of_their_file(tmp_path: Path) -> None:
    lines = lot_of_switches()
    judged = list(judge_files([write(tmp_path / "r.jsonl", lines[::-1])]))
    assert not any(isinstance(item, Problem) for item in judged)
    found = {item.specimen: item for item in judged if not isinstance(item, Problem)}
    assert {name: item.disposition for name, item in found.items()} == {
        "Q1": "fit", "Q2": "unfit", "Q3": "unfit",
    }  # fmt: skip
    # the file's road and the function's give the same
    alone = judge(
        next(line for line in lines if line.specimen == "Q1"), find_part_type("nfet-30v-5m"),
        siblings=[line for line in lines if line.role == "sibling"],
    )  # fmt: skip
    assert found["Q1"].disposition == alone.disposition


def test_a_file_may_hold_every_family_and_the_order_stays(tmp_path: Path) -> None:
    short = StageReading("short", "vin-pgnd", 0.3, "ohm", 0.01, {"polarity": "+"})
    stage = Readings(specimen="U1", type="stage-25v-50a", stage=(short,))
    coil = Readings(specimen="L1", type="coil-470n")
    load = Readings(
        specimen="b12", type="load", board="buoy-radar", rail="core-1v0",
        load=(LoadReading(0.1, 0.16, 1e-4),),
    )  # fmt: skip
    switch = lot_of_switches()[5]
    path = write(tmp_path / "r.jsonl", [stage, coil, load, switch])
    first, second, third, fourth = judge_files([path])
    assert not isinstance(first, Problem)
    assert (first.specimen, first.disposition) == ("U1", "unfit")
    assert not isinstance(second, Problem)
    assert second.specimen == "L1"
    assert isinstance(third, Problem)
    assert "labbench rail" in third.message
    assert third.line == 3
    assert not isinstance(fourth, Problem)
    assert fourth.specimen == "Q1"
