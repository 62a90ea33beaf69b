"""Loopback peers for the tests of the drivers: small TCP servers that do what a test says.

`Peer` calls a function for every line it receives. `Script` expects an exact list of exchanges,
over however many connections, and fails on a different message as well as on one left over.
"""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

from drivers.dialect import shipped_dialects

IDENTITY = "Harbour Workshop,test peer,7,1.0"
NO_ERROR = '0,"No error"'
#: what every driver asks while it opens
OPENING: list[tuple[str, str | None]] = [("*IDN?", IDENTITY), ("SYST:ERR?", NO_ERROR)]


class Connection:
    """One accepted connection."""

    def __init__(self, link: socket.socket, stopped: threading.Event) -> None:
        self.link = link
        self.stopped = stopped

    def send(self, data: bytes) -> None:
        # a client that is gone is not this peer's trouble
        with contextlib.suppress(OSError):
            self.link.sendall(data)

    def close(self) -> None:
        with contextlib.suppress(OSError):
            self.link.shutdown(socket.SHUT_RDWR)

    def reset(self) -> None:
        """Close with a reset instead of an orderly end."""
        self.link.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")
        with contextlib.suppress(OSError):
            self.link.close()

    def wait(self, seconds: float) -> None:
        self.stopped.wait(seconds)


Handler = Callable[[Connection, bytes], None]


class Peer:
    """Listen on a free port of this machine and call `on_line` for every received line."""

    def __init__(
        self,
        on_line: Handler,
        *,
        terminator: bytes = b"\n",
        on_connect: Callable[[Connection], None] = lambda _: None,
        reads: bool = True,
    ) -> None:
        self._on_line = on_line
        self._on_connect = on_connect
        self._terminator = terminator
        self._reads = reads
        self._stopped = threading.Event()
        self.lines: list[bytes] = []
        self.connections = 0
        self._links: list[socket.socket] = []
        self._threads: list[threading.Thread] = []
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listener.getsockname()[1]
        self.address = f"TCPIP::127.0.0.1::{self.port}::SOCKET"
        self._start(self._accept)

    def stop(self) -> None:
        self._stopped.set()
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._threads[0].join(5)  # no connection is accepted any more
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

    def _start(self, target: Callable[..., None], *args: object) -> None:
        thread = threading.Thread(target=target, args=args)
        self._threads.append(thread)
        thread.start()

    def _accept(self) -> None:
        while not self._stopped.is_set():
            try:
                link, _ = self._listener.accept()
            except OSError:
                return
            link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._links.append(link)
            self.connections += 1
            self._start(self._serve, link)

    def _serve(self, link: socket.socket) -> None:
        connection = Connection(link, self._stopped)
        with link:
            self._on_connect(connection)
            if not self._reads:
                self._stopped.wait()
                return
            for line in self._received(link):
                self.lines.append(line)
                self._on_line(connection, line)

    def _received(self, link: socket.socket) -> Iterator[bytes]:
        rest = b""
        while True:
            try:
                data = link.recv(65536)
            except OSError:
                return
            if not data:
                return
            *lines, rest = (rest + data).split(self._terminator)
            yield from lines


def answering(replies: dict[str, str], *, terminator: bytes = b"\n") -> Handler:
    """Answer known messages and stay silent on others, as SCPI instruments do."""

    def on_line(connection: Connection, line: bytes) -> None:
        reply = {"*IDN?": IDENTITY, "SYST:ERR?": NO_ERROR, **replies}.get(line.decode("ascii"))
        if reply is not None:
            connection.send(reply.encode("ascii") + terminator)

    return on_line


class Script(Peer):
    """Expect exactly these messages in this order; None is sent no reply, bytes are sent as is."""

    def __init__(self, exchanges: Sequence[tuple[str, str | bytes | None]]) -> None:
        self._due = list(exchanges)
        self._wrong: list[str] = []
        self._script_lock = threading.Lock()
        super().__init__(self._answer)

    def _answer(self, connection: Connection, line: bytes) -> None:
        with self._script_lock:
            message = line.decode("ascii")
            if not self._due:
                self._wrong.append(f"{message!r} was sent after the end of the script")
                connection.close()
                return
            expected, reply = self._due.pop(0)
            if message != expected:
                self._wrong.append(f"{message!r} was sent where {expected!r} was due")
                connection.close()
                return
        if isinstance(reply, str):
            connection.send(reply.encode("ascii") + b"\n")
        elif reply is not None:
            connection.send(reply)

    def stop(self) -> None:
        super().stop()
        assert not self._wrong, self._wrong
        assert not self._due, f"never sent: {self._due}"

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if kind is None or self._wrong:
            self.stop()
        else:
            super().stop()


def quick_dialect(directory: Path, name: str, *, changes: Sequence[tuple[str, str]] = ()) -> Path:
    """Copy a shipped dialect with short waits; `changes` are (old text, new text)."""
    text = shipped_dialects()[name].read_text(encoding="utf-8")
    quick = [
        ('\nreply = "2 s"', '\nreply = "400 ms"'),
        ('\nopen = "3 s"', '\nopen = "1 s"'),
        ('\nreopen = "5 s"', '\nreopen = "800 ms"'),
        ('deadline = "3 s"', 'deadline = "500 ms"'),
    ]
    for old, new in [*quick, *changes]:
        assert old in text, old
        text = text.replace(old, new)
    path = directory / f"{name}.toml"
    path.write_text(text, encoding="utf-8")
    return path
