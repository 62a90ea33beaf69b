"""Check that a supply's own watchdog is armed before on, and that an action that hangs ends in off.

Not covered: a real supply's watchdog; that the simulated one switches off (tests/sim), that a
dialect spells it (tests/drivers).
"""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from labbench.bench.limits import Need
from labbench.errors import LimitExceeded, LinkLost, SettingNotTaken
from labbench.procedures.hookups import COIL_KELVIN
from labbench.records.journal import read_journal
from tests.doubles import FakeSupply, Rig

NEED = Need("coil resistance", voltage_v=0.5, current_a=3.0, time_s=10.0, surge_j=1e-3)


class WatchedSupply(FakeSupply):
    """Be a supply with a watchdog."""

    armed_s: float | None = None
    refuses = False

    @property
    def has_watchdog(self) -> bool:
        return True

    def arm_watchdog(self, seconds: float) -> float:
        def act() -> float:
            if self.refuses:
                raise SettingNotTaken("the watchdog reads back off", instrument="supply")
            self.armed_s = seconds
            return seconds

        return self._call("arm_watchdog", act)

    def disarm_watchdog(self) -> None:
        def act() -> None:
            self.armed_s = None

        self._call("disarm_watchdog", act)


def ready(tmp_path: Path) -> tuple[Rig, WatchedSupply]:
    rig = Rig(tmp_path, ("energise", "test", "yes"))
    supply = WatchedSupply(rig.exchanges, rig.world)
    rig.supply = rig.bench.supply = supply
    guard = rig.bench._guard
    assert guard is not None
    guard.supply = supply
    rig.bench.connect(COIL_KELVIN, "D3")
    rig.bench.ask_to_energise("test")
    rig.exchanges.names.clear()
    return rig, supply


def test_the_watchdog_is_armed_before_on_and_disarmed_after_off(tmp_path: Path) -> None:
    rig, supply = ready(tmp_path)
    with rig.bench.energised(volts=0.3, amps=3.0, reason="test", need=NEED):
        # nothing may be on longer than the need allows: so long a silence means that nobody is left
        assert supply.armed_s == NEED.time_s
    assert supply.armed_s is None
    names = [name.removeprefix("supply.") for name in rig.exchanges.names]
    assert names.index("arm_watchdog") < names.index("switch_on")
    assert names.index("switch_off") < names.index("disarm_watchdog")
    event = read_journal(rig.path).of_kind("about-to-energise")[0]
    assert event.data["watchdog_s"] == NEED.time_s


def test_a_watchdog_that_cannot_be_armed_keeps_the_output_off(tmp_path: Path) -> None:
    rig, supply = ready(tmp_path)
    supply.refuses = True
    with (
        pytest.raises(SettingNotTaken),
        rig.bench.energised(volts=0.3, amps=3.0, reason="test", need=NEED),
    ):
        raise AssertionError("not reached")
    assert "supply.switch_on" not in rig.exchanges.names
    assert not rig.world.on


def test_a_watchdog_that_cannot_be_disarmed_does_not_hide_the_first_error(tmp_path: Path) -> None:
    rig, supply = ready(tmp_path)
    with (
        pytest.raises(ZeroDivisionError) as caught,
        rig.bench.energised(volts=0.3, amps=3.0, reason="test", need=NEED),
    ):
        _fail_while_the_watchdog_is_lost(supply)
    assert any("disarm the supply's watchdog" in note for note in caught.value.__notes__)
    assert not rig.world.on


def _fail_while_the_watchdog_is_lost(supply: WatchedSupply) -> None:
    supply.disarm_watchdog = _lost  # type: ignore[method-assign]
    raise ZeroDivisionError


def _lost() -> None:
    raise LinkLost("the peer went away", instrument="supply")


def test_a_supply_without_a_watchdog_is_driven_without_one(tmp_path: Path) -> None:
    rig = Rig(tmp_path, ("energise", "test", "yes"))
    rig.bench.connect(COIL_KELVIN, "D3")
    rig.bench.ask_to_energise("test")
    with rig.bench.energised(volts=0.3, amps=3.0, reason="test", need=NEED):
        pass
    event = read_journal(rig.path).of_kind("about-to-energise")[0]
    assert event.data["watchdog_s"] is None


def test_a_reading_that_does_not_come_back_ends_with_the_output_forced_off(tmp_path: Path) -> None:
    rig, supply = ready(tmp_path)
    brief = Need("brief", voltage_v=0.5, current_a=3.0, time_s=0.01, surge_j=1e-3)
    forced = threading.Event()
    force_off = supply.force_off

    def noting() -> bool:
        off = force_off()
        forced.set()
        return off

    supply.force_off = noting  # type: ignore[method-assign]
    with (
        pytest.raises(LimitExceeded),
        rig.bench.energised(volts=0.3, amps=3.0, reason="test", need=brief),
        rig.bench.step("reading"),
    ):
        _be_called_away(rig, forced)
    assert read_journal(rig.path).valid_readings() == ()


def _be_called_away(rig: Rig, forced: threading.Event) -> None:
    # bench time goes on, and nothing comes back until the output is off
    assert forced.wait(30)
    assert not rig.world.on
    rig.clock.advance(1.0)
    rig.bench.take_supply_current()


def test_the_backstop_ends_with_the_block(tmp_path: Path) -> None:
    rig, supply = ready(tmp_path)
    before = threading.active_count()
    with rig.bench.energised(volts=0.3, amps=3.0, reason="test", need=NEED):
        assert threading.active_count() == before + 1
    for thread in threading.enumerate():
        if isinstance(thread, threading.Timer):
            thread.join(5)
    assert threading.active_count() == before
    assert supply.forced == 0
