"""Carry messages over any other link that VISA knows as INSTR: VXI-11 and USBTMC.

Untried: VXI-11 asks the port mapper of the other side (port 111), USBTMC needs hardware. The code
is exercised over HiSLIP, which VISA shows through the same calls; nothing is claimed beyond that.
Use HiSLIP, a socket or a serial line where the instrument offers one (`drivers.prefer`).

What this way cannot do, for VISA has no call for it: tell a peer that went away from a slow one
before the deadline, look for bytes that nobody asked for, or heed a stop within a wait.
"""

from __future__ import annotations

__all__ = ["VisaTransport"]

import contextlib
from typing import Any

from pyvisa.constants import StatusCode
from pyvisa.resources import MessageBasedResource

from drivers.transport import (
    LOWER_ERRORS,
    Deadline,
    Line,
    Transport,
    too_long,
    translated,
    visa_manager,
)
from drivers.transport_socket import LONGEST_MESSAGE_BYTES
from labbench.errors import ConnectionFailed, InputError, InstrumentError, LinkLost

_PIECE_BYTES = 4096


class VisaTransport:
    """Hold one VISA resource whose replies end where the link says so."""

    quiet_s = 0.0
    recovers_slowly = False

    def __init__(self, address: str) -> None:
        """Take which resource; open in `open`."""
        self.address = address
        self.lock_key = f"visa {address.strip().lower()}"
        self._resource: MessageBasedResource | None = None
        self._open_parts = contextlib.ExitStack()

    def another(self) -> Transport:
        """Make an unopened transport to the same address."""
        return VisaTransport(self.address)

    def open(self, deadline: Deadline) -> None:
        """Open the resource."""
        self.close()
        try:
            resource: Any = visa_manager().open_resource(
                self.address.strip(), open_timeout=max(1, int(deadline.left_s() * 1000))
            )
        except Exception as error:  # bare Exception, ValueError when a library is missing, ...
            raise translated(error, address=self.address, doing="connecting") from error
        self._resource = resource
        self._open_parts.enter_context(
            resource.ignore_warning(
                StatusCode.success_max_count_read, StatusCode.success_termination_character_read
            )
        )
        if not isinstance(resource, MessageBasedResource):
            self.close()
            raise ConnectionFailed(f"{self.address} takes no messages")

    def close(self) -> None:
        """Close the resource; sends nothing."""
        resource, self._resource = self._resource, None
        with contextlib.suppress(*LOWER_ERRORS):
            self._open_parts.close()
        if resource is not None:
            with contextlib.suppress(*LOWER_ERRORS):
                resource.close()

    def write(self, data: bytes, deadline: Deadline) -> None:
        """Send one message; the library decides how long that may block."""
        if len(data) > LONGEST_MESSAGE_BYTES:
            raise InputError(f"a message of {len(data)} bytes is too long")
        self._call("sending", deadline, lambda visa, session: visa.write(session, data))

    def read_line(self, terminator: bytes, longest: int, deadline: Deadline) -> Line:
        """Read one reply up to the end that the link marks; its terminator is cut off."""
        got = b""
        while True:
            data, status = self._call(
                "reading", deadline, lambda visa, session: visa.read(session, _PIECE_BYTES)
            )
            got += bytes(data)
            if len(got) > longest + len(terminator):
                raise too_long(self.address, longest, got)
            if status != StatusCode.success_max_count_read:
                break
        return Line(got.removesuffix(terminator), followed=False)

    def unread(self) -> bytes:
        """Give nothing: VISA cannot tell without reading."""
        self._opened()
        return b""

    def resynchronise(self, deadline: Deadline) -> bool:
        """Clear the device; where that fails, or nothing is open, connect anew."""
        if self._resource is not None:
            try:
                self._call("reading", deadline, lambda visa, session: visa.clear(session))
                return False
            except InstrumentError:
                self.close()
        self.open(deadline)
        return True

    def _call(self, doing: str, deadline: Deadline, call: Any) -> Any:
        resource = self._opened()
        if deadline.check is not None:
            deadline.check()
        try:
            resource.timeout = max(1, int(deadline.left_s() * 1000))
            return call(resource.visalib, resource.session)
        except LOWER_ERRORS as error:
            raise translated(error, address=self.address, doing=doing) from error

    def _opened(self) -> MessageBasedResource:
        if self._resource is None:
            raise LinkLost(f"the link to {self.address} is closed", hint="open it again")
        return self._resource
