"""Read and write the headers of HiSLIP messages (IVI-6.1, from memory, held against pyvisa-py).

A message is `HS`, type, control code, a parameter of 32 bits, the length of the payload in 64 bits,
and the payload.
"""

from __future__ import annotations

__all__ = ["ANY_MESSAGE", "HEADER_BYTES", "Header", "Kind", "packed"]

import enum
import struct

from attrs import frozen

from labbench.errors import LinkLost

_LAYOUT = struct.Struct("!2sBBIQ")
HEADER_BYTES = _LAYOUT.size
#: a message that any server takes for one of the current reply, whatever was asked (from memory)
ANY_MESSAGE = 0xFFFF_FFFF


class Kind(enum.IntEnum):
    """Name the types of messages that a client sends or gets here."""

    INITIALIZE = 0
    INITIALIZE_RESPONSE = 1
    FATAL_ERROR = 2
    ERROR = 3
    DATA = 6
    DATA_END = 7
    DEVICE_CLEAR_COMPLETE = 8
    DEVICE_CLEAR_ACKNOWLEDGE = 9
    INTERRUPTED = 13
    ASYNC_DEVICE_CLEAR = 19
    ASYNC_DEVICE_CLEAR_ACKNOWLEDGE = 23


@frozen
class Header:
    """Hold the header of one message."""

    kind: int
    control: int
    parameter: int
    length: int

    @classmethod
    def read(cls, data: bytes, address: str) -> Header:
        """Read the first 16 bytes; raise LinkLost when they are no header."""
        prologue, kind, control, parameter, length = _LAYOUT.unpack_from(data)
        if prologue != b"HS":
            shown = data[:HEADER_BYTES].decode("ascii", "backslashreplace")
            raise LinkLost(
                f"{address} sent {shown!r}, which is no HiSLIP message",
                answered=shown,
                hint="something else listens there: a socket is TCPIP::ADDRESS::PORT::SOCKET",
            )
        return cls(kind, control, parameter, length)


def packed(kind: Kind, *, control: int = 0, parameter: int = 0, payload: bytes = b"") -> bytes:
    """Write a message."""
    return _LAYOUT.pack(b"HS", kind, control, parameter, len(payload)) + payload
