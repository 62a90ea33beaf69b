"""Wait for a socket without blocking in it: until a deadline, heeding a stop within one slice.

And read where to connect to. Shared by every link that runs over TCP.
"""

from __future__ import annotations

__all__ = [
    "closed_by_peer",
    "gave_nothing",
    "look",
    "peek",
    "port_number",
    "resolved",
    "wait_to_send",
]

import select
import socket

from drivers.transport import LOWER_ERRORS, SLICE_S, Deadline, translated
from labbench.errors import ConnectionFailed, LinkLost, ReplyTimeout

_PEEK_BYTES = 65536


def wait_to_send(link: socket.socket, deadline: Deadline, address: str) -> None:
    """Wait until the socket takes bytes; raise ReplyTimeout when it does not in time.

    Lower errors come through: the caller is about to send and translates both.
    """
    while not select.select((), (link,), (), max(min(SLICE_S, deadline.left_s()), 0))[1]:
        if deadline.check is not None:
            deadline.check()
        if deadline.left_s() <= 0:
            raise ReplyTimeout(
                f"{address} took no bytes for {deadline.seconds:g} s",
                hint="the instrument hangs: look at its front panel",
            )


def peek(link: socket.socket, deadline: Deadline, address: str, got: bytes) -> bytes:
    """Wait for bytes and look at them without taking them.

    `got` is what came before, for the errors. Raises ReplyTimeout, or LinkLost when the other side
    closed (a bare read would look like a slow peer).
    """
    try:
        while not select.select((link,), (), (), max(min(SLICE_S, deadline.left_s()), 0))[0]:
            if deadline.check is not None:
                deadline.check()
            if deadline.left_s() <= 0:
                raise gave_nothing(address, deadline, got)
        data = link.recv(_PEEK_BYTES, socket.MSG_PEEK)
    except LOWER_ERRORS as error:
        raise translated(error, address=address, doing="reading") from error
    if not data:
        raise closed_by_peer(address, got)
    return data


def look(link: socket.socket, address: str) -> bytes:
    """Look at what lies unread, without waiting; raise LinkLost when the other side closed."""
    try:
        if not select.select((link,), (), (), 0)[0]:
            return b""
        data = link.recv(_PEEK_BYTES, socket.MSG_PEEK)
    except LOWER_ERRORS as error:
        raise translated(error, address=address, doing="reading") from error
    if not data:
        raise closed_by_peer(address, b"")
    return data


def gave_nothing(address: str, deadline: Deadline, got: bytes) -> ReplyTimeout:
    """Say that no whole answer came in time, and what of it did."""
    begun = got.decode("ascii", "backslashreplace")
    return ReplyTimeout(
        f"{address} gave no whole answer within {deadline.seconds:g} s"
        + (f", only {begun!r}" if got else ""),
        answered=begun,
    )


def closed_by_peer(address: str, got: bytes) -> LinkLost:
    """Say that the other side closed, and what it sent before."""
    begun = got.decode("ascii", "backslashreplace")
    return LinkLost(
        f"{address} closed the connection" + (f" after {begun!r}" if got else ""),
        answered=begun,
        hint="check the instrument's power; another program may have taken the connection",
    )


def port_number(text: str, address: str) -> int:
    """Read a port; raise ConnectionFailed when it is none."""
    if not (text.isascii() and text.isdigit() and 0 < int(text) < 65536):
        raise ConnectionFailed(
            f"{address}: {text!r} is no port number",
            hint="a port is a number from 1 to 65535; many instruments use 5025",
        )
    return int(text)


def resolved(host: str, port: int, address: str) -> str:
    """Look a host up first: pyvisa-py leaves a socket open when it cannot."""
    try:
        found = socket.getaddrinfo(host, port, socket.AF_INET, socket.SOCK_STREAM)
    except (OSError, UnicodeError):
        raise ConnectionFailed(
            f"{address}: there is no host {host!r}",
            hint="check the address; a number such as 192.168.1.20 needs no name service",
        ) from None
    return str(found[0][4][0])
