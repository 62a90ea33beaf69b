"""The load check with doubles: what it gives a board, which way it reads, what it makes of it.

Not covered: what the numbers mean (tests/judging), the simulated boards (tests/end_to_end).
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from labbench.errors import Problem, StepAborted
from labbench.jobs.rail import judge_rail_files
from labbench.procedures.switch.rail import LoadTaken, check_rail
from tests.switch_doubles import SwitchRig


def check(rig: SwitchRig, ohm: float) -> tuple[LoadTaken, ...]:
    rig.operator.answers["all-off"] = "yes"
    assert rig.world.part is not None
    rig.world.part.drain_ohm = ohm
    taken = check_rail(rig.bench, position="Q3").load
    rig.bench.make_safe()
    return taken


def test_a_board_that_nobody_confirmed_off_is_given_nothing(tmp_path: Path) -> None:
    rig = SwitchRig(tmp_path)
    with pytest.raises(StepAborted, match="not off and discharged"):
        check_rail(rig.bench, position="Q3")
    assert rig.supply.programmed == []


@pytest.mark.parametrize("ohm", [2e-3, 0.6, 6.0, 31.0, 870.0])
def test_never_more_than_three_tenths_of_a_volt_and_one_ampere(tmp_path: Path, ohm: float) -> None:
    rig = SwitchRig(tmp_path)
    check(rig, ohm)
    assert max(volts for _, volts, _ in rig.supply.programmed) <= 0.3
    assert max(amps for _, _, amps in rig.supply.programmed) <= 1.0
    first = [amps for _, volts, amps in rig.supply.programmed if volts > 0][:1]
    assert first == [0.1]


@pytest.mark.parametrize(
    ("ohm", "series_ohm"), [(0.6, None), (6.0, 4.7), (31.0, 4.7), (70.0, 100.0), (870.0, 100.0)]
)
def test_a_small_current_is_read_across_a_resistor_and_a_large_one_fed_directly(
    tmp_path: Path, ohm: float, series_ohm: float | None
) -> None:
    taken = check(SwitchRig(tmp_path), ohm)
    assert {one.series_ohm for one in taken} == {series_ohm}
    for one in taken[1:]:
        assert one.voltage_v / one.current_a == pytest.approx(ohm, rel=0.03)
    assert [one.set_v for one in taken] == [0.05, 0.1, 0.2, 0.3, 0.2, 0.1, 0.05]
    assert [one.repeat for one in taken] == [False] * 4 + [True] * 3


def test_a_file_is_judged_against_the_good_board_that_stands_in_it(tmp_path: Path) -> None:
    path = tmp_path / "rails.jsonl"

    def line(specimen: str, role: str, ohm: float) -> str:
        load = [{"voltage_v": v, "current_a": (v / 0.1) ** 0.5 * 0.1 / ohm, "u_current_a": 1e-5}
                for v in (0.1, 0.3)]  # fmt: skip
        return json.dumps({"schema": "readings/1", "specimen": specimen, "type": "load",
                           "role": role, "board": "b", "rail": "core", "load": load})  # fmt: skip

    lines = [line("in question", "test", 0.05), line("works", "good", 2.0), "no line"]
    path.write_text("\n".join(lines), encoding="utf-8")
    dead, problem = judge_rail_files([path])
    assert not isinstance(dead, Problem)
    assert (dead.specimen, dead.word) == ("in question", "dead")
    assert dead.ratio is not None
    assert dead.ratio.value == pytest.approx(0.025, rel=0.02)
    assert isinstance(problem, Problem)
    assert problem.line == 3
