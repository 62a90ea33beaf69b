"""A serial line behind a TCP port, as a terminal server makes it."""

from __future__ import annotations

import contextlib
import socket
import threading

from sim.links.stream import MessageStream
from sim.links.tcp import RECEIVE_BYTES, TcpServer


class SerialSocketServer(TcpServer):
    """One line for all connections: what a serial line is, opening anew makes no new one.

    A reply goes to whoever connected last, at the moment when it is sent; half a message that an
    earlier client left is in front of what the next one sends. Serial settings are the client's
    affair: TCP knows none.
    """

    kind = "serial-socket"

    def prepare(self) -> None:
        """Make the line."""
        self._line = threading.Lock()
        self._current: socket.socket | None = None
        self._stream = MessageStream(self, self._send, self.vanish)

    @property
    def address(self) -> str:
        """Return the VISA resource string of this server, as pyvisa-py has it."""
        return f"ASRLsocket://{self.host}:{self.port}::INSTR"

    def serve(self, connection: socket.socket) -> None:
        """Take what one connection brings; only one message at a time is answered."""
        self._current = connection
        try:
            while data := connection.recv(RECEIVE_BYTES):
                with self._line:
                    if not self._stream.take(data):
                        return
        finally:
            if self._current is connection:
                self._current = None

    def _send(self, data: bytes) -> None:
        current = self._current
        if current is not None:
            with contextlib.suppress(OSError):  # nobody listens: the bytes are gone
                current.sendall(data)
