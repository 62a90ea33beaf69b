"""Loopback peers on other links than sockets: a pseudo-terminal, a serial line over TCP, HiSLIP.

They are for the tests of the drivers, written apart from the simulator's servers. Each calls
`on_line(connection, line)`; how bytes go back is the connection's affair.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import struct
import threading
import tty
from collections.abc import Callable
from types import TracebackType
from typing import Self

from tests.drivers.peers import Connection, Peer

_HEADER = struct.Struct("!2sBBIQ")
# numbers of IVI-6.1's messages, as pyvisa-py has them
INITIALIZE, INITIALIZE_RESPONSE, ASYNC_INITIALIZE, ASYNC_INITIALIZE_RESPONSE = 0, 1, 17, 18
DATA, DATA_END, CLEAR_COMPLETE, CLEAR_ACKNOWLEDGE, INTERRUPTED = 6, 7, 8, 9, 13
ASYNC_INTERRUPTED = 14
MAXIMUM, MAXIMUM_RESPONSE, ASYNC_CLEAR, ASYNC_CLEAR_ACKNOWLEDGE = 15, 16, 19, 23


def message(kind: int, payload: bytes = b"", *, parameter: int = 0, control: int = 0) -> bytes:
    """Write a HiSLIP message."""
    return _HEADER.pack(b"HS", kind, control, parameter, len(payload)) + payload


class SerialSocketPeer(Peer):
    """A peer that is addressed as a serial line over TCP."""

    def __init__(self, on_line: Callable[[Connection, bytes], None]) -> None:
        super().__init__(on_line)
        self.address = f"ASRLsocket://127.0.0.1:{self.port}::INSTR"


class HislipConnection(Connection):
    """The synchronous channel of a client; knows the number of the message that it answers."""

    message_id = 0
    second: socket.socket | None = None

    def reply(self, payload: bytes, *, ends: bool = True) -> bytes:
        """Give the bytes of a reply to the last message."""
        return message(DATA_END if ends else DATA, payload, parameter=self.message_id)


class HislipPeer:
    """Speak HiSLIP to one client after another; `on_line` gets each message without its newline."""

    def __init__(self, on_line: Callable[[HislipConnection, bytes], None]) -> None:
        self._on_line = on_line
        self._stopped = threading.Event()
        self._threads: list[threading.Thread] = []
        self._links: list[socket.socket] = []
        self._clients: dict[int, HislipConnection] = {}
        self.lines: list[bytes] = []
        self.clears = 0
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self.address = f"TCPIP::127.0.0.1::hislip0,{self.port}::INSTR"
        self._start(self._accept)

    def _start(self, target: Callable[..., None], *args: object) -> None:
        thread = threading.Thread(target=target, args=args)
        self._threads.append(thread)
        thread.start()

    def stop(self) -> None:
        self._stopped.set()
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._threads[0].join(5)
        for link in self._links:
            with contextlib.suppress(OSError):
                link.shutdown(socket.SHUT_RDWR)
        for thread in self._threads:
            thread.join(5)
            assert not thread.is_alive()
        self._listener.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stop()

    def _accept(self) -> None:
        while not self._stopped.is_set():
            try:
                link, _ = self._listener.accept()
            except OSError:
                return
            link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._links.append(link)
            self._start(self._serve, link)

    def _serve(self, link: socket.socket) -> None:
        with link, contextlib.suppress(OSError, EOFError):
            client = HislipConnection(link, self._stopped)
            while True:
                _, kind, _, parameter, length = _HEADER.unpack(_exactly(link, _HEADER.size))
                self._answer(client, kind, parameter, _exactly(link, length))

    def _answer(self, client: HislipConnection, kind: int, parameter: int, payload: bytes) -> None:
        if kind == INITIALIZE:
            number = len(self._clients) + 1
            self._clients[number] = client
            client.send(message(INITIALIZE_RESPONSE, parameter=0x0100_0000 | number))
        elif kind == ASYNC_INITIALIZE:
            self._clients[parameter].second = client.link
            client.send(message(ASYNC_INITIALIZE_RESPONSE))
        elif kind == MAXIMUM:
            client.send(message(MAXIMUM_RESPONSE, (1 << 20).to_bytes(8, "big")))
        elif kind == ASYNC_CLEAR:
            self.clears += 1
            client.send(message(ASYNC_CLEAR_ACKNOWLEDGE))
        elif kind == CLEAR_COMPLETE:
            client.send(message(CLEAR_ACKNOWLEDGE))
        elif kind == DATA_END:
            client.message_id = parameter
            line = payload.removesuffix(b"\n")
            self.lines.append(line)
            self._on_line(client, line)


class PtyPeer:
    """Be the instrument at the end of a pseudo-terminal."""

    def __init__(self, on_line: Callable[[PtyPeer, bytes], None]) -> None:
        self._on_line = on_line
        self._stopped = threading.Event()
        self.lines: list[bytes] = []
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.address = f"ASRL{os.ttyname(self._slave)}::INSTR"
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def send(self, data: bytes) -> None:
        os.write(self._master, data)

    def wait(self, seconds: float) -> None:
        self._stopped.wait(seconds)

    def hang_up(self) -> None:
        """Take the terminal away, as when an adapter is pulled out."""
        self._stopped.set()
        if threading.current_thread() is not self._thread:
            self._thread.join(5)
        for file in (self._master, self._slave):
            with contextlib.suppress(OSError):
                os.close(file)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.hang_up()

    def _serve(self) -> None:
        rest = b""
        while not self._stopped.is_set():
            if not select.select([self._master], [], [], 0.01)[0]:
                continue
            *lines, rest = (rest + os.read(self._master, 4096)).split(b"\n")
            for line in lines:
                self.lines.append(line)
                self._on_line(self, line)


def _exactly(link: socket.socket, count: int) -> bytes:
    data = b""
    while len(data) < count:
        piece = link.recv(count - len(data))
        if not piece:
            raise EOFError
        data += piece
    return data
