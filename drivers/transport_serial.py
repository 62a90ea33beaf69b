"""Carry bytes over a serial line (`ASRL/dev/ttyUSB0::INSTR`, `ASRLsocket://host:port::INSTR`).

Through pyvisa, pyvisa-py and pyserial. What differs from a socket, and what is done about it:

- speed, parity and flow control have defaults that are seldom right: the dialect states them all;
- opening anew makes no new line: what the instrument still has to say comes all the same. A
  recovery throws away what lies there, until the line has been quiet, and the session looks once
  more behind the identity;
- a port cannot be peeked into: bytes that nobody asked for are taken (and shown in the error), and
  replies are read byte by byte, so that none behind the terminator is taken;
- two programs may open one port, and each gets a part of every answer: the address lock is the
  only thing that stops the second one.

Tried over pseudo-terminals and TCP (Linux). A real port, Windows and macOS are untried.
"""

from __future__ import annotations

__all__ = ["SerialTransport", "serial_transport"]

import contextlib
import os
import select
import socket
import sys
import time
from typing import Any
from urllib.parse import urlsplit

from pyvisa import constants
from pyvisa.constants import StatusCode
from pyvisa.resources import SerialInstrument

from drivers.serial_settings import SerialSettings
from drivers.socket_waits import gave_nothing, port_number
from drivers.transport import (
    LOWER_ERRORS,
    SLICE_S,
    Deadline,
    Line,
    Transport,
    too_long,
    translated,
    visa_manager,
)
from labbench.errors import ConnectionFailed, InputError, LinkLost, ReplyTimeout

_PARITY = {
    "none": constants.Parity.none,
    "even": constants.Parity.even,
    "odd": constants.Parity.odd,
}
_STOP = {1: constants.StopBits.one, 2: constants.StopBits.two}
_FLOW = {
    "none": constants.ControlFlow.none,
    "xon-xoff": constants.ControlFlow.xon_xoff,
    "rts-cts": constants.ControlFlow.rts_cts,
}
_SOCKET_URL = "socket://"
#: a backstop of single calls (s): each is made only when it can go on at once
_BACKSTOP_S = 1.0


class SerialTransport:
    """Hold one serial port, or one TCP connection that stands for one."""

    recovers_slowly = True

    def __init__(self, address: str, port: str, settings: SerialSettings) -> None:
        """Take which port and how it is set; open in `open`."""
        self.address = address
        self.quiet_s = settings.quiet
        self._name = port
        self._settings = settings
        if port.lower().startswith(_SOCKET_URL):
            url = urlsplit(port)
            number = port_number(port.rpartition(":")[2], address)
            # the same lock as a raw socket to that port has
            self.lock_key = f"tcp {(url.hostname or '').lower()} {number}"
        else:
            # /dev/serial/by-id/... and /dev/ttyUSB0 may be one port
            self.lock_key = f"serial {os.path.realpath(port) if os.sep in port else port.lower()}"
        self._resource: SerialInstrument | None = None
        self._port: Any = None  # pyserial's, of which there are several kinds

    def another(self) -> Transport:
        """Make an unopened transport to the same port."""
        return SerialTransport(self.address, self._name, self._settings)

    def open(self, deadline: Deadline) -> None:
        """Open the port and state every setting. pyserial gives a TCP port 5 s to answer."""
        self.close()
        settings = self._settings
        try:
            resource: Any = visa_manager().open_resource(
                f"ASRL{self._name}::INSTR", resource_pyclass=SerialInstrument
            )
        except Exception as error:  # whatever it is, the port is not there
            raise translated(error, address=self.address, doing="connecting") from error
        self._resource = resource
        try:
            self._port = resource.visalib.sessions[resource.session].interface
            if isinstance(link := getattr(self._port, "_socket", None), socket.socket):
                link.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)  # or 40 ms a message
            resource.timeout = _BACKSTOP_S * 1000  # never None: pyvisa-py would wait for ever
            # bytes go as they are: the session knows the terminators
            resource.end_input = constants.SerialTermination.none
            resource.end_output = constants.SerialTermination.none
            resource.baud_rate = settings.baud
            resource.data_bits = settings.data_bits
            resource.parity = _PARITY[settings.parity]
            resource.stop_bits = _STOP[settings.stop_bits]
            resource.flow_control = _FLOW[settings.flow_control]
        except BaseException as error:
            self.close()
            if isinstance(error, LOWER_ERRORS):
                raise ConnectionFailed(
                    f"{self.address} does not take {settings}: {error}",
                    hint="check [serial] in the dialect against the instrument's manual",
                ) from error
            raise

    def close(self) -> None:
        """Close the port; sends nothing."""
        resource, port = self._resource, self._port
        self._resource = self._port = None
        # pyserial forgets to close a socket whose other side has gone
        link = getattr(port, "_socket", None)
        if resource is not None:
            with contextlib.suppress(*LOWER_ERRORS):
                resource.close()
        if link is not None:
            with contextlib.suppress(*LOWER_ERRORS):
                link.close()

    def write(self, data: bytes, deadline: Deadline) -> None:
        """Send all bytes, in small pieces as the line takes them."""
        resource, port = self._parts()
        try:
            for at in range(0, len(data), 64):
                self._wait(port, deadline, sending=True)
                resource.visalib.write(resource.session, data[at : at + 64])
        except LOWER_ERRORS as error:
            raise translated(error, address=self.address, doing="sending") from error

    def read_line(self, terminator: bytes, longest: int, deadline: Deadline) -> Line:
        """Read one reply; bytes behind its terminator stay where they are."""
        _, port = self._parts()
        got = bytearray()
        while not got.endswith(terminator):
            if len(got) >= longest + len(terminator):
                raise too_long(self.address, longest, bytes(got))
            if not self._wait(port, deadline):
                raise gave_nothing(self.address, deadline, bytes(got))
            got += self._take(1, bytes(got))
        return Line(bytes(got[: -len(terminator)]), followed=self._lying() > 0)

    def unread(self) -> bytes:
        """Take what lies unread: a port cannot be peeked into. Raise LinkLost."""
        taken = bytearray()
        while (count := self._lying()) and len(taken) < 1024:
            taken += self._take(count, bytes(taken))
        return bytes(taken)

    def resynchronise(self, deadline: Deadline) -> bool:
        """Throw away what lies there until the line has been quiet; open it when it is not open.

        A line that never falls silent within the deadline raises ReplyTimeout.
        """
        anew = self._resource is None
        if anew:
            self.open(deadline)
        try:
            self._discard(deadline)
        except LinkLost:
            # a terminal server has dropped the connection, or an adapter was plugged out and in
            self.open(deadline)
            anew = True
            self._discard(deadline)
        return anew

    def _discard(self, deadline: Deadline) -> None:
        # What still waits to be sent is left alone: it may be an off.
        _, port = self._parts()
        silent_since = time.monotonic()
        while (left := self.quiet_s - (time.monotonic() - silent_since)) > 0:
            if deadline.left_s() <= 0:
                raise ReplyTimeout(
                    f"{self.address} never fell silent within {deadline.seconds:g} s",
                    hint="something sends all the time: wrong speed, or not an instrument's port",
                )
            if self._wait(port, Deadline(min(left, deadline.left_s()), deadline.check)):
                self._take(max(1, min(self._lying(), 1024)), b"")
                silent_since = time.monotonic()

    def _wait(self, port: Any, deadline: Deadline, *, sending: bool = False) -> bool:
        """Wait until bytes lie there (True) or the deadline passes (False); heed a stop.

        With `sending`: until the port takes bytes; then a passed deadline raises ReplyTimeout.
        """
        try:
            while True:
                slice_s = max(min(SLICE_S, deadline.left_s()), 0)
                if sys.platform == "win32":  # by pyserial's documentation, untried
                    if sending or port.in_waiting:
                        return True
                    time.sleep(min(slice_s, 0.002))
                else:
                    file = (port.fileno(),)
                    readable, writable = ((), file) if sending else (file, ())
                    if any(select.select(readable, writable, (), slice_s)):
                        return True
                if deadline.check is not None:
                    deadline.check()
                if deadline.left_s() <= 0:
                    break
        except LOWER_ERRORS as error:
            doing = "sending" if sending else "reading"
            raise translated(error, address=self.address, doing=doing) from error
        if sending:
            raise ReplyTimeout(
                f"{self.address} took no bytes for {deadline.seconds:g} s",
                hint="flow control holds the line: check the cable and flow_control in the dialect",
            )
        return False

    def _lying(self) -> int:
        _, port = self._parts()
        try:
            return int(port.in_waiting)
        except LOWER_ERRORS as error:
            raise translated(error, address=self.address, doing="reading") from error

    def _take(self, count: int, got: bytes) -> bytes:
        """Read bytes that are known to lie there, through pyvisa."""
        resource, _ = self._parts()
        try:
            with resource.ignore_warning(StatusCode.success_max_count_read):
                data, _status = resource.visalib.read(resource.session, count)
        except LOWER_ERRORS as error:
            lost = translated(error, address=self.address, doing="reading")
            begun = got.decode("ascii", "backslashreplace")
            raise type(lost)(lost.message, answered=begun, hint=lost.hint) from error
        return bytes(data)

    def _parts(self) -> tuple[SerialInstrument, Any]:
        if self._resource is None or self._port is None:
            raise LinkLost(f"the link to {self.address} is closed", hint="open it again")
        return self._resource, self._port


def serial_transport(address: str, port: str, settings: SerialSettings | None) -> Transport:
    """Make one; raise InputError when nobody says how the line is set."""
    if settings is None:
        raise InputError(
            f"{address}: the dialect does not say how the serial line is set",
            hint="give it a table [serial] with baud, data_bits, parity, stop_bits, flow_control",
        )
    return SerialTransport(address, port, settings)
