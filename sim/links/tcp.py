"""Listen on a TCP port of this machine, one thread per connection."""

from __future__ import annotations

import contextlib
import socket
import threading
from abc import abstractmethod

from sim.link_faults import FaultSchedule
from sim.links.base import LONGEST_MESSAGE_BYTES, LinkServer
from sim.scpi.interpreter import Interpreter

RECEIVE_BYTES = 4096


class TcpServer(LinkServer):
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
        reply_terminator: bytes | None = None,
        longest_message_bytes: int = LONGEST_MESSAGE_BYTES,
    ) -> None:
        """Listen on this port, 0 for any free one; raises OSError where that is not possible.

        Replies end as the instrument's do unless ``reply_terminator`` says otherwise. A message
        of more than ``longest_message_bytes`` is dropped with error -363.
        """
        super().__init__(
            interpreter,
            faults=faults,
            reply_terminator=reply_terminator,
            longest_message_bytes=longest_message_bytes,
        )
        self.host = host
        self.prepare()
        self._lock = threading.Lock()
        self._connections: set[socket.socket] = set()
        self._threads: list[threading.Thread] = []
        self._listener: socket.socket | None = self._listen(port)
        self.port: int = self._listener.getsockname()[1]
        self._start_accepting(self._listener)

    def prepare(self) -> None:
        """Make what :meth:`serve` needs, before the first connection can come."""
        return

    @abstractmethod
    def serve(self, connection: socket.socket) -> None:
        """Talk on one connection until it ends; an OSError ends it too."""

    def close(self) -> None:
        """Close every socket and wait for every thread."""
        self.closing.set()
        self._stop_listening()
        self._hang_up_all()
        self.interpreter.close()
        with self._lock:
            threads = list(self._threads)
        for thread in threads:
            thread.join()

    def vanish(self, seconds: float | None) -> None:
        """Close every connection and refuse new ones for real seconds (None: for good)."""
        self._stop_listening()
        self._hang_up_all()
        self.wait(seconds)
        with self._lock:
            if not self.closing.is_set():
                self._listener = self._listen(self.port)
                self._start_accepting(self._listener)

    # Listening ---------------------------------------------------------------------------------

    def _listen(self, port: int) -> socket.socket:
        listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        try:
            # The port must be free again at once after a fault that closes it.
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listener.bind((self.host, port))
            listener.listen()
        except OSError:
            listener.close()
            raise
        return listener

    def _start_accepting(self, listener: socket.socket) -> None:
        thread = threading.Thread(
            target=self._accept, args=(listener,), name=f"accept {self.port}", daemon=True
        )
        self._threads.append(thread)
        thread.start()

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
                if self.closing.is_set() or self._listener is not listener:
                    connection.close()
                    return
                self._connections.add(connection)
                self._threads = [each for each in self._threads if each.is_alive()]
                self._threads.append(thread)
                thread.start()

    def _stop_listening(self) -> None:
        with self._lock:
            listener, self._listener = self._listener, None
        if listener is not None:
            shut(listener)
            # Shutting a listener down wakes the thread in accept() on Linux; elsewhere a last
            # connection does. Here it is refused already.
            with contextlib.suppress(OSError):
                socket.create_connection((self.host, self.port), timeout=1.0).close()
            listener.close()

    def _hang_up_all(self) -> None:
        with self._lock:
            for connection in self._connections:
                shut(connection)

    def _serve(self, connection: socket.socket) -> None:
        try:
            # Nagle's algorithm would hold back the second of two short replies.
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self.serve(connection)
        except OSError:
            pass  # the peer went away, or the server closes: either way nobody is left to tell
        finally:
            with self._lock:
                self._connections.discard(connection)
                connection.close()


def shut(sock: socket.socket) -> None:
    """Wake whoever is blocked on a socket; closing it alone would leave them blocked."""
    with contextlib.suppress(OSError):  # not connected any more
        sock.shutdown(socket.SHUT_RDWR)
