"""Bring the link of one instrument back: what every kind of link has in common.

How a link gets rid of what is left of an earlier exchange is its transport's affair (a socket
connects anew, HiSLIP clears the device, a serial line is waited out). Here: try until the deadline,
with pauses in between, and believe nothing but the identity.
"""

from __future__ import annotations

__all__ = ["Recovery", "TakenOver", "reopened"]

from collections.abc import Callable
from datetime import datetime

from attrs import frozen

from drivers.scpi import ErrorEntry
from drivers.transport import Deadline
from drivers.wire import Wire
from labbench.errors import ConnectionFailed, LinkLost, OutOfStep, ReplyMalformed, ReplyTimeout
from labbench.ports import Identity

#: waits between attempts (s): some instruments free the port late
_BACK_OFF_S = (0.0, 0.05, 0.1, 0.2, 0.4, 0.8)


class TakenOver(OutOfStep):
    """Report a wait that a stop path ended."""


@frozen
class Recovery:
    """Tell what a recovery found: when, why it was due, what the error queue held.

    `repeated` is the query that was asked once more after it, or None.
    """

    utc: datetime
    because: str
    errors: tuple[ErrorEntry, ...]
    repeated: str | None = None


def reopened(
    wire: Wire, deadline: Deadline, *, open_s: float, heed: Callable[[], None]
) -> Identity:
    """Bring the link back and read the identity, trying again until the deadline.

    open_s: longest wait for one connection. heed: may end a wait by raising. Raises what the last
    attempt raised.
    """
    attempt = 0
    while True:
        deadline.sleep_s(_BACK_OFF_S[min(attempt, len(_BACK_OFF_S) - 1)])
        attempt += 1
        try:
            wire.connect(Deadline(max(0.05, min(open_s, deadline.left_s())), heed))
            identity = wire.read_identity(max(0.05, deadline.left_s()))
            wire.await_quiet(deadline)
        except TakenOver:
            raise
        except (ReplyMalformed, OutOfStep) as error:
            # An old answer came, so the line is alive. Where opening makes no new line it is waited
            # out; elsewhere the next attempt connects anew, also where a device clear was enough.
            _again(wire, deadline, error, keep=wire.transport.quiet_s > 0)
        except (ConnectionFailed, LinkLost, ReplyTimeout) as error:
            _again(wire, deadline, error, keep=False)
        else:
            return identity


def _again(
    wire: Wire,
    deadline: Deadline,
    error: ConnectionFailed | LinkLost | OutOfStep | ReplyMalformed | ReplyTimeout,
    *,
    keep: bool,
) -> None:
    """Note why another attempt is due, or raise the error when there is no time for one."""
    if not keep:
        wire.close()
    if deadline.left_s() <= 0:
        raise error
    wire.note(f"not yet: {error.message}")
