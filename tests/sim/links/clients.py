"""An instrument that counts, and a client that speaks HiSLIP byte by byte."""

from __future__ import annotations

import contextlib
import os
import socket
import struct
import threading
import time
from collections.abc import Callable
from typing import NamedTuple

from sim.link_faults import FaultKind
from sim.links.base import LinkServer
from sim.links.hislip import HislipServer
from sim.scpi.command import Command
from sim.scpi.interpreter import Interpreter
from sim.scpi.parameters import Number

PATIENCE_S = 10.0  # a bound that only a failure reaches
IDENTITY = "harbour,test instrument,1,1.0"
REPLIES = {"CURRent": "1.2356E-06", "VOLTage": "2.5000E+00"}

Fault = tuple[int, FaultKind, float | bytes | None]


class Instrument:
    """Two constant answers, a value that is set, and a measurement that is held back."""

    def __init__(self) -> None:
        self.value = 0
        self.triggers = 0
        self.began = threading.Event()
        self.go_on = threading.Event()
        self.interpreter = Interpreter(
            [
                *(
                    Command(word, answer=lambda reply=reply: reply)
                    for word, reply in REPLIES.items()
                ),
                Command(
                    "VALue",
                    do=self.set,
                    takes=(Number(integer=True),),
                    answer=lambda: str(self.value),
                ),
                Command("MEASure", answer=self.measure),
                Command("LONG", answer=lambda: "x" * 5000),
            ],
            identity=IDENTITY,
            reset=lambda: None,
            trigger=self.trigger,
        )

    def set(self, value: int) -> None:
        self.value = value

    def trigger(self) -> None:
        self.triggers += 1

    def measure(self) -> str:
        self.began.set()
        assert self.go_on.wait(PATIENCE_S)
        return "9.8"


class Frame(NamedTuple):
    """A HiSLIP message as the test's own unpacking gives it."""

    kind: int
    control: int
    parameter: int
    payload: bytes


def pack(kind: int, control: int = 0, parameter: int = 0, payload: bytes = b"") -> bytes:
    return struct.pack(">2sBBIQ", b"HS", kind, control, parameter, len(payload)) + payload


def receive(channel: socket.socket) -> Frame | None:
    """Return the next message, None at the end of the stream."""
    header = exactly(channel, 16)
    if header is None:
        return None
    assert header[:2] == b"HS"
    kind, control, parameter, length = struct.unpack(">BBIQ", header[2:])
    payload = exactly(channel, length)
    assert payload is not None
    return Frame(kind, control, parameter, payload)


def exactly(channel: socket.socket, length: int) -> bytes | None:
    data = b""
    while len(data) < length:
        try:
            more = channel.recv(length - len(data))
        except ConnectionResetError:
            return None
        if not more:
            return None
        data += more
    return data


class HislipClient:
    """Both channels of a HiSLIP client; nothing is checked, nothing is done by itself."""

    def __init__(self, server: LinkServer) -> None:
        self.server = server
        port = int(server.address.split(",")[1].split("::")[0])
        self.port = port
        self.synchronous = self.connect()
        self.synchronous.sendall(pack(0, 0, 0x0100_5858, b"hislip0"))
        self.greeting = receive(self.synchronous)
        assert self.greeting is not None
        self.asynchronous = self.connect()
        self.asynchronous.sendall(pack(17, 0, self.greeting.parameter & 0xFFFF))
        self.greeting_back = receive(self.asynchronous)

    def connect(self) -> socket.socket:
        return socket.create_connection(("127.0.0.1", self.port), timeout=PATIENCE_S)

    def send(self, kind: int, control: int = 0, parameter: int = 0, payload: bytes = b"") -> None:
        self.synchronous.sendall(pack(kind, control, parameter, payload))

    def ask(self, kind: int, control: int = 0, parameter: int = 0, payload: bytes = b"") -> Frame:
        """Send on the asynchronous channel and return what comes back on it."""
        self.asynchronous.sendall(pack(kind, control, parameter, payload))
        return self.asynchronously()

    def synchronously(self) -> Frame:
        frame = receive(self.synchronous)
        assert frame is not None, "the server hung up"
        return frame

    def asynchronously(self) -> Frame:
        frame = receive(self.asynchronous)
        assert frame is not None, "the server hung up"
        return frame

    def query(self, text: str, number: int, *, delivered: bool = True) -> str:
        self.send(7, int(delivered), number, text.encode("ascii"))
        frame = self.synchronously()
        assert frame[:3] == (7, 0, number), frame
        return frame.payload.decode("ascii")

    def waiting(self) -> int:
        """Return how many messages have arrived and wait, of all clients."""
        assert isinstance(self.server, HislipServer)
        return sum(len(each._waiting) for each in self.server._sessions.values())

    def close(self) -> None:
        self.synchronous.close()
        self.asynchronous.close()


def open_descriptors() -> set[str]:
    """Return what this process has open: sockets, pipes, terminals (Linux)."""
    found = set()
    for name in os.listdir("/proc/self/fd"):
        with contextlib.suppress(FileNotFoundError):  # the listing's own
            found.add(f"{name} {os.readlink(f'/proc/self/fd/{name}')}")
    return found


def until(condition: Callable[[], bool]) -> None:
    """Wait for what comes about in another thread."""
    deadline = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < deadline
        time.sleep(0.002)


def errors(instrument: Instrument) -> list[str]:
    """Return what stands in the error queue, and empty it."""
    found = []
    while (entry := instrument.interpreter.status.next_error()) != '0,"No error"':
        found.append(entry)
    return found
