"""The relay switch driver: exact exchanges against a scripted peer.

Does NOT cover whether the supply is off before a relay moves: the bench sees to that.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from drivers import open_relay_switch
from drivers.relay_switch import ScpiRelaySwitch
from labbench.errors import InputError, ReplyMalformed, SettingNotTaken
from tests.drivers.peers import NO_ERROR, OPENING, Script, quick_dialect

Exchanges = list[tuple[str, str | bytes | None]]
STATE = "ROUT:CLOS:STAT?"


def open_at(peer: Script, tmp_path: Path) -> ScpiRelaySwitch:
    return open_relay_switch(
        peer.address, quick_dialect(tmp_path, "switch-scpi99"), lock_directory=tmp_path
    )


def test_what_is_not_listed_opens_before_anything_closes(tmp_path: Path) -> None:
    exchanges: Exchanges = [
        (STATE, "(@101,201,202)"),
        ("ROUT:OPEN (@201,202)", None),
        ("*OPC?", "1"),
        (STATE, "(@101)"),
        ("ROUT:CLOS (@203,204)", None),
        ("*OPC?", "1"),
        (STATE, "(@101,203:204)"),
        ("SYST:ERR?", NO_ERROR),
    ]
    with Script([*OPENING, *exchanges]) as peer, open_at(peer, tmp_path) as switch:
        assert switch.close_only([204, 101, 203]) == (101, 203, 204)
        switch.check_errors()


def test_relays_that_stand_right_are_not_moved(tmp_path: Path) -> None:
    with (
        Script([*OPENING, (STATE, "(@101)"), (STATE, "(@101)")]) as peer,
        open_at(peer, tmp_path) as switch,
    ):
        assert switch.close_only([101]) == (101,)


def test_all_relays_open_when_none_is_listed(tmp_path: Path) -> None:
    exchanges: Exchanges = [
        (STATE, "(@101)"),
        ("ROUT:OPEN (@101)", None),
        ("*OPC?", "1"),
        (STATE, "(@)"),
        (STATE, "(@)"),
    ]
    with Script([*OPENING, *exchanges]) as peer, open_at(peer, tmp_path) as switch:
        assert switch.close_only([]) == ()


def test_a_relay_that_stays_closed_keeps_the_others_from_closing(tmp_path: Path) -> None:
    exchanges: Exchanges = [
        (STATE, "(@101,201)"),
        ("ROUT:OPEN (@101,201)", None),
        ("*OPC?", "1"),
        (STATE, "(@201)"),
        ("SYST:ERR?", '-240,"Hardware error"'),
        ("SYST:ERR?", NO_ERROR),
    ]
    with (
        Script([*OPENING, *exchanges]) as peer,
        open_at(peer, tmp_path) as switch,
        pytest.raises(SettingNotTaken, match=r"201.*-240"),
    ):
        switch.close_only([203])


@pytest.mark.parametrize("after", ["(@)", "(@203,204)", "(@204)"])
def test_relays_that_read_back_differently_are_told(tmp_path: Path, after: str) -> None:
    exchanges: Exchanges = [
        (STATE, "(@)"),
        ("ROUT:CLOS (@203)", None),
        ("*OPC?", "1"),
        (STATE, after),
        ("SYST:ERR?", '-222,"Data out of range"'),
        ("SYST:ERR?", NO_ERROR),
    ]
    with (
        Script([*OPENING, *exchanges]) as peer,
        open_at(peer, tmp_path) as switch,
        pytest.raises(SettingNotTaken, match=r"\(@203\).*-222"),
    ):
        switch.close_only([203])


def test_a_relay_that_is_none_is_never_sent(tmp_path: Path) -> None:
    with (
        Script(OPENING) as peer,
        open_at(peer, tmp_path) as switch,
        pytest.raises(InputError, match="no relay"),
    ):
        switch.close_only([101, -1])


def test_recovery_looks_at_the_relays_and_moves_none(tmp_path: Path) -> None:
    exchanges: Exchanges = [
        (STATE, "(@101)"),
        (STATE, "(@101)"),
        (STATE, "101"),
        *OPENING,
        ("*CLS", None),
        (STATE, "(@101)"),
        *OPENING,
        ("*CLS", None),
        (STATE, "(@)"),
    ]
    with Script([*OPENING, *exchanges]) as peer, open_at(peer, tmp_path) as switch:
        switch.close_only([101])
        with pytest.raises(ReplyMalformed):
            switch.closed()
        switch.recover()
        with pytest.raises(SettingNotTaken, match=r"\(@101\) were closed, now \(@\)"):
            switch.recover()


def test_recovery_before_any_move_asks_nothing_of_the_relays(tmp_path: Path) -> None:
    with (
        Script([*OPENING, *OPENING, ("*CLS", None)]) as peer,
        open_at(peer, tmp_path) as switch,
    ):
        switch.recover()
