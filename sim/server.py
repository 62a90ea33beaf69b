"""Serve an instrument's interpreter on a TCP socket: one thread per connection."""

from __future__ import annotations

import socket

from sim.links.stream import MessageStream
from sim.links.tcp import RECEIVE_BYTES, TcpServer


class InstrumentServer(TcpServer):
    """Serve raw sockets: lines in, lines out, every connection a stream of its own."""

    kind = "socket"

    @property
    def address(self) -> str:
        """Return the VISA resource string of this server."""
        return f"TCPIP::{self.host}::{self.port}::SOCKET"

    def serve(self, connection: socket.socket) -> None:
        """Answer one connection."""
        stream = MessageStream(self, connection.sendall, self.vanish)
        while data := connection.recv(RECEIVE_BYTES):
            if not stream.take(data):
                return
