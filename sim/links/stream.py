"""Answer the messages of one stream of bytes, whatever carries it."""

from __future__ import annotations

from collections.abc import Callable

from sim.links.base import LinkServer
from sim.scpi.framing import MessageFramer, MessageTooLongError


class MessageStream:
    """Cut a stream into messages, carry them out, and send what comes of them."""

    def __init__(
        self,
        server: LinkServer,
        send: Callable[[bytes], None],
        vanish: Callable[[float | None], None] | None = None,
    ) -> None:
        """Answer through ``send``; ``vanish`` takes the whole link away where it can."""
        self._server = server
        self._send = send
        self._vanish = vanish
        self._framer = MessageFramer(server.bound_bytes)

    def take(self, data: bytes) -> bool:
        """Take bytes that have come in; return whether the connection is to be kept."""
        self._framer.feed(data)
        while not self._server.closing.is_set():
            try:
                message = self._framer.next_message()
            except MessageTooLongError:
                self._server.refuse_too_long()
                continue
            if message is None:
                return True
            if not self._answer(message):
                self._framer = MessageFramer(self._server.bound_bytes)
                return False
        return False

    def _answer(self, message: bytes) -> bool:
        server = self._server
        result = server.carry_out(message)
        for piece in result.pieces:
            server.wait(piece.after_s)
            self._send(piece.data)
        match result.trouble:
            case "disconnect":
                return False
            case "vanish":
                if self._vanish is not None:
                    self._vanish(result.seconds)
                return False
            case "deaf":
                server.wait(result.seconds)
            case _:
                pass
        return True
