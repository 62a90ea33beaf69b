"""Cut the bytes of a stream into program messages."""

from __future__ import annotations

import re

_LINE_FEED = 0x0A
# A block element begins where a data element can begin: behind white space or a comma.
_OPENING = re.compile(rb"[\x00-\x20,]#([1-9])")
_STRING = re.compile(rb"\"[^\"\n]*\"|'[^'\n]*'")


class MessageTooLongError(Exception):
    """A message was longer than the bound and has been dropped up to its end."""


class MessageFramer:
    """Collect bytes and give out messages, each ended by a line feed.

    A line feed inside the content of a definite-length block belongs to the block.
    """

    def __init__(self, bound_bytes: int) -> None:
        """Drop messages of more than this many bytes."""
        self.bound_bytes = bound_bytes
        self._buffer = bytearray()
        self._dropping = False

    def feed(self, data: bytes) -> None:
        """Take over bytes that have arrived."""
        self._buffer += data

    def next_message(self) -> bytes | None:
        """Return the next complete message without its terminator, or None.

        Raises :class:`MessageTooLongError` once for each message that was dropped, when its first
        byte beyond the bound is there; it is then thrown away up to its line feed.
        """
        if self._dropping:
            end = self._buffer.find(_LINE_FEED)
            if end < 0:
                self._buffer.clear()
                return None
            del self._buffer[: end + 1]
            self._dropping = False
        length = self._length()
        if length is not None:
            message = bytes(self._buffer[:length])
            del self._buffer[: length + 1]
            return message
        if len(self._buffer) <= self.bound_bytes:
            return None
        self._dropping = True
        raise MessageTooLongError

    def rest(self) -> bytes:
        """Return what has come since the last complete message, for links that mark an end."""
        return bytes(self._buffer)

    def _length(self) -> int | None:
        """Return the length of the first message, None while its line feed is not there."""
        start = 0
        while True:
            end = self._buffer.find(_LINE_FEED, start)
            if end < 0 or end > self.bound_bytes:
                return None
            behind = self._behind_open_block(start, end)
            if behind is None:
                return end
            start = behind

    def _behind_open_block(self, start: int, end: int) -> int | None:
        """Return where a block that spans the line feed at ``end`` stops, if there is one."""
        line = bytes(self._buffer[start:end])
        if b"#" not in line:
            return None
        # Strings are blanked first: a number sign in them opens nothing.
        line = _STRING.sub(lambda match: b"_" * len(match[0]), line)
        at = 0
        while (opening := _OPENING.search(line, at)) is not None:
            digits = int(opening[1])
            first = opening.end() + digits
            length = line[opening.end() : first]
            if len(length) < digits or not length.isdigit():
                at = opening.end()
                continue
            stop = first + int(length)
            if start + stop > self.bound_bytes:
                return None  # a length that cannot be meant must not swallow what follows
            if stop > len(line):
                return start + stop
            at = stop
        return None
