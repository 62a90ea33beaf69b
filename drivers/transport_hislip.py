"""Carry messages by HiSLIP (`TCPIP::host::hislip0,4880::INSTR`) through pyvisa and pyvisa-py.

Of all links the one to prefer: every reply carries the number of the message that it answers and
says where it ends, so an old answer is never taken for a new one, and a device clear drops what the
instrument still has to say without losing the connection. What pyvisa-py does by itself, measured
with 0.8.1, and what is done about it here:

- opening may block for 5 s, and leaves sockets open when it fails: the port is asked first whether
  HiSLIP is spoken there, within the deadline, and left sockets are closed;
- a read blocks in the middle of a message, and a peer that goes away raises RuntimeError: headers
  are peeked at first, and a read is asked for no more than lies there;
- its device clear takes an old reply, or a notice on the second channel, for the acknowledgement
  and fails: here both are read past until the acknowledgement comes.
"""

from __future__ import annotations

__all__ = ["USUAL_PORT", "HislipTransport"]

import contextlib
import socket
from typing import Any

from pyvisa.constants import StatusCode
from pyvisa.resources import TCPIPInstrument

from drivers.hislip_messages import ANY_MESSAGE, HEADER_BYTES, Header, Kind, packed
from drivers.socket_waits import gave_nothing, look, peek, port_number, resolved, wait_to_send
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
from labbench.errors import ConnectionFailed, InputError, InstrumentError, LinkLost, OutOfStep

#: the port that is registered for HiSLIP
USUAL_PORT = "4880"
#: version 1.0 (synchronized mode will do) and a vendor code of two letters
_INITIALIZE_PARAMETER = 0x0100_0000 | int.from_bytes(b"LB", "big")
#: the first number of a message, also after a device clear (IVI-6.1, 3.1.2, from memory)
_FIRST_MESSAGE = 0xFFFF_FF00
_MESSAGES_TO_SKIP = 100
_BACKSTOP_S = 1.0


class HislipTransport:
    """Hold the two connections of one HiSLIP client."""

    quiet_s = 0.0
    recovers_slowly = False

    def __init__(self, address: str, host: str, device: str, port: int) -> None:
        """Take where to connect; connect in `open`."""
        self.address = address
        self.lock_key = f"hislip {host.lower()} {port} {device.lower()}"
        self._host, self._device, self._port = host, device, port
        self._resource: TCPIPInstrument | None = None
        self._client: Any = None  # pyvisa-py's, which numbers the messages
        self._left = 0  # bytes of a payload whose begin was read
        self._open_parts = contextlib.ExitStack()

    @classmethod
    def for_resource(cls, address: str, host: str, lan_device: str) -> Transport:
        """Make one from the parts of a resource string; raise ConnectionFailed for a bad port."""
        device, _, port = lan_device.partition(",")
        return cls(address, host, device, port_number(port or USUAL_PORT, address))

    def another(self) -> Transport:
        """Make an unopened transport to the same address."""
        return HislipTransport(self.address, self._host, self._device, self._port)

    def open(self, deadline: Deadline) -> None:
        """Ask whether HiSLIP is spoken there, then connect both channels."""
        self.close()
        numeric = resolved(self._host, self._port, self.address)
        self._greet(numeric, deadline)
        try:
            resource = visa_manager().open_resource(
                f"TCPIP::{numeric}::{self._device},{self._port}::INSTR",
                resource_pyclass=TCPIPInstrument,
            )
        except Exception as error:
            _close_left_behind(error)
            cause = error.__cause__ or error.__context__ or error
            told = cause if isinstance(cause, Exception) else error
            raise translated(told, address=self.address, doing="connecting") from error
        assert isinstance(resource, TCPIPInstrument)
        self._resource = resource
        try:
            session: Any = resource.visalib.sessions[resource.session]  # type: ignore[attr-defined]
            self._client = session.interface
            resource.timeout = _BACKSTOP_S * 1000  # of calls that are made only when they can go on
            self._open_parts.enter_context(
                resource.ignore_warning(
                    StatusCode.success_max_count_read,
                    StatusCode.success_termination_character_read,
                )
            )
            if self._client.max_msg_size <= HEADER_BYTES:
                raise OSError(f"it takes messages of {self._client.max_msg_size} bytes only")
        except BaseException as error:
            self.close()
            if isinstance(error, LOWER_ERRORS):
                raise translated(error, address=self.address, doing="connecting") from error
            raise

    def close(self) -> None:
        """Close both channels; sends nothing."""
        resource, self._resource, self._client, self._left = self._resource, None, None, 0
        with contextlib.suppress(*LOWER_ERRORS):
            self._open_parts.close()
        if resource is not None:
            with contextlib.suppress(*LOWER_ERRORS):
                resource.close()

    def write(self, data: bytes, deadline: Deadline) -> None:
        """Send one message once the socket takes it."""
        if len(data) > LONGEST_MESSAGE_BYTES:
            raise InputError(
                f"a message of {len(data)} bytes is longer than is sent at once "
                f"({LONGEST_MESSAGE_BYTES})"
            )
        resource, client = self._parts()
        try:
            wait_to_send(client._sync, deadline, self.address)
            resource.visalib.write(resource.session, data)
        except LOWER_ERRORS as error:
            raise translated(error, address=self.address, doing="sending") from error

    def read_line(self, terminator: bytes, longest: int, deadline: Deadline) -> Line:
        """Read one reply: up to the end that the server marks; its terminator is cut off.

        A terminator within stays in: the text is then no reply of any shape.
        """
        _, client = self._parts()
        link: socket.socket = client._sync
        got = b""
        while True:
            header, seen = self._next_header(link, longest, deadline, got)
            if len(got) + header.length > longest + len(terminator):
                raise too_long(self.address, longest, got + seen[HEADER_BYTES:])
            ends = header.kind == Kind.DATA_END
            if header.length == 0:
                if ends:
                    self._take(1)  # reads the header, and that the reply has been taken
                    break
                link.recv(HEADER_BYTES)
                continue
            self._left = header.length
            head = HEADER_BYTES  # taken together with the first piece
            while self._left:
                lying = len(peek(link, deadline, self.address, got)) - head
                if lying <= 0:
                    self._pause(deadline, got)
                    continue
                piece = self._take(min(lying, self._left))
                self._left -= len(piece)
                got += piece
                head = 0
            if ends:
                break
        if got.endswith(terminator):
            got = got[: -len(terminator)]
        return Line(got, followed=bool(look(link, self.address)))

    def unread(self) -> bytes:
        """Peek at what lies unread; raise LinkLost when the server has closed."""
        data = look(self._parts()[1]._sync, self.address)
        return data[HEADER_BYTES:] or data

    def resynchronise(self, deadline: Deadline) -> bool:
        """Clear the device; where that fails, or nothing is open, connect anew."""
        if self._resource is not None:
            try:
                # not all the time that there is: connecting anew takes its part
                self._device_clear(Deadline(deadline.left_s() / 3, deadline.check))
                return False
            except InstrumentError:
                self.close()
        self.open(deadline)
        return True

    # --- pieces ----------------------------------------------------------------------------------

    def _device_clear(self, deadline: Deadline) -> None:
        """Let server and client drop what is under way; reads past all that was."""
        _, client = self._parts()
        first, second = client._sync, client._async
        self._send(second, packed(Kind.ASYNC_DEVICE_CLEAR), deadline)
        answer = self._until(second, Kind.ASYNC_DEVICE_CLEAR_ACKNOWLEDGE, deadline)
        left, self._left = self._left, 0
        self._drop(first, left, deadline)
        # the mode that the server prefers is agreed to; a reply is waited for all the same
        complete = packed(Kind.DEVICE_CLEAR_COMPLETE, control=answer.control)
        self._send(first, complete, deadline)
        self._until(first, Kind.DEVICE_CLEAR_ACKNOWLEDGE, deadline)
        client._message_id = _FIRST_MESSAGE
        client.last_message_id = None  # forgets a message that was read in part

    def _next_header(
        self, link: socket.socket, longest: int, deadline: Deadline, got: bytes
    ) -> tuple[Header, bytes]:
        """Wait for a message that answers ours; give its header and all that lies there.

        Messages that answer earlier ones are dropped: that is what their numbers are for.
        """
        for _ in range(_MESSAGES_TO_SKIP):
            header, seen = self._peeked(link, deadline, got)
            if header.kind in (Kind.DATA, Kind.DATA_END):
                if header.control:
                    raise OutOfStep(f"{self.address} sent data with control code {header.control}")
                if header.parameter in (ANY_MESSAGE, self._client.last_message_id):
                    return header, seen
            elif header.kind in (Kind.FATAL_ERROR, Kind.ERROR):
                raise self._refused(header, seen)
            elif header.kind != Kind.INTERRUPTED:
                raise OutOfStep(f"{self.address} sent a message of type {header.kind} for a reply")
            if header.length > longest:
                raise too_long(self.address, longest, seen[HEADER_BYTES:])
            self._drop(link, HEADER_BYTES + header.length, deadline)
        raise OutOfStep(f"{self.address} sent more than {_MESSAGES_TO_SKIP} answers to nothing")

    def _peeked(
        self, link: socket.socket, deadline: Deadline, got: bytes = b""
    ) -> tuple[Header, bytes]:
        """Wait for a whole header without taking it."""
        while len(seen := peek(link, deadline, self.address, got)) < HEADER_BYTES:
            self._pause(deadline, got)
        return Header.read(seen, self.address), seen

    def _pause(self, deadline: Deadline, got: bytes) -> None:
        """Wait a little for more than lies there: the rest of a header cannot be waited for."""
        deadline.sleep_s(0.001)
        if deadline.left_s() <= 0:
            raise gave_nothing(self.address, deadline, got)

    def _until(self, link: socket.socket, kind: Kind, deadline: Deadline) -> Header:
        """Drop messages until one of this kind comes."""
        while True:
            header, seen = self._peeked(link, deadline)
            if header.kind == Kind.FATAL_ERROR:
                raise self._refused(header, seen)
            self._drop(link, HEADER_BYTES + header.length, deadline)
            if header.kind == kind:
                return header

    def _drop(self, link: socket.socket, count: int, deadline: Deadline) -> None:
        while count:
            lying = peek(link, deadline, self.address, b"")
            try:
                count -= len(link.recv(min(count, len(lying))))
            except LOWER_ERRORS as error:
                raise translated(error, address=self.address, doing="reading") from error

    def _send(self, link: socket.socket, data: bytes, deadline: Deadline) -> None:
        try:
            wait_to_send(link, deadline, self.address)
            link.sendall(data)
        except LOWER_ERRORS as error:
            raise translated(error, address=self.address, doing="sending") from error

    def _take(self, count: int) -> bytes:
        """Read bytes that are known to lie there, through pyvisa."""
        resource, _ = self._parts()
        try:
            data, _status = resource.visalib.read(resource.session, count)
        except LOWER_ERRORS as error:
            raise translated(error, address=self.address, doing="reading") from error
        return bytes(data)

    def _refused(self, header: Header, seen: bytes) -> LinkLost:
        said = seen[HEADER_BYTES : HEADER_BYTES + min(header.length, 200)]
        text = said.decode("ascii", "backslashreplace")
        return LinkLost(
            f"{self.address} ended the exchange: HiSLIP error {header.control} {text!r}",
            answered=text,
        )

    def _greet(self, numeric: str, deadline: Deadline) -> None:
        """Say hello on a connection of its own: pyvisa-py would wait 5 s for an answer to that."""
        hello = packed(
            Kind.INITIALIZE, parameter=_INITIALIZE_PARAMETER, payload=self._device.encode("ascii")
        )
        try:
            with socket.create_connection(
                (numeric, self._port), timeout=max(deadline.left_s(), 0.001)
            ) as link:
                link.sendall(hello)
                header, seen = self._peeked(link, deadline)
                link.recv(len(seen))  # closing with bytes unread would be a reset
        except LOWER_ERRORS as error:
            raise translated(error, address=self.address, doing="connecting") from error
        except InstrumentError as error:
            raise ConnectionFailed(
                f"{self.address} does not speak HiSLIP: {error.message}",
                answered=error.answered,
                hint="check the port; 4880 is usual",
            ) from error
        if header.kind != Kind.INITIALIZE_RESPONSE:
            refused = self._refused(header, seen)
            raise ConnectionFailed(
                refused.message,
                answered=refused.answered,
                hint="check the name of the device: hislip0 is usual",
            )

    def _parts(self) -> tuple[TCPIPInstrument, Any]:
        if self._resource is None or self._client is None:
            raise LinkLost(f"the link to {self.address} is closed", hint="open it again")
        return self._resource, self._client


def _close_left_behind(error: BaseException) -> None:
    """Close the sockets that pyvisa-py leaves open when connecting fails half-way."""
    seen: BaseException | None = error
    while seen is not None:
        trace = seen.__traceback__
        while trace is not None:
            client = trace.tb_frame.f_locals.get("self")
            for name in ("_sync", "_async"):
                link = getattr(client, name, None)
                if isinstance(link, socket.socket):
                    link.close()
            trace = trace.tb_next
        seen = seen.__cause__ or seen.__context__
