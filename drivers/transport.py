"""Carry bytes to and from one instrument: what every kind of link must do, and who makes which.

A transport knows nothing of commands. It never waits without a deadline, never keeps bytes of its
own between calls, and lets no exception of a lower layer out: `translated` maps them all.
Each kind of link is a module `transport_...` and a line in `make_transport`; which kind a resource
string means, and which to prefer, stands in `link_kinds`.
"""

from __future__ import annotations

__all__ = [
    "LOWER_ERRORS",
    "SLICE_S",
    "Deadline",
    "Line",
    "Transport",
    "make_transport",
    "too_long",
    "translated",
    "visa_manager",
]

import errno
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Protocol

import pyvisa
from attrs import frozen
from pyvisa import rname
from pyvisa.constants import StatusCode

from labbench.errors import (
    ConnectionFailed,
    InstrumentError,
    LinkLost,
    OutOfStep,
    ReplyTimeout,
)

if TYPE_CHECKING:
    from drivers.serial_settings import SerialSettings

#: A wait is cut into slices of this length, so that a stop is heeded within one of them (s).
SLICE_S = 0.02

try:
    import termios

    #: pyserial lets it through when a terminal has gone; it is no OSError
    _OF_THE_SYSTEM: tuple[type[Exception], ...] = (termios.error,)
except ImportError:  # Windows
    _OF_THE_SYSTEM = ()

#: Everything that pyvisa, pyvisa-py, pyserial and the socket module were seen to raise. OSError
#: includes timeouts, refusals and serial.SerialException; a peer that goes away gives RuntimeError
#: over HiSLIP, and a session closed by another thread TypeError, ValueError or AttributeError.
LOWER_ERRORS: tuple[type[Exception], ...] = (
    OSError,
    RuntimeError,
    TypeError,
    ValueError,
    AttributeError,
    AssertionError,  # pyvisa-py asserts what the other side sent
    pyvisa.errors.Error,
    *_OF_THE_SYSTEM,
)


class Deadline:
    """Tell how much time is left, and let a stop end the wait early."""

    __slots__ = ("_end", "check", "seconds")

    def __init__(self, seconds: float, check: Callable[[], None] | None = None) -> None:
        """Start now. `check` is called once a slice; what it raises ends the wait."""
        self.seconds = seconds
        self.check = check
        self._end = time.monotonic() + seconds

    def left_s(self) -> float:
        """Tell the time left; zero or less when it is over (s)."""
        return self._end - time.monotonic()

    def sleep_s(self, seconds: float) -> None:
        """Sleep, but not beyond the deadline, heeding a stop."""
        end = time.monotonic() + min(seconds, max(self.left_s(), 0.0))
        while (left := end - time.monotonic()) > 0:
            if self.check is not None:
                self.check()
            time.sleep(min(left, SLICE_S))


@frozen
class Line:
    """Hold one reply without its terminator; `followed` when more bytes came right behind it."""

    data: bytes
    followed: bool


class Transport(Protocol):
    """Move bytes. Not thread-safe: the session holds a lock around each exchange."""

    #: The address as it was given
    address: str
    #: The same for every spelling of one address
    lock_key: str
    #: How long the line must be silent behind the identity at a recovery (s); 0 where nothing of an
    #: earlier exchange can come any more
    quiet_s: float
    #: Whether a recovery takes so long that an off must not wait for it
    recovers_slowly: bool

    def open(self, deadline: Deadline) -> None:
        """Connect and make sure of it; raise ConnectionFailed."""
        ...

    def close(self) -> None:
        """Close; sends nothing. May be called twice."""
        ...

    def write(self, data: bytes, deadline: Deadline) -> None:
        """Send all bytes; raise ReplyTimeout when the peer does not take them, LinkLost."""
        ...

    def read_line(self, terminator: bytes, longest: int, deadline: Deadline) -> Line:
        """Read up to the terminator; raise ReplyTimeout, LinkLost, OutOfStep beyond `longest`."""
        ...

    def unread(self) -> bytes:
        """Tell which bytes lie unread, without waiting; raise LinkLost.

        They stay where they are, except on a serial line, which cannot be peeked into. Whoever is
        told of any is out of step.
        """
        ...

    def resynchronise(self, deadline: Deadline) -> bool:
        """Get rid of what is left of earlier exchanges, as this kind of link can; open if closed.

        Gives True when it connected anew.
        """
        ...

    def another(self) -> Transport:
        """Make an unopened transport to the same address."""
        ...


def visa_manager() -> pyvisa.ResourceManager:
    """Give the one resource manager of this process (closing it would close every session).

    Asked for anew each time: pyvisa hands out the live one, and opens another when some other user
    of pyvisa in this process has closed it (a closed one answers "Invalid session handle").
    """
    return pyvisa.ResourceManager("@py")


def make_transport(resource: str, serial: SerialSettings | None = None) -> Transport:
    """Make an unopened transport for a VISA resource string; raise InputError when it cannot.

    serial: how a serial line is set, as the dialect says; needed for ASRL resources only.
    """
    from drivers.link_kinds import parsed_resource
    from drivers.transport_hislip import HislipTransport
    from drivers.transport_serial import serial_transport
    from drivers.transport_socket import SocketTransport
    from drivers.transport_visa import VisaTransport

    kind, parsed = parsed_resource(resource)
    if isinstance(parsed, rname.TCPIPSocket):
        return SocketTransport.for_resource(resource, parsed.host_address, parsed.port)
    if isinstance(parsed, rname.ASRLInstr):
        return serial_transport(resource, parsed.board, serial)
    if kind == "hislip" and isinstance(parsed, rname.TCPIPInstr):
        return HislipTransport.for_resource(resource, parsed.host_address, parsed.lan_device_name)
    return VisaTransport(resource)


def translated(error: Exception, *, address: str, doing: str) -> InstrumentError:
    """Give the error of our tree that says what an error of a lower layer means.

    `doing` is "connecting", "sending" or "reading".
    """
    said = _said(error)
    if doing == "connecting":
        return ConnectionFailed(
            f"nothing could be reached at {address}: {said}",
            answered=said,
            hint="check that the instrument is on, the cable, and the address and port",
        )
    timed_out = isinstance(error, TimeoutError) or (
        isinstance(error, pyvisa.errors.VisaIOError)
        and error.error_code == StatusCode.error_timeout
    )
    if timed_out:
        return ReplyTimeout(f"no answer in time from {address} ({said})", answered="")
    return LinkLost(
        f"the link to {address} broke while {doing}: {said}",
        answered=said,
        hint="check cable and power of the instrument",
    )


def too_long(address: str, longest: int, start: bytes) -> OutOfStep:
    """Say that a reply went beyond the longest that the dialect declares."""
    return OutOfStep(
        f"{address} sent more than {longest} bytes without the end of a reply",
        answered=start[:80].decode("ascii", "backslashreplace"),
        hint="check read_terminator and longest_reply_bytes in the dialect",
    )


def _said(error: Exception) -> str:
    if isinstance(error, OSError) and error.errno is not None:
        known = {
            errno.ECONNREFUSED: "the connection was refused",
            errno.EHOSTUNREACH: "there is no route to it",
            errno.ENETUNREACH: "there is no route to it",
            errno.ECONNRESET: "the other side reset it",
            errno.EPIPE: "the other side had closed it",
            errno.ENOTCONN: "the connection was refused",
        }
        return known.get(error.errno, error.strerror or str(error))
    return str(error) or type(error).__name__
