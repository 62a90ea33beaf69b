"""Talk to instruments: transport, session, SCPI text, dialects, one file per role.

    meter = open_impedance_meter("TCPIP::192.168.1.20::5025::SOCKET", "impedance-function-tree")

Opening connects, makes sure who answers and changes no setting. Each gives an object that fits the
port of its role in `labbench.ports` and is a context manager as well.

Links: HiSLIP, raw sockets and serial lines were tried; VXI-11 and USBTMC go through pyvisa untried
(`transport_visa`). Where an instrument offers several, `prefer` orders them and says why.
"""

from __future__ import annotations

__all__ = [
    "ByHandImpedanceMeter",
    "ByHandMultimeter",
    "Offer",
    "ScpiImpedanceMeter",
    "ScpiMultimeter",
    "ScpiRelaySwitch",
    "ScpiSupply",
    "open_impedance_meter",
    "open_multimeter",
    "open_relay_switch",
    "open_supply",
    "prefer",
    "shipped_dialects",
]

from collections.abc import Sequence
from pathlib import Path

from drivers.by_hand import ByHandImpedanceMeter, ByHandMultimeter
from drivers.dialect import shipped_dialects
from drivers.dialect_roles import (
    ImpedanceMeterDialect,
    MultimeterDialect,
    SupplyDialect,
    SwitchDialect,
    load_dialect,
)
from drivers.impedance_meter import ScpiImpedanceMeter
from drivers.instrument import Opening
from drivers.link_kinds import Offer, prefer
from drivers.multimeter import ScpiMultimeter
from drivers.relay_switch import ScpiRelaySwitch
from drivers.supply import ScpiSupply


def open_impedance_meter(
    resource: str,
    dialect: str | Path,
    *,
    expected_identity: str | None = None,
    exchange_log: Path | None = None,
    lock_directory: Path | None = None,
    holder: str = "labbench",
    repeat_queries: bool = False,
    longest_wait_s: float | None = None,
) -> ScpiImpedanceMeter:
    """Open an LCR meter at a VISA resource with a dialect (a shipped name or a file).

    See `drivers.instrument.Opening` for the keywords. Raises FileProblems (dialect), InputError
    (address), AddressLocked, ConnectionFailed, ReplyTimeout, WrongInstrument.
    """
    opening = Opening(
        expected_identity=expected_identity, exchange_log=exchange_log,
        lock_directory=lock_directory, holder=holder, repeat_queries=repeat_queries,
        longest_wait_s=longest_wait_s,
    )  # fmt: skip
    return ScpiImpedanceMeter(resource, load_dialect(dialect, ImpedanceMeterDialect), opening)


def open_supply(
    resource: str,
    dialect: str | Path,
    *,
    channels: int = 1,
    expected_identity: str | None = None,
    exchange_log: Path | None = None,
    lock_directory: Path | None = None,
    holder: str = "labbench",
    repeat_queries: bool = False,
    longest_wait_s: float | None = None,
) -> ScpiSupply:
    """Open a bench supply with this many channels; otherwise like `open_impedance_meter`."""
    opening = Opening(
        expected_identity=expected_identity, exchange_log=exchange_log,
        lock_directory=lock_directory, holder=holder, repeat_queries=repeat_queries,
        longest_wait_s=longest_wait_s,
    )  # fmt: skip
    return ScpiSupply(resource, load_dialect(dialect, SupplyDialect), opening, channels=channels)


def open_multimeter(
    resource: str,
    dialect: str | Path,
    *,
    mains_hz: float = 50.0,
    expected_identity: str | None = None,
    exchange_log: Path | None = None,
    lock_directory: Path | None = None,
    holder: str = "labbench",
    repeat_queries: bool = False,
    longest_wait_s: float | None = None,
) -> ScpiMultimeter:
    """Open a multimeter at these mains (Hz); otherwise like `open_impedance_meter`."""
    opening = Opening(
        expected_identity=expected_identity, exchange_log=exchange_log,
        lock_directory=lock_directory, holder=holder, repeat_queries=repeat_queries,
        longest_wait_s=longest_wait_s,
    )  # fmt: skip
    return ScpiMultimeter(
        resource, load_dialect(dialect, MultimeterDialect), opening, mains_hz=mains_hz
    )


def open_relay_switch(
    resource: str,
    dialect: str | Path,
    *,
    relays: Sequence[int] = (),
    expected_identity: str | None = None,
    exchange_log: Path | None = None,
    lock_directory: Path | None = None,
    holder: str = "labbench",
    repeat_queries: bool = False,
    longest_wait_s: float | None = None,
) -> ScpiRelaySwitch:
    """Open a relay switch of which the bench uses these relays; otherwise as above."""
    opening = Opening(
        expected_identity=expected_identity, exchange_log=exchange_log,
        lock_directory=lock_directory, holder=holder, repeat_queries=repeat_queries,
        longest_wait_s=longest_wait_s,
    )  # fmt: skip
    return ScpiRelaySwitch(resource, load_dialect(dialect, SwitchDialect), opening, relays=relays)
