"""Carry bytes over a TCP socket (`TCPIP::host::port::SOCKET`) through pyvisa and pyvisa-py.

What the layers below do by themselves, measured with pyvisa 1.16.2 and pyvisa-py 0.8.1, and what
is done about it here:

- opening succeeds on a refused port: the socket's own error and its peer are asked for;
- small writes wait for each other (Nagle's algorithm, 48 ms): TCP_NODELAY is set;
- a peer that closed looks like a slow one, and the read loop spins until the timeout: the socket
  is waited for and peeked into first, and a read is asked for exactly the bytes that lie there,
  so it never waits and never keeps any;
- a write to a peer that does not read blocks for ever: the socket must be ready, within the
  deadline, for messages that are small enough for its buffer;
- `clear()` sends nothing and lets a later reply through: the socket is closed and opened anew.
"""

from __future__ import annotations

__all__ = ["LONGEST_MESSAGE_BYTES", "SocketTransport"]

import contextlib
import os
import socket
from typing import Any

from pyvisa.constants import StatusCode
from pyvisa.resources import TCPIPSocket

from drivers.socket_waits import look, peek, port_number, resolved, wait_to_send
from drivers.transport import (
    LOWER_ERRORS,
    Deadline,
    Line,
    Transport,
    too_long,
    translated,
    visa_manager,
)
from labbench.errors import InputError, InstrumentError, LinkLost

#: pyvisa-py sends in pieces of this size. A socket that says it is ready has at least a third of
#: its buffer free (Linux: 16 KiB at least), so one piece goes out without blocking.
LONGEST_MESSAGE_BYTES = 4096
#: what pyvisa-py receives at once
_PIECE_BYTES = 4096


class SocketTransport:
    """Hold one TCP connection to an instrument."""

    quiet_s = 0.0
    recovers_slowly = False

    def __init__(self, address: str, host: str, port: int) -> None:
        """Take where to connect; connect in `open`."""
        self.address = address
        self._host = host
        self._port = port
        self.lock_key = f"tcp {host.lower()} {port}"
        self._resource: TCPIPSocket | None = None
        self._socket: socket.socket | None = None
        self._open_parts = contextlib.ExitStack()

    @classmethod
    def for_resource(cls, address: str, host: str, port: str) -> Transport:
        """Make one from the parts of a resource string; raise ConnectionFailed for a bad port."""
        return cls(address, host, port_number(port, address))

    def another(self) -> Transport:
        """Make an unopened transport to the same address."""
        return SocketTransport(self.address, self._host, self._port)

    def open(self, deadline: Deadline) -> None:
        """Connect, ask the socket for its error and its peer, switch Nagle's algorithm off."""
        self.close()
        try:
            numeric = resolved(self._host, self._port, self.address)
            resource = visa_manager().open_resource(
                f"TCPIP::{numeric}::{self._port}::SOCKET",
                open_timeout=max(1, int(deadline.left_s() * 1000)),
                resource_pyclass=TCPIPSocket,
            )
        except InstrumentError:
            raise
        except Exception as error:  # pyvisa-py raises bare Exception when a connect times out
            raise translated(error, address=self.address, doing="connecting") from error
        assert isinstance(resource, TCPIPSocket)
        self._resource = resource
        try:
            session: Any = resource.visalib.sessions[resource.session]  # type: ignore[attr-defined]
            link: socket.socket = session.interface
            if failed := link.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR):
                raise OSError(failed, os.strerror(failed))
            link.getpeername()  # a refusal may have been reported already: then there is no peer
            link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            link.settimeout(1.0)  # a backstop: every call below is made only when it cannot block
            resource.timeout = 1000  # never None: pyvisa-py would wait for ever
            self._open_parts.enter_context(
                resource.ignore_warning(StatusCode.success_max_count_read)
            )
            self._socket = link
        except BaseException as error:
            self.close()
            if isinstance(error, LOWER_ERRORS):
                raise translated(error, address=self.address, doing="connecting") from error
            raise

    def close(self) -> None:
        """Close the connection; sends nothing."""
        resource, self._resource, self._socket = self._resource, None, None
        with contextlib.suppress(*LOWER_ERRORS):
            self._open_parts.close()
        if resource is not None:
            with contextlib.suppress(*LOWER_ERRORS):
                resource.close()

    def write(self, data: bytes, deadline: Deadline) -> None:
        """Send all bytes once the socket takes them."""
        if len(data) > LONGEST_MESSAGE_BYTES:
            raise InputError(
                f"a message of {len(data)} bytes is longer than a socket takes at once "
                f"({LONGEST_MESSAGE_BYTES})"
            )
        resource, link = self._parts()
        try:
            wait_to_send(link, deadline, self.address)
            resource.visalib.write(resource.session, data)
        except LOWER_ERRORS as error:
            raise translated(error, address=self.address, doing="sending") from error

    def read_line(self, terminator: bytes, longest: int, deadline: Deadline) -> Line:
        """Read one reply; bytes behind its terminator stay where they are."""
        _, link = self._parts()
        got = b""
        while True:
            chunk = peek(link, deadline, self.address, got)
            whole = got + chunk
            end = whole.find(terminator, max(0, len(got) - len(terminator) + 1))
            if end < 0:
                if len(whole) > longest:
                    raise too_long(self.address, longest, whole)
                got += self._take(len(chunk))
                continue
            if end > longest:
                raise too_long(self.address, longest, whole)
            take = end + len(terminator) - len(got)
            got += self._take(take)
            return Line(got[:end], followed=take < len(chunk))

    def unread(self) -> bytes:
        """Peek at what lies unread; raise LinkLost when the peer has closed."""
        return look(self._parts()[1], self.address)

    def resynchronise(self, deadline: Deadline) -> bool:
        """Close and connect anew: the only cure that was right in every case tried."""
        self.close()
        self.open(deadline)
        return True

    def _take(self, count: int) -> bytes:
        """Read bytes that are known to lie there, through pyvisa."""
        resource, _ = self._parts()
        taken = b""
        try:
            while len(taken) < count:
                # Not more than it receives at once, or it would receive beyond and keep the rest.
                piece = min(count - len(taken), _PIECE_BYTES)
                data, _status = resource.visalib.read(resource.session, piece)
                taken += data
        except LOWER_ERRORS as error:
            raise translated(error, address=self.address, doing="reading") from error
        return taken

    def _parts(self) -> tuple[TCPIPSocket, socket.socket]:
        if self._resource is None or self._socket is None:
            raise LinkLost(f"the link to {self.address} is closed", hint="open it again")
        return self._resource, self._socket
