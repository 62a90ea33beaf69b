"""Be a small instrument in a process of its own, so that it takes no time of the one measured."""

from __future__ import annotations

import contextlib
import multiprocessing
import socket
import threading
from collections.abc import Iterator
from multiprocessing.connection import Connection

IDENTITY = b"Harbour Workshop,benchmark peer,1,1.0\n"
NUMBER = b"+1.23456789E+00\n"
NO_ERROR = b'0,"No error"\n'
#: what is answered at once; everything else is taken without a word
ANSWERS = {b"*IDN?": IDENTITY, b"SYST:ERR?": NO_ERROR, b"VOLT?": NUMBER, b"MEAS:VOLT?": NUMBER}


def _serve(tell: Connection) -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        tell.send(listener.getsockname()[1])
        while True:
            link, _ = listener.accept()
            threading.Thread(target=_answer, args=(link,), daemon=True).start()


def _answer(link: socket.socket) -> None:
    link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    waiting = b""
    with link, contextlib.suppress(OSError):
        while data := link.recv(4096):
            *lines, waiting = (waiting + data).split(b"\n")
            for line in lines:
                if (answer := ANSWERS.get(line)) is not None:
                    link.sendall(answer)


@contextlib.contextmanager
def peer() -> Iterator[str]:
    """Start it and give its VISA resource; it is ended at the end."""
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    process = context.Process(target=_serve, args=(theirs,), daemon=True)
    process.start()
    try:
        yield f"TCPIP::127.0.0.1::{ours.recv()}::SOCKET"
    finally:
        process.terminate()
        process.join()
        ours.close()
        theirs.close()
