"""What goes into HiSLIP messages and comes out of them: replies and program messages."""

from __future__ import annotations

from collections.abc import Iterable

from sim.links.hislip_messages import HEADER, Message, MessageType
from sim.links.outcome import Piece
from sim.scpi.framing import MessageFramer


def data_messages(data: bytes, message_id: int, largest_bytes: int, *, ends: bool) -> list[Message]:
    """Return a reply, or a part of one, in messages of at most this size with their headers."""
    step = max(largest_bytes - HEADER.size, 1)
    chunks = [data[at : at + step] for at in range(0, len(data), step)] or [b""]
    last = len(chunks) - 1
    return [
        Message(
            MessageType.DATA_END if ends and number == last else MessageType.DATA,
            parameter=message_id,
            payload=chunk,
        )
        for number, chunk in enumerate(chunks)
    ]


def together(pieces: Iterable[Piece]) -> list[list[Piece]]:
    """Return pieces in groups that are sent in one go: a fast client must not come in between."""
    groups: list[list[Piece]] = []
    for piece in pieces:
        if groups and piece.after_s <= 0.0:
            groups[-1].append(piece)
        else:
            groups.append([piece])
    return groups


def program_messages(payload: bytes) -> list[bytes]:
    """Return the program messages of a payload; its end ends the last one, newline or not."""
    framer = MessageFramer(len(payload))
    framer.feed(payload)
    messages: list[bytes] = []
    while (message := framer.next_message()) is not None:
        messages.append(message)
    rest = framer.rest()
    return [*messages, rest] if rest or not messages else messages
