"""Phases in place and a first power, with doubles: what a board is given, what ends it, and how.

Closed forms of the crudest kind stand for the board. Not covered: what the numbers mean
(tests/judging), simulated boards (tests/end_to_end).
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import pytest

from labbench.errors import ReplyTimeout, StepAborted, StoppedByPerson
from labbench.procedures.switch.first_power import first_power
from labbench.procedures.switch.fitted import check_phases
from labbench.procedures.switch.hookups import series_ohm_of
from labbench.records.journal import read_journal
from tests.switch_doubles import SwitchRig

VIN_SW = {1: 2e5, 2: 2e5}
COILS = {1: 1.6e-3, 2: 1.5e-3}


class OnTheBoard:
    """Answer what supply and multimeter read, from the hookup and a few numbers."""

    def __init__(self, rig: SwitchRig) -> None:
        self.rig = rig
        self.vin_sw, self.coils = dict(VIN_SW), dict(COILS)
        self.input_ohm: Callable[[float], float] = lambda volts: 1e3
        self.rail_v: Callable[[float], float] = lambda volts: 2e-5
        self.most_rail_feed_v = 0.0
        rig.world.solve = self.solve  # type: ignore[method-assign]

    def solve(self) -> tuple[float, float, float]:
        one, name = self.rig.world.channel[1], self.rig.world.hookup or ""
        if not one.on:
            return 0.0, 0.0, 3e-6
        if name == "board-power":
            amps = min(one.volts / (22.0 + self.input_ohm(one.volts)), one.amps)
            return one.volts, amps, self.rail_v(one.volts)
        phase = int(name.removesuffix("-direct")[-1])
        if name.startswith("board-sw-rail"):
            ohm = self.coils[phase]
        else:
            ohm = self.vin_sw[phase]
        series = series_ohm_of(name)
        if series is not None:
            amps = one.volts / (series + ohm)
            return one.volts, amps, amps * series + 3e-6
        amps = min(one.amps, one.volts / (0.05 + ohm))
        return amps * (0.05 + ohm), amps, amps * ohm + 3e-6


@pytest.fixture
def rig(tmp_path: Path) -> SwitchRig:
    made = SwitchRig(tmp_path)
    made.operator.answers |= {"first-power": "yes"}
    return made


def test_each_phase_is_read_both_ways_at_two_tenths_of_a_volt(rig: SwitchRig) -> None:
    board = OnTheBoard(rig)
    taken = check_phases(rig.bench, (1, 2), position="Q3")
    assert [(one.path, one.phase) for one in taken] == [
        ("vin-sw", 1), ("vin-sw", 2), ("sw-rail", 1), ("sw-rail", 2),
    ]  # fmt: skip
    for one in taken:
        expected = (board.vin_sw if one.path == "vin-sw" else board.coils)[one.phase]
        # behind 100 ohm a zero of 3 uV is 3 % of what 200 kohm leave there
        assert one.ohm == pytest.approx(expected, rel=0.04)
    assert max(volts for _, volts, _ in rig.supply.programmed) <= 0.2
    assert max(amps for _, _, amps in rig.supply.programmed) <= 1.0


def test_a_short_is_read_again_directly_to_tell_milliohms(rig: SwitchRig) -> None:
    board = OnTheBoard(rig)
    board.vin_sw = {1: 6e-3, 2: 9e-3}
    taken = check_phases(rig.bench, (1, 2), position="Q3")
    assert [one.ohm for one in taken[:2]] == pytest.approx([6e-3, 9e-3], rel=0.01)
    assert all(one.series_ohm is None for one in taken)


def test_a_coil_that_is_not_joined_is_a_bound_and_no_number(rig: SwitchRig) -> None:
    board = OnTheBoard(rig)
    board.coils[2] = 1e6
    taken = check_phases(rig.bench, (1, 2), position="Q3")
    assert taken[3].ohm is None
    assert taken[3].greater_than_ohm == pytest.approx(10.0)


def test_milliohms_without_a_multimeter_are_not_tried(tmp_path: Path) -> None:
    rig = SwitchRig(tmp_path, without=["multimeter"])
    with pytest.raises(StepAborted, match="need a multimeter"):
        check_phases(rig.bench, (1,), position="Q3")
    assert rig.supply.programmed == []


class TestFirstPower:
    """Check what a board is given at first, and that everything unexpected ends it."""

    def test_a_quiet_board_is_raised_in_small_steps_and_run_down(self, rig: SwitchRig) -> None:
        OnTheBoard(rig)
        taken = first_power(rig.bench, position="Q3")
        assert taken.stopped is None
        volts = [volts for _, volts, _ in rig.supply.programmed]
        steps = [b - a for a, b in pairwise(volts)]
        assert volts[0] == 0.25
        assert max(volts) == 5.0
        assert max(steps) <= 0.5 + 1e-9
        assert max(b - a for a, b in pairwise(volts) if a >= 3.0) <= 0.1 + 1e-9
        assert volts[-1] == 0.0
        assert {amps for _, _, amps in rig.supply.programmed} == {0.3}
        assert not rig.world.channel[1].on

    @pytest.mark.parametrize(
        ("change", "stopped", "below_v"),
        [
            ({"rail_v": lambda v: 0.05 if v >= 3.9 else 0.0}, "rail-rises", 4.0),
            ({"rail_v": lambda v: -0.02 if v >= 1.0 else 0.0}, "rail-rises", 1.1),
            ({"input_ohm": lambda v: 0.5}, "input-low", 0.6),
            ({"input_ohm": lambda v: 15.0 if v >= 4.0 else 1e3}, "input-current", 4.1),
        ],
    )
    def test_what_is_not_as_it_should_be_ends_it_at_once(
        self, rig: SwitchRig, change: dict[str, Callable[[float], float]], stopped: str,
        below_v: float,
    ) -> None:  # fmt: skip
        board = OnTheBoard(rig)
        vars(board).update(change)
        taken = first_power(rig.bench, position="Q3")
        assert taken.stopped == stopped
        assert taken.why is not None
        assert taken.steps[-1].set_v < below_v
        # off at once: the next thing that happens to the channel after the last step
        assert rig.supply.acts[-1] == (1, "off")
        assert rig.supply.acts[-2] in ((1, f"{taken.steps[-1].set_v:g} V"), (1, "on"))
        assert not rig.world.channel[1].on
        offs = [e for e in read_journal(rig.path).events if e.kind == "off"]
        assert offs[-1].data["confirmed"] == "read back"

    def test_a_current_that_never_rests_ends_it(self, rig: SwitchRig) -> None:
        board = OnTheBoard(rig)
        flip = [0]

        def wandering(volts: float) -> float:
            flip[0] += 1
            return 60.0 if volts >= 2.0 and flip[0] % 6 < 3 else 200.0

        board.input_ohm = wandering
        taken = first_power(rig.bench, position="Q3")
        assert taken.stopped == "not-settling"
        assert not rig.world.channel[1].on

    def test_something_that_changes_while_it_holds_ends_it_too(self, rig: SwitchRig) -> None:
        board = OnTheBoard(rig)
        at_top: list[float] = []

        def late(volts: float) -> float:
            if volts == 5.0:
                at_top.append(volts)
            return 0.3 if len(at_top) > 12 else 0.0

        board.rail_v = late
        taken = first_power(rig.bench, position="Q3")
        assert taken.stopped == "rail-rises"
        assert taken.steps[-1].set_v == 5.0

    def test_the_resistor_and_what_holds_the_rail_are_in_the_hookup_that_is_made(
        self, tmp_path: Path
    ) -> None:
        rig = SwitchRig(tmp_path, by_person=True)
        rig.operator.answers |= {"first-power": "yes"}
        OnTheBoard(rig)
        first_power(rig.bench)
        (made,) = [p for p in rig.operator.asked if p.kind == "hookup"]
        drawn = "\n".join(str(line) for line in made.detail["drawing"])  # type: ignore[union-attr]
        assert "[ 22 Ω ]---o VIN" in drawn
        assert "rail         o---[ 1 Ω ]---o ground" in drawn

    @pytest.mark.parametrize("without", ["multimeter", "willingness"])
    def test_without_a_watch_on_the_rail_or_a_yes_nothing_is_energised(
        self, tmp_path: Path, without: str
    ) -> None:
        rig = SwitchRig(tmp_path, without=[without])
        rig.operator.answers |= {"first-power": "no"}
        OnTheBoard(rig)
        with pytest.raises(StepAborted, match="nothing was energised"):
            first_power(rig.bench, position="Q3")
        assert rig.supply.programmed == []

    def test_a_link_that_falls_silent_ends_it_with_the_output_off(self, rig: SwitchRig) -> None:
        board = OnTheBoard(rig)

        def silent(volts: float) -> float:
            if volts >= 3.0:
                raise ReplyTimeout("no answer")
            return 0.0

        board.rail_v = silent
        with pytest.raises(ReplyTimeout):
            first_power(rig.bench, position="Q3")
        assert not rig.world.channel[1].on

    def test_a_stop_ends_it_with_the_output_off(self, rig: SwitchRig) -> None:
        board = OnTheBoard(rig)

        def stopping(volts: float) -> float:
            if volts >= 3.0:
                rig.stop.request("the person asked")
            return 0.0

        board.rail_v = stopping
        with pytest.raises(StoppedByPerson):
            first_power(rig.bench, position="Q3")
        assert not rig.world.channel[1].on
