"""Serve an instrument's interpreter on a TCP socket: one thread per connection."""

from __future__ import annotations

import contextlib
import socket
import threading
from types import TracebackType
from typing import Self

from sim.link_faults import FaultSchedule, LinkFault
from sim.scpi.framing import MessageFramer, MessageTooLongError
from sim.scpi.interpreter import Interpreter

LONGEST_MESSAGE_BYTES = 8192
_RECEIVE_BYTES = 4096


class InstrumentServer:
    """Listen for clients of one instrument, on this machine only.

    The address is known and connections are accepted as soon as the server has been made.
    """

    def __init__(
        self,
        interpreter: Interpreter,
        *,
        port: int = 0,
        host: str = "127.0.0.1",
        faults: FaultSchedule | None = None,
        reply_terminator: bytes = b"\n",
        longest_message_bytes: int = LONGEST_MESSAGE_BYTES,
    ) -> None:
        """Listen on this port, 0 for any free one; raises OSError where that is not possible.

        A message of more than ``longest_message_bytes`` is dropped with error -363.
        """
        self.interpreter = interpreter
        self._faults = faults or FaultSchedule()
        self._terminator = reply_terminator
        self._bound = longest_message_bytes
        self._host = host
        self._lock = threading.Lock()
        self._closing = threading.Event()
        self._exchanges = 0
        self._connections: dict[socket.socket, threading.Thread] = {}
        self._listener: socket.socket | None = self._listen(port)
        self.port: int = self._listener.getsockname()[1]
        self._acceptor = self._start_accepting(self._listener)

    @property
    def address(self) -> str:
        """Return the VISA resource string of this server."""
        return f"TCPIP::{self._host}::{self.port}::SOCKET"

    @property
    def exchanges(self) -> int:
        """Return how many messages have come in, over all connections."""
        with self._lock:
            return self._exchanges

    @property
    def faults(self) -> FaultSchedule:
        """Return the schedule in force."""
        return self._faults

    @faults.setter
    def faults(self, schedule: FaultSchedule) -> None:
        self._faults = schedule

    def close(self) -> None:
        """Close every socket and wait for every thread."""
        self._closing.set()
        self._stop_listening()
        self._hang_up_all()
        self.interpreter.close()
        self._acceptor.join()
        with self._lock:
            threads = list(self._connections.values())
        for thread in threads:
            thread.join()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    # Listening ---------------------------------------------------------------------------------

    def _listen(self, port: int) -> socket.socket:
        listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        try:
            # The port must be free again at once after a fault that closes it.
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listener.bind((self._host, port))
            listener.listen()
        except OSError:
            listener.close()
            raise
        return listener

    def _start_accepting(self, listener: socket.socket) -> threading.Thread:
        thread = threading.Thread(
            target=self._accept, args=(listener,), name=f"accept {self.port}", daemon=True
        )
        thread.start()
        return thread

    def _accept(self, listener: socket.socket) -> None:
        while True:
            try:
                connection, _ = listener.accept()
            except ConnectionAbortedError:  # the client gave up before it was its turn
                continue
            except OSError:  # the listener was shut down
                return
            thread = threading.Thread(
                target=self._serve, args=(connection,), name=f"serve {self.port}", daemon=True
            )
            with self._lock:
                if self._closing.is_set() or self._listener is not listener:
                    connection.close()
                    return
                self._connections[connection] = thread
                thread.start()

    def _stop_listening(self) -> None:
        with self._lock:
            listener, self._listener = self._listener, None
        if listener is not None:
            _shut(listener)
            # Shutting a listener down wakes the thread in accept() on Linux; elsewhere a last
            # connection does. Here it is refused already.
            with contextlib.suppress(OSError):
                socket.create_connection((self._host, self.port), timeout=1.0).close()
            listener.close()

    def _hang_up_all(self, but: socket.socket | None = None) -> None:
        with self._lock:
            connections = [each for each in self._connections if each is not but]
            for connection in connections:
                _shut(connection)

    # One connection ----------------------------------------------------------------------------

    def _serve(self, connection: socket.socket) -> None:
        try:
            # Nagle's algorithm would hold back the second of two short replies.
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            framer = MessageFramer(self._bound)
            while not self._closing.is_set():
                data = connection.recv(_RECEIVE_BYTES)
                if not data:
                    break
                framer.feed(data)
                if not self._answer_messages(connection, framer):
                    break
        except OSError:
            pass  # the peer went away, or the server closes: either way nobody is left to tell
        finally:
            with self._lock:
                self._connections.pop(connection, None)
                connection.close()

    def _answer_messages(self, connection: socket.socket, framer: MessageFramer) -> bool:
        """Answer every complete message; return whether the connection is to be kept."""
        while not self._closing.is_set():
            try:
                message = framer.next_message()
            except MessageTooLongError:
                self.interpreter.refuse(-363, f"more than {self._bound} bytes")
                continue
            if message is None:
                return True
            with self._lock:
                self._exchanges += 1
                fault = self._faults.at(self._exchanges)
            if fault is None:
                reply = self.interpreter.execute(message)
                if reply is not None:
                    connection.sendall(reply + self._terminator)
            elif not self._go_wrong(connection, message, fault):
                return False
        return False

    def _go_wrong(self, connection: socket.socket, message: bytes, fault: LinkFault) -> bool:
        """Handle a message as its fault says; return whether the connection is to be kept."""
        reply = self.interpreter.execute(message) if fault.acts else None
        match fault.kind:
            case "refuse":
                code = fault.parameter if isinstance(fault.parameter, int | float) else -200
                self.interpreter.refuse(int(code))
            case "disconnect" | "act-and-disconnect":
                return False
            case "vanish":
                self._vanish(connection, fault.parameter)
                return False
            case "deaf":
                self._wait(fault.parameter)
            case _ if reply is not None:
                self._send_wrongly(connection, reply, fault)
            case _:
                pass
        return True

    def _send_wrongly(self, connection: socket.socket, reply: bytes, fault: LinkFault) -> None:
        line = reply + self._terminator
        match fault.kind:
            case "late":
                self._wait(fault.parameter)
                connection.sendall(line)
            case "split":
                connection.sendall(line[: len(reply) // 2])
                self._wait(fault.parameter)
                connection.sendall(line[len(reply) // 2 :])
            case "double":
                connection.sendall(line + line)
            case "garble":
                noise = fault.parameter if isinstance(fault.parameter, bytes) else b"\xff"
                middle = len(reply) // 2
                end = min(middle + len(noise), len(reply))
                connection.sendall(line[:middle] + noise[: end - middle] + line[end:])
            case "unterminated":
                connection.sendall(reply)
            case _:
                pass  # act-but-lose-reply

    def _vanish(self, connection: socket.socket, seconds: float | bytes | None) -> None:
        self._stop_listening()
        self._hang_up_all()
        self._wait(seconds)
        with self._lock:
            if not self._closing.is_set():
                self._listener = self._listen(self.port)
                self._acceptor = self._start_accepting(self._listener)

    def _wait(self, seconds: float | bytes | None) -> None:
        """Wait real seconds, without end for None, but never beyond the server's closing."""
        self._closing.wait(seconds if isinstance(seconds, int | float) else None)


def _shut(sock: socket.socket) -> None:
    """Wake whoever is blocked on a socket; closing it alone would leave them blocked."""
    with contextlib.suppress(OSError):  # not connected any more
        sock.shutdown(socket.SHUT_RDWR)
