"""Check that a current through an inductance is run down before its output goes off.

Not covered: how long a real choke takes to give its energy back, and the diode that takes it over
when the output goes off at once.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from labbench.bench.limits import Need
from labbench.errors import LimitExceeded, LinkLost, SafetyError, StepAborted, StoppedByPerson
from labbench.procedures.hookups import COIL_KELVIN
from labbench.records.journal import read_journal
from tests.doubles import Rig

NEED = Need("test", voltage_v=0.5, current_a=3.0, time_s=10.0, surge_j=1e-3)


def ready(tmp_path: Path) -> Rig:
    rig = Rig(tmp_path, ("energise", "test", "yes"))
    rig.bench.connect(COIL_KELVIN, "D3")
    rig.bench.ask_to_energise("test")
    return rig


def energise(rig: Rig, steps: int, inside: Callable[[], object]) -> None:
    with rig.bench.energised(volts=0.3, amps=3.0, reason="test", need=NEED) as output:
        output.run_down_first(steps=steps, pause_s=0.05)
        inside()


def give_up() -> None:
    raise StepAborted("no more")


def currents(rig: Rig) -> list[float]:
    return [setting.current_a for setting in rig.supply.programmed]


def test_an_output_comes_up_with_the_small_current_that_it_was_given(tmp_path: Path) -> None:
    rig = ready(tmp_path)
    with rig.bench.energised(
        volts=0.3, amps=3.0, reason="test", need=NEED, start_amps=0.05
    ) as output:
        assert currents(rig) == [0.05]
        output.set_amps(2.0)
        assert rig.world.current_a == pytest.approx(2.0)
        # the voltage changes and the current stays what it was set to
        output.set_volts(0.2)
        assert currents(rig) == [0.05, 2.0, 2.0]
    assert not rig.world.on


def test_no_more_than_was_agreed_to_can_be_set(tmp_path: Path) -> None:
    rig = ready(tmp_path)
    with (
        pytest.raises(LimitExceeded, match="3 A was agreed to"),
        rig.bench.energised(volts=0.3, amps=3.0, reason="test", need=NEED) as output,
    ):
        output.set_amps(3.1)
    assert not rig.world.on
    with pytest.raises(SafetyError, match="not on"):
        output.set_amps(1.0)


def test_the_current_is_run_down_when_the_block_is_left(tmp_path: Path) -> None:
    rig = ready(tmp_path)
    with rig.bench.energised(volts=0.3, amps=3.0, reason="test", need=NEED) as output:
        output.run_down_first(steps=3, pause_s=0.05)
    assert currents(rig) == pytest.approx([3.0, 2.0, 1.0, 0.0])
    assert rig.exchanges.names[-2:] == ["supply.switch_off", "supply.is_on"]


def test_the_current_is_run_down_after_an_error_too(tmp_path: Path) -> None:
    rig = ready(tmp_path)
    with pytest.raises(StepAborted, match="no more"):
        energise(rig, 3, give_up)
    assert currents(rig)[-1] == 0.0
    assert not rig.world.on


def test_an_off_does_not_wait_for_a_supply_that_does_not_answer(tmp_path: Path) -> None:
    rig = ready(tmp_path)

    def lose_the_link() -> None:
        rig.exchanges.fail_at = len(rig.exchanges.names)

    with pytest.raises(LinkLost):
        energise(rig, 5, lose_the_link)
    # one step was tried, then off on a link opened anew
    assert rig.exchanges.names.count("supply.program") == 2
    assert rig.supply.forced == 1
    assert not rig.world.on


def test_a_stop_does_not_wait_for_the_current_to_run_down(tmp_path: Path) -> None:
    rig = ready(tmp_path)

    def stop() -> None:
        rig.stop.request()
        assert not rig.world.on
        rig.bench.settle(0.1)

    with pytest.raises(StoppedByPerson):
        energise(rig, 5, stop)
    assert currents(rig) == [3.0]


def test_each_current_is_in_the_journal(tmp_path: Path) -> None:
    rig = ready(tmp_path)
    with rig.bench.energised(volts=0.3, amps=3.0, reason="test", need=NEED) as output:
        output.set_amps(1.0)
    journal = read_journal(rig.path)
    assert [e.data["setting"]["current_a"] for e in journal.of_kind("energised")] == [3.0, 1.0]
    assert not journal.channels_not_off()
