"""The messages of HiSLIP, the high-speed LAN instrument protocol of IVI-6.1: bytes to messages.

Header: IVI-6.1, 2.2 "Message header"; numbers of the message types: 2.4. Chapters as in the table
of contents of revision 1.1; what stands in them, and all numbers here, are from memory and were
held against what pyvisa-py sends and expects.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from enum import IntEnum

HEADER = struct.Struct("!2sBBIQ")  # prologue, type, control code, parameter, payload length
PROLOGUE = b"HS"
FIRST_MESSAGE_ID = 0xFFFF_FF00  # after the initialisation and after each device clear
RMT_DELIVERED = 1  # control bit of the client: the reply was read to its end
FIRST_VENDOR_TYPE = 128


class MessageType(IntEnum):
    """Numbers of the messages of revision 1."""

    INITIALIZE = 0
    INITIALIZE_RESPONSE = 1
    FATAL_ERROR = 2
    ERROR = 3
    ASYNC_LOCK = 4
    ASYNC_LOCK_RESPONSE = 5
    DATA = 6
    DATA_END = 7
    DEVICE_CLEAR_COMPLETE = 8
    DEVICE_CLEAR_ACKNOWLEDGE = 9
    ASYNC_REMOTE_LOCAL_CONTROL = 10
    ASYNC_REMOTE_LOCAL_RESPONSE = 11
    TRIGGER = 12
    INTERRUPTED = 13
    ASYNC_INTERRUPTED = 14
    ASYNC_MAXIMUM_MESSAGE_SIZE = 15
    ASYNC_MAXIMUM_MESSAGE_SIZE_RESPONSE = 16
    ASYNC_INITIALIZE = 17
    ASYNC_INITIALIZE_RESPONSE = 18
    ASYNC_DEVICE_CLEAR = 19
    ASYNC_SERVICE_REQUEST = 20
    ASYNC_STATUS_QUERY = 21
    ASYNC_STATUS_RESPONSE = 22
    ASYNC_DEVICE_CLEAR_ACKNOWLEDGE = 23
    ASYNC_LOCK_INFO = 24
    ASYNC_LOCK_INFO_RESPONSE = 25


class FatalError(IntEnum):
    """Control codes of FatalError; the connection ends with it."""

    UNIDENTIFIED = 0
    POORLY_FORMED_HEADER = 1
    BOTH_CHANNELS_NEEDED = 2
    INVALID_INITIALIZATION = 3
    TOO_MANY_CLIENTS = 4


class Error(IntEnum):
    """Control codes of Error; the message it is about is dropped and the connection goes on."""

    UNIDENTIFIED = 0
    UNRECOGNIZED_MESSAGE_TYPE = 1
    UNRECOGNIZED_CONTROL_CODE = 2
    UNRECOGNIZED_VENDOR_MESSAGE = 3
    MESSAGE_TOO_LARGE = 4


@dataclass(frozen=True)
class Message:
    """One message; ``too_large`` where the payload was longer than the bound and is dropped."""

    kind: int
    control: int = 0
    parameter: int = 0
    payload: bytes = b""
    too_large: bool = False

    def pack(self) -> bytes:
        """Return the message as it goes over the wire."""
        header = HEADER.pack(PROLOGUE, self.kind, self.control, self.parameter, len(self.payload))
        return header + self.payload


class PoorHeaderError(Exception):
    """What came in does not begin as a header does: there is no way to find the next one."""


class HislipFramer:
    """Collect bytes and give out messages; of one that is too large only the header is kept."""

    def __init__(self, bound_bytes: int) -> None:
        """Drop payloads of more than this many bytes."""
        self._bound = bound_bytes
        self._buffer = bytearray()
        self._dropping = 0  # bytes of a large payload that are still to come

    def feed(self, data: bytes) -> None:
        """Take over bytes that have arrived."""
        dropped = min(self._dropping, len(data))
        self._dropping -= dropped
        self._buffer += data[dropped:]

    def next_message(self) -> Message | None:
        """Return the next complete message, or None; raises :class:`PoorHeaderError`."""
        if not self._buffer.startswith(PROLOGUE[: len(self._buffer)]):
            raise PoorHeaderError
        if len(self._buffer) < HEADER.size:
            return None
        _, kind, control, parameter, length = HEADER.unpack_from(self._buffer)
        if length > self._bound:
            arrived = min(length, len(self._buffer) - HEADER.size)
            self._dropping = length - arrived
            del self._buffer[: HEADER.size + arrived]
            return Message(kind, control, parameter, too_large=True)
        end = HEADER.size + length
        if len(self._buffer) < end:
            return None
        payload = bytes(self._buffer[HEADER.size : end])
        del self._buffer[:end]
        return Message(kind, control, parameter, payload)
