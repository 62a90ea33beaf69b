"""A HiSLIP server (IVI-6.1): two TCP connections per client, to one port."""

from __future__ import annotations

import socket
from collections.abc import Callable

from sim.links.hislip_locks import Locks
from sim.links.hislip_messages import (
    FatalError,
    HislipFramer,
    Message,
    MessageType,
    PoorHeaderError,
)
from sim.links.hislip_session import LARGEST_BYTES, HislipSession
from sim.links.tcp import RECEIVE_BYTES, TcpServer

SUB_ADDRESS = b"hislip0"
_VERSION = 0x0100  # 1.0: neither encryption nor credentials
_VENDOR = int.from_bytes(b"LB", "big")
_MOST_CLIENTS = 16


class HislipServer(TcpServer):
    """Serve one instrument by HiSLIP in synchronized mode; overlapped mode is not offered."""

    kind = "hislip"

    def prepare(self) -> None:
        """Start without clients."""
        self._locks = Locks()
        self._sessions: dict[int, HislipSession] = {}
        self._last_number = 0

    @property
    def address(self) -> str:
        """Return the VISA resource string of this server, with its port as pyvisa-py has it."""
        return f"TCPIP::{self.host}::{SUB_ADDRESS.decode()},{self.port}::INSTR"

    def serve(self, connection: socket.socket) -> None:
        """Serve one channel of a client; its first message says which one it is."""
        framer = HislipFramer(LARGEST_BYTES)
        try:
            first = _receive(connection, framer)
        except PoorHeaderError:
            _end(connection, FatalError.POORLY_FORMED_HEADER)
            return
        if first is None:
            return
        if first.kind == MessageType.INITIALIZE and not first.too_large:
            self._serve_synchronous(connection, framer, first)
        elif first.kind == MessageType.ASYNC_INITIALIZE and not first.too_large:
            self._serve_asynchronous(connection, framer, first)
        else:
            _end(connection, FatalError.INVALID_INITIALIZATION)

    def _serve_synchronous(
        self, connection: socket.socket, framer: HislipFramer, first: Message
    ) -> None:
        if first.payload not in (b"", SUB_ADDRESS):
            _end(connection, FatalError.INVALID_INITIALIZATION)
            return
        with self._lock:
            session = None
            if len(self._sessions) < _MOST_CLIENTS:
                while (number := self._last_number % 0xFFFF + 1) in self._sessions:
                    self._last_number = number
                self._last_number = number
                session = HislipSession(
                    self, self._last_number, connection, self._locks, self.vanish
                )
                self._sessions[session.number] = session
        if session is None:
            _end(connection, FatalError.TOO_MANY_CLIENTS)
            return
        try:
            version = min(_VERSION, first.parameter >> 16)
            answer = Message(
                MessageType.INITIALIZE_RESPONSE, parameter=version << 16 | session.number
            )
            connection.sendall(answer.pack())
            _listen(connection, framer, session, session.take_synchronous)
        finally:
            session.close()
            with self._lock:
                del self._sessions[session.number]

    def _serve_asynchronous(
        self, connection: socket.socket, framer: HislipFramer, first: Message
    ) -> None:
        with self._lock:
            session = self._sessions.get(first.parameter)
        if session is None or not session.join_asynchronous(connection):
            _end(connection, FatalError.INVALID_INITIALIZATION)
            return
        try:
            session.ready = True
            answer = Message(MessageType.ASYNC_INITIALIZE_RESPONSE, parameter=_VENDOR)
            connection.sendall(answer.pack())
            _listen(connection, framer, session, session.take_asynchronous)
        finally:
            session.hang_up()


def _listen(
    connection: socket.socket,
    framer: HislipFramer,
    session: HislipSession,
    take: Callable[[Message], FatalError | None],
) -> None:
    """Hand over message after message until the connection ends or has to."""
    fatal: FatalError | None = None
    try:
        while fatal is None:
            message = _receive(connection, framer)
            if message is None:
                return
            session.wait_while_deaf()
            fatal = take(message)
    except PoorHeaderError:
        fatal = FatalError.POORLY_FORMED_HEADER
    _end(connection, fatal)


def _receive(connection: socket.socket, framer: HislipFramer) -> Message | None:
    while (message := framer.next_message()) is None:
        data = connection.recv(RECEIVE_BYTES)
        if not data:
            return None
        framer.feed(data)
    return message


def _end(connection: socket.socket, code: FatalError) -> None:
    """Say why the connection ends; the caller closes it."""
    text = code.name.replace("_", " ").lower().encode("ascii")
    connection.sendall(Message(MessageType.FATAL_ERROR, code, payload=text).pack())
