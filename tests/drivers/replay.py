"""Play an exchange log back: the recorded bytes answer, and every message must come as recorded.

    with replayed(Path("exchange.log"), "multimeter") as peer:
        with open_multimeter(peer.address, ...) as meter:
            assert meter.read().value == ...

So a log that somebody sends in becomes a test without their instrument. What was sent otherwise, or
not at all, fails at the end. Only for logs whose messages end with a line feed.
"""

from __future__ import annotations

from pathlib import Path

from drivers.exchange_log import read_exchanges
from tests.drivers.peers import Script


def replayed(path: Path, instrument: str) -> Script:
    """Give a peer that expects the messages to one instrument of a log, in their order."""
    exchanges = [each for each in read_exchanges(path) if each.instrument == instrument]
    assert exchanges, f"{path} holds no exchange with {instrument!r}"
    return Script(
        [
            (each.sent.decode("ascii").removesuffix("\n"), each.received or None)
            for each in exchanges
        ]
    )
