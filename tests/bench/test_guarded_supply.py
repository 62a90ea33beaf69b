"""Check the energy rules: off is confirmed on every road, or OutputStateUnknown is raised.

Not covered: real supplies, kill -9 (the journal's tests), the time that a forced off takes.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from labbench.bench.bench import Bench
from labbench.bench.limits import Need
from labbench.errors import (
    InstrumentError,
    JournalFailed,
    LimitExceeded,
    LinkLost,
    OutputStateUnknown,
    ReplyTimeout,
    SafetyError,
    SettingNotTaken,
    StillCharged,
    StoppedByPerson,
)
from labbench.procedures.hookups import COIL_IMPEDANCE, COIL_KELVIN
from labbench.records.journal import find_unfinished, read_journal
from tests.doubles import Rig

NEED = Need("coil resistance", voltage_v=0.5, current_a=3.0, time_s=10.0, surge_j=1e-3)


def ready(tmp_path: Path, **options: object) -> Rig:
    rig = Rig(tmp_path, ("energise", "test", "yes"), **options)  # type: ignore[arg-type]
    rig.bench.connect(COIL_KELVIN, "D3")
    rig.bench.ask_to_energise("test")
    return rig


def energise(rig: Rig, inside: Callable[[Bench], object] = lambda bench: None) -> None:
    with rig.bench.energised(volts=0.3, amps=3.0, reason="test", need=NEED):
        inside(rig.bench)


def kinds(rig: Rig) -> list[str]:
    return [event.kind for event in read_journal(rig.path).events]


def test_about_to_energise_is_on_disk_before_on(tmp_path: Path) -> None:
    rig = ready(tmp_path)
    seen: list[str] = []
    rig.supply.on_switch_on = lambda: seen.extend(kinds(rig))
    energise(rig)
    assert seen[-1] == "about-to-energise"
    data = read_journal(rig.path).of_kind("about-to-energise")[0].data
    assert data["channel"] == 1
    assert data["setting"]["voltage_v"] == 0.3
    assert data["setting"]["current_a"] == 3.0
    assert data["setting"]["over_voltage_v"] == pytest.approx(0.83)


def test_protection_is_programmed_and_off_read_back_before_on(tmp_path: Path) -> None:
    rig = ready(tmp_path)
    rig.exchanges.names.clear()
    energise(rig)
    names = rig.exchanges.names
    on = names.index("supply.switch_on")
    assert names[:on] == ["supply.is_on", "supply.program"]
    assert names[on + 1 :] == [
        "supply.is_on", "supply.read_voltage", "supply.read_current",
        "supply.switch_off", "supply.is_on",
    ]  # fmt: skip
    assert kinds(rig)[-3:] == ["about-to-energise", "energised", "off"]
    assert not rig.world.on


def test_a_request_beyond_a_limit_is_refused_and_nothing_is_sent(tmp_path: Path) -> None:
    rig = ready(tmp_path)
    sent = len(rig.exchanges.names)
    with pytest.raises(LimitExceeded, match="not touched"), rig.bench.energised(
        volts=0.6, amps=3.0, reason="test", need=NEED
    ):  # fmt: skip
        raise AssertionError("the block was entered")
    with pytest.raises(LimitExceeded, match="channels 1 to 2"), rig.bench.energised(
        3, volts=0.3, amps=3.0, reason="test", need=NEED
    ):  # fmt: skip
        raise AssertionError("the block was entered")
    assert len(rig.exchanges.names) == sent
    assert "about-to-energise" not in kinds(rig)


def test_an_output_that_is_on_already_is_not_ours_to_use(tmp_path: Path) -> None:
    rig = ready(tmp_path)
    rig.world.switch(True)
    with pytest.raises(SafetyError, match="reads back on"):
        energise(rig)
    assert rig.supply.programmed == []


def test_a_current_limit_that_reads_back_differently_stops_before_on(tmp_path: Path) -> None:
    rig = ready(tmp_path)
    rig.supply.current_read_back = 5.0
    with pytest.raises(SettingNotTaken, match="current limit 5 A instead of 3 A"):
        energise(rig)
    assert "supply.switch_on" not in rig.exchanges.names
    assert "about-to-energise" not in kinds(rig)


def test_a_supply_that_does_not_come_on_is_noticed(tmp_path: Path) -> None:
    rig = ready(tmp_path)
    rig.supply.does_not_come_on = True
    with pytest.raises(SettingNotTaken, match="reads back off"):
        energise(rig)
    assert kinds(rig)[-1] == "off"


def test_more_voltage_than_set_switches_off_at_once(tmp_path: Path) -> None:
    rig = ready(tmp_path)
    rig.world.leads_ohm = 0.2  # 3 A drop 0.6 V: the fake limits the current, so raise both
    rig.supply.on_switch_on = lambda: setattr(rig.world, "set_v", 2.0)
    with pytest.raises(LimitExceeded, match="measures"):
        energise(rig)
    assert not rig.world.on


def test_an_error_inside_the_block_switches_off_and_says_so(tmp_path: Path) -> None:
    rig = ready(tmp_path)

    def fails(bench: Bench) -> None:
        raise ReplyTimeout("the multimeter stayed silent")

    with pytest.raises(ReplyTimeout) as caught:
        energise(rig, fails)
    assert not rig.world.on
    assert "switched off and read back" in caught.value.__notes__[0]


def test_an_off_that_does_not_act_is_forced_and_still_reported(tmp_path: Path) -> None:
    rig = ready(tmp_path)
    rig.supply.stays_on_once = True
    with pytest.raises(SettingNotTaken, match="read back on after an off"):
        energise(rig)
    assert not rig.world.on
    assert read_journal(rig.path).of_kind("off")[0].data["confirmed"] == "forced"


def test_an_off_that_never_acts_is_an_unknown_output_state(tmp_path: Path) -> None:
    rig = ready(tmp_path)
    rig.supply.stays_on = True
    with pytest.raises(OutputStateUnknown, match="may still be ON") as caught:
        energise(rig)
    assert "own output switch" in str(caught.value)
    assert kinds(rig)[-1] == "output-unknown"
    assert [run.channels for run in find_unfinished(tmp_path)] == [(1,)]


def test_an_unknown_output_state_comes_before_the_error_that_led_to_it(tmp_path: Path) -> None:
    rig = ready(tmp_path)

    def pulls_the_cable(bench: Bench) -> None:
        rig.exchanges.broken.add("supply")
        rig.exchanges.reopens = False
        raise ValueError("something else went wrong")

    with pytest.raises(OutputStateUnknown) as caught:
        energise(rig, pulls_the_cable)
    assert isinstance(caught.value.__cause__, ValueError)


ERRORS: dict[str, Callable[[], BaseException]] = {
    "timeout": lambda: ReplyTimeout("silent", instrument="supply"),
    "link lost": lambda: LinkLost("gone", instrument="supply"),
    "ctrl-c": KeyboardInterrupt,
    "bug": lambda: RuntimeError("unexpected"),
}


@pytest.mark.parametrize("reopens", [True, False], ids=["reopens", "stays dead"])
@pytest.mark.parametrize("acts_first", [True, False], ids=["acted", "refused"])
@pytest.mark.parametrize("error", ERRORS)
def test_whatever_call_fails_the_output_is_off_or_unknown(
    tmp_path: Path, error: str, acts_first: bool, reopens: bool
) -> None:
    number = 0
    while True:
        folder = tmp_path / str(number)
        folder.mkdir()
        rig = ready(folder)
        first = len(rig.exchanges.names)
        rig.exchanges.fail_at = first + number
        rig.exchanges.error = ERRORS[error]
        rig.exchanges.acts_first = acts_first
        rig.exchanges.reopens = reopens
        caught: BaseException | None = None
        try:
            energise(rig, lambda bench: bench.settle(0.1))
        except BaseException as exc:
            caught = exc
        if len(rig.exchanges.names) <= first + number:
            break
        assert caught is not None
        if rig.world.on:
            assert isinstance(caught, OutputStateUnknown)
            assert [run.channels for run in find_unfinished(folder)] == [(1,)]
        back = read_journal(rig.path)
        assert not back.torn
        off = back.of_kind("off")
        assert not off or not rig.world.on
        assert len(off) + len(back.of_kind("output-unknown")) == len(
            back.of_kind("about-to-energise")
        )
        number += 1
    # every exchange that test_protection_is_programmed_and_off_read_back_before_on lists
    assert number == 8


def test_a_ctrl_c_during_the_off_is_passed_on_after_the_off(tmp_path: Path) -> None:
    rig = ready(tmp_path)

    def interrupt(name: str) -> None:
        if name == "supply.switch_off":
            raise KeyboardInterrupt

    rig.exchanges.on_call = interrupt
    with pytest.raises(KeyboardInterrupt):
        energise(rig)
    assert not rig.world.on
    assert kinds(rig)[-1] == "off"


def test_a_second_ctrl_c_during_the_forced_off_leaves_the_state_unknown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig = ready(tmp_path)

    def interrupt(name: str) -> None:
        if name == "supply.switch_off":
            raise KeyboardInterrupt

    def interrupted_again() -> bool:
        raise KeyboardInterrupt

    rig.exchanges.on_call = interrupt
    monkeypatch.setattr(rig.supply, "force_off", interrupted_again)
    with pytest.raises(OutputStateUnknown) as caught:
        energise(rig)
    assert isinstance(caught.value.__cause__, KeyboardInterrupt)
    assert kinds(rig)[-1] == "output-unknown"


def fill_the_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(_descriptor: int, _data: bytes) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "write", refuse)


def test_a_disk_full_before_on_leaves_the_output_off(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig = ready(tmp_path)
    fill_the_disk(monkeypatch)
    with pytest.raises(JournalFailed):
        energise(rig)
    assert "supply.switch_on" not in rig.exchanges.names


def test_a_disk_full_while_on_switches_off_then_raises(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig = ready(tmp_path)
    with pytest.raises(JournalFailed, match="No space left"):
        energise(rig, lambda bench: fill_the_disk(monkeypatch))
    assert not rig.world.on
    # the journal could not say off, so the next start looks at the supply first
    assert [run.channels for run in find_unfinished(tmp_path)] == [(1,)]


def test_a_stop_while_on_sends_off_at_once_on_the_supplys_own_session(tmp_path: Path) -> None:
    rig = ready(tmp_path)

    def stopped(bench: Bench) -> None:
        rig.stop.request("the stop key")
        assert not rig.world.on  # before the procedure noticed anything
        bench.settle(1.0)

    with pytest.raises(StoppedByPerson, match="the stop key"):
        energise(rig, stopped)
    assert rig.supply.forced == 1
    assert kinds(rig)[-1] == "off"


def test_a_stop_at_the_very_moment_of_on_ends_off(tmp_path: Path) -> None:
    for moment in ("supply.program", "supply.switch_on", "supply.is_on", "supply.read_current"):
        folder = tmp_path / moment
        folder.mkdir()
        rig = ready(folder)

        def stop(name: str, moment: str = moment, rig: Rig = rig) -> None:
            if name == moment:
                rig.stop.request()

        rig.exchanges.on_call = stop
        with pytest.raises(StoppedByPerson):
            energise(rig, lambda bench: bench.settle(0.01))
        assert not rig.world.on


def test_an_output_stays_on_no_longer_than_declared(tmp_path: Path) -> None:
    rig = ready(tmp_path)
    with pytest.raises(LimitExceeded, match="10 s of coil resistance"):
        energise(rig, lambda bench: bench.settle(11.0))
    assert not rig.world.on

    def slow(bench: Bench) -> None:
        rig.clock.advance(11.0)
        bench.settle(0.0)

    with pytest.raises(LimitExceeded, match="10 s of coil resistance"):
        energise(rig, slow)
    assert not rig.world.on


def test_one_energised_block_at_a_time(tmp_path: Path) -> None:
    rig = ready(tmp_path)
    with pytest.raises(SafetyError, match="one energised step"):
        energise(rig, lambda bench: energise(rig))
    assert not rig.world.on


def test_nobody_is_asked_and_nothing_is_re_tied_while_on(tmp_path: Path) -> None:
    rig = ready(tmp_path)
    with pytest.raises(SafetyError, match="not while an output is on"):
        energise(rig, lambda bench: bench.ask_to_energise("test"))
    with pytest.raises(SafetyError, match="not while an output is on"):
        energise(rig, lambda bench: bench.connect(COIL_IMPEDANCE))
    with pytest.raises(SafetyError, match="not while an output is on"):
        energise(rig, lambda bench: bench.repeatable("again", lambda: None))


def test_the_supply_waits_for_a_person_after_every_re_tie(tmp_path: Path) -> None:
    rig = ready(tmp_path)
    rig.bench.connect(COIL_KELVIN, "D4")
    with pytest.raises(SafetyError, match="nobody agreed"):
        energise(rig)
    assert "supply.switch_on" not in rig.exchanges.names


def test_relays_wait_until_less_than_20_mv_is_left(tmp_path: Path) -> None:
    rig = ready(tmp_path)
    energise(rig)
    rig.world.residual_v = 0.3
    rig.world.off_since_s = rig.clock.now_s
    left: list[float] = []
    rig.switch.on_move = lambda: left.append(rig.world.supply_v)
    rig.bench.connect(COIL_IMPEDANCE)
    assert left
    assert max(left) < 0.020
    assert sum(rig.clock.slept) >= 0.05 * 2.7  # ln(300/20) time constants


def test_a_charge_that_stays_stops_the_run_before_a_relay_moves(tmp_path: Path) -> None:
    rig = ready(tmp_path)
    energise(rig)
    rig.world.residual_v, rig.world.residual_tau_s = 0.3, 1e9
    moves = len(rig.switch.moves)
    with pytest.raises(StillCharged, match="nothing was re-tied"):
        rig.bench.connect(COIL_IMPEDANCE)
    assert len(rig.switch.moves) == moves


def test_the_multimeter_at_the_part_has_a_say_in_what_is_left(tmp_path: Path) -> None:
    rig = ready(tmp_path)
    rig.bench.set_dc_voltage(range_v=0.1)
    energise(rig)
    rig.world.emf_v = 0.05
    moves = len(rig.switch.moves)
    with pytest.raises(StillCharged):
        rig.bench.connect(COIL_IMPEDANCE)
    assert len(rig.switch.moves) == moves


def test_an_output_switched_on_at_the_front_panel_stops_a_re_tie(tmp_path: Path) -> None:
    rig = ready(tmp_path)
    rig.world.switch(True)
    moves = len(rig.switch.moves)
    with pytest.raises(SafetyError, match="reads back on"):
        rig.bench.connect(COIL_IMPEDANCE)
    assert len(rig.switch.moves) == moves


def test_a_bench_left_by_an_error_is_safe_and_its_relays_open(tmp_path: Path) -> None:
    rig = ready(tmp_path)

    def fails(bench: Bench) -> None:
        rig.world.residual_v = 0.25
        raise ReplyTimeout("silent")

    with pytest.raises(ReplyTimeout), rig.bench:
        energise(rig, fails)
    assert not rig.world.on
    assert rig.world.closed == ()
    assert abs(rig.world.supply_v) < 0.020


def test_a_bench_left_by_a_stop_brings_the_supply_back_into_step(tmp_path: Path) -> None:
    rig = ready(tmp_path)

    def stopped(bench: Bench) -> None:
        rig.stop.request()
        rig.exchanges.broken.add("supply")
        rig.exchanges.broken.add("switch")
        bench.settle(0.1)

    with pytest.raises(StoppedByPerson), rig.bench:
        energise(rig, stopped)
    assert rig.world.closed == ()
    assert not rig.world.on


def test_an_output_that_cannot_be_read_back_keeps_the_relays_where_they_are(
    tmp_path: Path,
) -> None:
    rig = ready(tmp_path)
    closed = rig.world.closed

    def pulls_the_cable(bench: Bench) -> None:
        rig.exchanges.broken.add("supply")
        rig.exchanges.reopens = False

    with pytest.raises(OutputStateUnknown), rig.bench:
        energise(rig, pulls_the_cable)
    assert rig.world.closed == closed


def test_a_link_error_at_a_safe_bench_is_no_unknown_output(tmp_path: Path) -> None:
    rig = ready(tmp_path)
    rig.exchanges.fail_at = len(rig.exchanges.names)
    with pytest.raises(InstrumentError):
        energise(rig)
    assert "about-to-energise" not in kinds(rig)
