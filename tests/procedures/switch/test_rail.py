"""The load check with doubles: what it gives a board, which way it reads, what it makes of it.

Not covered: what the numbers mean (tests/judging), the simulated boards (tests/end_to_end).
"""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest

from labbench.errors import Problem, StepAborted
from labbench.jobs.rail import judge_rail_files
from labbench.procedures.switch.rail import LoadTaken, check_rail, settling_s
from tests.switch_doubles import Part, SwitchRig


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


class Shorting(Part):
    """Hold copper where the clips are on each other, a load of `drain_ohm` elsewhere."""

    def current(self, hookup: str, volts: float, gate_v: float) -> float:
        return volts / (1e-5 if hookup == "rail-short" else self.drain_ohm)


def test_without_a_multimeter_the_leads_are_read_on_each_other_and_taken_out(
    tmp_path: Path,
) -> None:
    rig = SwitchRig(tmp_path, without=["multimeter"])
    rig.operator.answers["all-off"] = "yes"
    rig.world.part = Shorting()
    rig.world.part.drain_ohm = 0.5
    taken = check_rail(rig.bench, position="Q3")
    assert taken.leads_ohm == pytest.approx(0.03, rel=0.05)
    assert {one.method for one in taken.load} == {"supply-readback"}
    for one in taken.load:
        assert one.voltage_v / one.current_a == pytest.approx(0.5, rel=0.03)
    clips = next(volts for _, volts, _ in rig.supply.programmed if volts > 0)
    assert clips <= 0.2


def test_a_person_holds_the_clips_together_and_then_goes_to_the_board(tmp_path: Path) -> None:
    rig = SwitchRig(tmp_path, by_person=True, without=["multimeter"])
    rig.operator.answers["all-off"] = "yes"
    rig.world.part = Shorting()
    rig.world.part.drain_ohm = 0.5
    check_rail(rig.bench)
    assert rig.operator.ties() == ["rail-short", "rail-check"]
    assert not [prompt for prompt in rig.operator.asked if prompt.kind == "place"]


def test_clips_that_do_not_touch_each_other_end_it_with_nothing_on_the_board(
    tmp_path: Path,
) -> None:
    rig = SwitchRig(tmp_path, without=["multimeter"])
    rig.operator.answers["all-off"] = "yes"
    with pytest.raises(StepAborted, match="they do not touch"):
        check_rail(rig.bench, position="Q3")
    assert rig.world.hookup == "rail-short"
    assert not rig.world.channel[1].on


@pytest.mark.parametrize(("declared", "ohm"), [(True, 0.13), (False, 0.05)])
def test_a_large_core_gets_three_amperes_and_never_more_than_a_third_of_a_watt(
    tmp_path: Path, declared: bool, ohm: float
) -> None:
    rig = SwitchRig(tmp_path)
    rig.operator.answers["all-off"] = "yes"
    assert rig.world.part is not None
    rig.world.part.drain_ohm = ohm
    taken = check_rail(rig.bench, position="Q3", large_core=declared)
    assert taken.large_core
    given = [(volts, amps) for _, volts, amps in rig.supply.programmed if volts > 0]
    assert max(amps for _, amps in given) > 1.0
    assert all(amps <= 3.0 and volts * amps <= 0.3 + 1e-9 for volts, amps in given)
    assert given[0][1] == 0.1


def test_a_dead_short_is_no_large_core(tmp_path: Path) -> None:
    rig = SwitchRig(tmp_path)
    assert all(one.current_a <= 1.0 + 1e-3 for one in check(rig, 8e-3))
    assert max(amps for _, _, amps in rig.supply.programmed) <= 1.0


def test_an_input_gets_two_tenths_of_a_volt_and_half_an_ampere(tmp_path: Path) -> None:
    rig = SwitchRig(tmp_path)
    rig.operator.answers["all-off"] = "yes"
    assert rig.world.part is not None
    rig.world.part.drain_ohm = 0.3
    taken = check_rail(rig.bench, position="Q3", side="input", large_core=True)
    assert rig.world.hookup == "vin-check"
    assert [one.set_v for one in taken.load] == [0.05, 0.1, 0.2, 0.1, 0.05]
    assert max(volts for _, volts, _ in rig.supply.programmed) <= 0.2
    assert max(amps for _, _, amps in rig.supply.programmed) <= 0.5
    assert not taken.large_core


class Charging(Part):
    """Draw more while a capacitor charges: the current falls with the clock from each on."""

    def __init__(self, rig: SwitchRig, tau_s: float) -> None:
        super().__init__()
        self._rig, self._tau_s, self._ons, self._since_s = rig, tau_s, 0, 0.0

    def current(self, hookup: str, volts: float, gate_v: float) -> float:
        now_s = self._rig.clock.monotonic_s()
        ons = self._rig.supply.acts.count((1, "on"))
        if ons != self._ons:
            self._ons, self._since_s = ons, now_s
        return volts / 500.0 * (1.0 + 10.0 * math.exp(-(now_s - self._since_s) / self._tau_s))


@pytest.mark.parametrize(("tau_s", "status"), [(0.3, "ok"), (15.0, "unstable")])
def test_a_current_counts_when_it_has_come_to_rest(
    tmp_path: Path, tau_s: float, status: str
) -> None:
    rig = SwitchRig(tmp_path)
    rig.operator.answers["all-off"] = "yes"
    rig.world.part = Charging(rig, tau_s)
    taken = check_rail(rig.bench, position="Q3")
    assert {one.status for one in taken.load} == {status}
    if status == "ok":
        for one in taken.load:
            assert one.voltage_v / one.current_a == pytest.approx(500.0, rel=0.02)


def test_settling_is_what_capacitance_current_and_resistance_make_it() -> None:
    """By hand: 5 mF to 0.3 V at 0.1 A takes 15 ms; 4.6 times 5 mF times 0.05 ohm 1.15 ms more."""
    assert settling_s(0.3, 0.1, 0.05, 1e6) == pytest.approx(15e-3 + 1.15e-3, rel=1e-3)
    assert settling_s(0.3, 0.1, 100.0, 100.0) == pytest.approx(4.6 * 5e-3 * 50.0)


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
