"""The simulated board after a repair: its DC path by hand, what the monitor writes down about it.

By hand: Ohm's law over the resistances of the construction files and of the fixture. Not covered:
the inside of the stages (tests/sim/devices), real boards, anything quicker than a millisecond.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from sim.clock import ManualClock
from sim.physics.devices.board import Board
from sim.physics.devices.board_files import board_construction, load_board, read_board_fault
from sim.switch_bench import SwitchBench
from sim.text import Table, TextError
from tests.sim.switch_bench.conftest import Hands, MakeHands


def board_of(work: Hands, position: int) -> Board:
    device = work.bench._parts[position].device
    assert isinstance(device, Board)
    return device


def test_a_coil_in_place_reads_its_own_resistance(hands: MakeHands) -> None:
    work = hands("boards")
    work.connect(101, "board-sw-rail-2")
    work.on(0.2, 1.0)
    amps = work.bench.regulator_current_a(1)
    # besides the coil there is only the load, in series with megohms
    assert work.read() / amps == pytest.approx(board_of(work, 101).coils_ohm[1], rel=0.03)
    work.off()
    assert work.bench.damage == []


def test_a_shorted_high_side_shows_at_its_own_phase_and_through_both_coils_at_the_other(
    hands: MakeHands,
) -> None:
    work = hands("boards")
    seen = []
    for number in (1, 2):
        work.connect(102, f"board-vin-sw-{number}-direct")
        work.on(0.2, 1.0)
        seen.append(work.read() / work.bench.regulator_current_a(1))
        work.off()
    coils = board_of(work, 102).coils_ohm
    # 6 mohm, and 0.4 mohm of bonds and lands at most
    assert seen[0] == pytest.approx(6e-3, abs=0.9e-3)
    assert seen[1] - seen[0] == pytest.approx(sum(coils), rel=0.05)
    assert work.bench.damage == []


def test_a_shorted_input_leaves_the_current_to_the_22_ohm(hands: MakeHands) -> None:
    work = hands("boards")
    work.connect(109, "board-power")
    work.on(2.0, 0.3)
    # 22 ohm 1 %, 0.5 ohm of the short, 0.1 ohm of relays and leads
    assert work.bench.regulator_current_a(1) == pytest.approx(2.0 / 22.6, rel=0.015)
    work.off()
    assert work.bench.damage == []


def test_a_sound_board_comes_up_and_its_rail_stays_at_zero(hands: MakeHands) -> None:
    work = hands("boards")
    work.connect(107, "board-power")
    for volts in (1.0, 3.0, 4.0, 5.0):
        work.on(volts, 0.3)
    assert abs(work.read()) < 1e-3
    board = board_of(work, 107)
    assert all(stage.state.active for stage in board.stages)
    assert not any(any(stage.switches_on) for stage in board.stages)
    # the drivers' declared standby to active currents and the idle current of the rest
    assert 6e-3 < work.bench.regulator_current_a(1) < 6e-3 + 2 * 2.6e-3
    work.off()
    assert work.bench.damage == []


@pytest.mark.slow
def test_a_stuck_output_lifts_the_rail_once_its_driver_has_its_voltage(hands: MakeHands) -> None:
    work = hands("boards")
    work.connect(108, "board-power")
    work.on(3.0, 0.3)
    assert abs(work.read()) < 1e-3
    for volts in (3.5, 3.7, 3.9, 4.1, 4.3):
        work.on(volts, 0.3, wait_s=0.1)
        if work.read() > 5e-3:
            break
    assert work.read() > 5e-3
    work.off()
    assert work.bench.damage == []


@pytest.mark.slow
def test_large_input_capacitors_that_empty_into_the_rail_are_written_down(
    hands: MakeHands,
) -> None:
    # what they hold does not pass the 22 ohm, and the 1 ohm cannot hold it down
    sound = hands("boards")
    scenario = sound.bench.scenario
    built = board_of(sound, 108)
    large = Board(
        built.name, replace(built.construction, input_f=4.7e-3), built.stages, built.coils_ohm,
        built.load,
    )  # fmt: skip
    devices = {spec.name: sound.bench._parts[spec.position].device for spec in scenario.specimens}
    devices[built.name] = large
    work = Hands(SwitchBench(scenario, seed=1, clock=ManualClock(), devices=devices))
    work.connect(108, "board-power")
    work.on(5.0, 0.3, wait_s=0.3)
    assert any("where 0 to 0.9 V are allowed" in said for said in work.bench.damage)


def test_power_without_the_resistor_is_written_down(hands: MakeHands) -> None:
    work = hands("boards")
    work.connect(107, "board-power", without=(302, 401))
    assert work.bench.switch is not None
    work.bench.switch.close([312])
    work.on(1.0, 0.3)
    assert any("21 ohm are wanted" in said for said in work.bench.damage), work.bench.damage


def test_power_with_nothing_across_the_rail_is_written_down(hands: MakeHands) -> None:
    work = hands("boards")
    work.connect(107, "board-power", without=(434,))
    work.on(1.0, 0.3)
    assert any("nothing holds its rail down" in said for said in work.bench.damage)


def test_power_on_the_rail_instead_of_the_input_is_written_down(hands: MakeHands) -> None:
    work = hands("boards")
    work.connect(107, "rail-check")
    work.on(1.0, 0.1)
    assert any("V were put on" in said or "ohm are wanted" in said for said in work.bench.damage)


def test_a_board_file_with_mistakes_gets_all_of_them_at_once(tmp_path: Path) -> None:
    path = tmp_path / "board-x.toml"
    path.write_text('schema = 1\nname = "board-y"\nfamily = "board"\nstage = "load-core"\n'
                    'load = "load-cor"\nphases = 9\nwheels = 4\n')  # fmt: skip
    with pytest.raises(TextError) as raised:
        load_board(path)
    text = str(raised.value)
    for said in ("board-y", "is no stage", "load-core", "phases", "wheels", "idle"):
        assert said in text
    with pytest.raises(TextError, match="board-radar-core"):
        board_construction("board-radar-cor")


@pytest.mark.parametrize(
    ("table", "name", "paths"),
    [
        ({"fault": "short", "phase": 2, "path": "vin-sw", "resistance": "5 mohm"}, "short",
         ("vin-sw-2",)),
        ({"fault": "high-resistance-joint", "extra": "3 mohm"}, "high-resistance-joint",
         ("sw-rail-1",)),
        ({"fault": "solder-bridge", "phase": 1, "resistance": "0.1 ohm"}, "short", ("sw-rail-1",)),
        ({"fault": "load-short", "resistance": "8 mohm"}, "short", ("rail-ground",)),
        ({"fault": "input-short", "resistance": "1 ohm"}, "short", ("vin-ground",)),
        ({"fault": "output-stuck-high"}, "output-stuck-high", ("vin-sw-1",)),
    ],
)  # fmt: skip
def test_the_faults_of_a_board_say_where_they_are(
    table: dict[str, object], name: str, paths: tuple[str, ...]
) -> None:
    problems: list[str] = []
    fault = read_board_fault(Table(table, "", problems))
    assert problems == []
    assert fault is not None
    assert (fault.name, fault.paths) == (name, paths)


def test_a_fault_in_a_phase_that_is_not_there_is_a_problem() -> None:
    problems: list[str] = []
    read_board_fault(Table({"fault": "output-stuck-high", "phase": 3}, "", problems))
    assert any("phase" in problem for problem in problems)
