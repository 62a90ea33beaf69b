"""What all four drivers share: opening, address locks, exchange logs, ports, the public names."""

from __future__ import annotations

import inspect
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import drivers
from drivers import (
    open_impedance_meter,
    open_multimeter,
    open_relay_switch,
    open_supply,
    shipped_dialects,
)
from drivers.exchange_log import read_exchanges
from labbench import ports
from labbench.errors import (
    AddressLocked,
    ConnectionFailed,
    FileProblems,
    InstrumentReportedError,
    ReplyTimeout,
    WrongInstrument,
)
from tests.drivers.peers import IDENTITY, NO_ERROR, Peer, Script, answering, quick_dialect

OPENERS: dict[str, tuple[Callable[..., Any], str, type]] = {
    "impedance_meter": (open_impedance_meter, "impedance-function-tree", ports.ImpedanceMeter),
    "supply": (open_supply, "supply-scpi99", ports.Supply),
    "multimeter": (open_multimeter, "multimeter-scpi99", ports.Multimeter),
    "switch": (open_relay_switch, "switch-scpi99", ports.Switch),
}
ANSWERS = {":FREQ? MIN;:FREQ? MAX": "20;1E6"}
each_role = pytest.mark.parametrize("role", sorted(OPENERS))


@each_role
def test_a_driver_has_every_member_of_its_port_with_the_same_parameters(role: str) -> None:
    opener, _, port = OPENERS[role]
    driver = inspect.signature(opener, eval_str=True).return_annotation
    members = {
        name: member
        for base in (port, ports.Instrument)
        for name, member in vars(base).items()
        if not name.startswith("_") and (callable(member) or isinstance(member, property))
    }
    assert {"identify", "check_errors", "recover", "close"} < set(members)
    for name, member in members.items():
        mine = inspect.getattr_static(driver, name)
        assert isinstance(mine, property) == isinstance(member, property), name
        if not isinstance(member, property):
            assert list(inspect.signature(mine).parameters) == list(
                inspect.signature(member).parameters
            ), name


@each_role
def test_a_locked_address_is_told_before_anything_is_sent(role: str, tmp_path: Path) -> None:
    opener, dialect, _ = OPENERS[role]
    with Peer(answering(ANSWERS)) as peer:
        first = opener(peer.address, dialect, lock_directory=tmp_path, holder="bench-1")
        asked = len(peer.lines)
        with pytest.raises(AddressLocked, match="bench-1"):
            opener(peer.address.lower(), dialect, lock_directory=tmp_path)
        assert len(peer.lines) == asked
        first.close()
        first.close()
        opener(peer.address, dialect, lock_directory=tmp_path).close()


@each_role
def test_an_opening_that_fails_lets_the_address_go(role: str, tmp_path: Path) -> None:
    opener, dialect, _ = OPENERS[role]
    with Peer(answering(ANSWERS)) as peer:
        for _ in range(2):
            with pytest.raises(WrongInstrument):
                opener(peer.address, dialect, expected_identity="a,b,c,d", lock_directory=tmp_path)
        with opener(
            peer.address, dialect, expected_identity=IDENTITY, lock_directory=tmp_path
        ) as instrument:
            assert instrument.identify().raw == IDENTITY
            assert instrument.role == role


@each_role
def test_a_refused_port_names_the_instrument_and_the_address(role: str, tmp_path: Path) -> None:
    opener, dialect, _ = OPENERS[role]
    with Peer(answering({})) as peer:
        address = peer.address
    with pytest.raises(ConnectionFailed) as told:
        opener(address, dialect, lock_directory=tmp_path)
    assert address in str(told.value)
    assert role.replace("_", " ") in str(told.value)
    assert "refused" in str(told.value)


@each_role
def test_an_instrument_that_stays_silent_is_told_with_its_address(
    role: str, tmp_path: Path
) -> None:
    opener, dialect, _ = OPENERS[role]
    with Peer(lambda connection, line: None) as peer:
        with pytest.raises(ReplyTimeout) as told:
            opener(peer.address, quick_dialect(tmp_path, dialect), lock_directory=tmp_path)
        assert peer.address in str(told.value)


@each_role
def test_errors_of_an_earlier_user_are_kept_apart_from_ours(role: str, tmp_path: Path) -> None:
    opener, dialect, _ = OPENERS[role]
    opening: list[tuple[str, str | bytes | None]] = [
        ("*IDN?", IDENTITY),
        ("SYST:ERR?", '-113,"Undefined header"'),
        ("SYST:ERR?", NO_ERROR),
    ]
    if role == "impedance_meter":
        opening.append((":FREQ? MIN;:FREQ? MAX", "20;1E6"))
    step = [("SYST:ERR?", '-222,"Data out of range"'), ("SYST:ERR?", NO_ERROR)]
    with (
        Script([*opening, *step]) as peer,
        opener(peer.address, dialect, lock_directory=tmp_path) as instrument,
    ):
        assert [entry.code for entry in instrument.errors_at_opening] == [-113]
        with pytest.raises(InstrumentReportedError) as told:
            instrument.check_errors()
        assert told.value.code == -222


@each_role
def test_every_byte_is_in_the_exchange_log(role: str, tmp_path: Path) -> None:
    opener, dialect, _ = OPENERS[role]
    log = tmp_path / "exchange.log"
    with Peer(answering(ANSWERS)) as peer:
        opener(peer.address, dialect, lock_directory=tmp_path, exchange_log=log).close()
        sent = b"".join(exchange.sent for exchange in read_exchanges(log))
        assert sent == b"".join(line + b"\n" for line in peer.lines)
    assert {exchange.instrument for exchange in read_exchanges(log)} == {role}


@each_role
def test_a_dialect_of_one_s_own_is_given_by_its_file(role: str, tmp_path: Path) -> None:
    opener, dialect, _ = OPENERS[role]
    own = quick_dialect(tmp_path, dialect)
    with (
        Peer(answering(ANSWERS)) as peer,
        opener(peer.address, own, lock_directory=tmp_path) as instrument,
    ):
        assert instrument.dialect_file.path == own
        assert len(instrument.dialect_file.sha256) == 64


def test_a_dialect_that_is_none_is_told_before_anything_is_opened(tmp_path: Path) -> None:
    with pytest.raises(FileProblems, match="switch-scpi99"):
        open_relay_switch("TCPIP::127.0.0.1::1::SOCKET", "swich-scpi99", lock_directory=tmp_path)


def test_the_public_names_are_those_that_are_there() -> None:
    assert sorted(drivers.__all__) == list(drivers.__all__)
    for name in drivers.__all__:
        assert inspect.getdoc(getattr(drivers, name))
    assert {dialect for _, dialect, _ in OPENERS.values()} < set(shipped_dialects())
