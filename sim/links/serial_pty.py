"""A serial line as a pseudo-terminal of this machine."""

from __future__ import annotations

import contextlib
import os
import select
import threading

from sim.link_faults import FaultSchedule
from sim.links.base import LONGEST_MESSAGE_BYTES, LinkServer
from sim.links.stream import MessageStream
from sim.scpi.interpreter import Interpreter

_READ_BYTES = 4096


class SerialPtyServer(LinkServer):
    """Serve one instrument on a pseudo-terminal.

    The kernel takes serial settings, and none changes anything: no bits go over a wire. (Linux
    insists on eight data bits without parity.) The terminal outlives its clients; what nobody has
    read waits in it for the next one.
    """

    kind = "serial-pty"

    def __init__(
        self,
        interpreter: Interpreter,
        *,
        faults: FaultSchedule | None = None,
        reply_terminator: bytes | None = None,
        longest_message_bytes: int = LONGEST_MESSAGE_BYTES,
    ) -> None:
        """Make a terminal; raises OSError on a system that has none."""
        super().__init__(
            interpreter,
            faults=faults,
            reply_terminator=reply_terminator,
            longest_message_bytes=longest_message_bytes,
        )
        try:
            import tty

            self._master, self._slave = os.openpty()
        except (ImportError, AttributeError):
            raise OSError("this system has no pseudo-terminals: use serial-socket") from None
        # Without this the terminal would echo replies back as commands.
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.device = os.ttyname(self._slave)
        self._wake_read, self._wake_write = os.pipe()
        self._thread = threading.Thread(
            target=self._serve, name=f"serve {self.device}", daemon=True
        )
        self._thread.start()

    @property
    def address(self) -> str:
        """Return the VISA resource string of this server."""
        return f"ASRL{self.device}::INSTR"

    def close(self) -> None:
        """Take the terminal away and wait for the thread."""
        if self.closing.is_set():
            return
        self.closing.set()
        os.write(self._wake_write, b"\0")
        self.interpreter.close()
        self._thread.join()
        # The slave is held open up to here: without any client reading the master would fail.
        for descriptor in (self._master, self._slave, self._wake_read, self._wake_write):
            os.close(descriptor)

    def _serve(self) -> None:
        stream = MessageStream(self, self._send)
        while not self.closing.is_set():
            ready, _, _ = select.select([self._master, self._wake_read], [], [])
            if self._master not in ready:
                continue
            with contextlib.suppress(BlockingIOError):
                stream.take(os.read(self._master, _READ_BYTES))

    def _send(self, data: bytes) -> None:
        while data and not self.closing.is_set():
            _, ready, _ = select.select([self._wake_read], [self._master], [])
            if ready:
                with contextlib.suppress(BlockingIOError):
                    data = data[os.write(self._master, data) :]
