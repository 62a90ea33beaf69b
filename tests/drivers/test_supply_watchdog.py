"""The supply driver arms and disarms a watchdog: exact exchanges, and what is refused.

Does NOT cover when it is armed (tests/bench), nor a real supply's watchdog.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from drivers import open_supply
from drivers.supply import ScpiSupply
from labbench.errors import InputError, SettingNotTaken
from labbench.ports import WatchedSupply
from tests.drivers.peers import NO_ERROR, OPENING, Peer, Script, quick_dialect


def open_at(peer: Peer, tmp_path: Path, dialect: str = "supply-channel-list") -> ScpiSupply:
    return open_supply(
        peer.address, quick_dialect(tmp_path, dialect), channels=1, lock_directory=tmp_path
    )


def test_the_delay_is_read_back_before_the_watchdog_is_armed(tmp_path: Path) -> None:
    script = Script(
        [
            *OPENING,
            ("OUTP:PROT:WDOG:DEL 15", None),
            ("OUTP:PROT:WDOG:DEL?", "15.0"),
            ("OUTP:PROT:WDOG 1", None),
            ("OUTP:PROT:WDOG?", "1"),
            ("OUTP:PROT:WDOG 0", None),
            ("OUTP:PROT:WDOG?", "0"),
        ]
    )
    with script as peer, open_at(peer, tmp_path) as supply:
        assert isinstance(supply, WatchedSupply)
        assert supply.has_watchdog
        assert supply.arm_watchdog(15.0) == 15.0
        supply.disarm_watchdog()


def test_a_delay_that_the_supply_does_not_take_is_refused_and_nothing_is_armed(
    tmp_path: Path,
) -> None:
    script = Script(
        [
            *OPENING,
            ("OUTP:PROT:WDOG:DEL 15", None),
            ("OUTP:PROT:WDOG:DEL?", "60.0"),
            ("SYST:ERR?", NO_ERROR),
        ]
    )
    with (
        script as peer,
        open_at(peer, tmp_path) as supply,
        pytest.raises(SettingNotTaken, match="watchdog delay"),
    ):
        supply.arm_watchdog(15.0)


def test_a_watchdog_that_reads_back_off_is_refused(tmp_path: Path) -> None:
    script = Script(
        [
            *OPENING,
            ("OUTP:PROT:WDOG:DEL 15", None),
            ("OUTP:PROT:WDOG:DEL?", "15"),
            ("OUTP:PROT:WDOG 1", None),
            ("OUTP:PROT:WDOG?", "0"),
            ("SYST:ERR?", NO_ERROR),
        ]
    )
    with (
        script as peer,
        open_at(peer, tmp_path) as supply,
        pytest.raises(SettingNotTaken, match="watchdog"),
    ):
        supply.arm_watchdog(15.0)


def test_a_dialect_without_a_watchdog_says_so(tmp_path: Path) -> None:
    script = Script([*OPENING])
    with script as peer, open_at(peer, tmp_path, "supply-scpi99") as supply:
        assert not supply.has_watchdog
        with pytest.raises(InputError, match="no watchdog"):
            supply.arm_watchdog(15.0)
        supply.disarm_watchdog()
