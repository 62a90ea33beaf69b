"""One client of a HiSLIP server: its two channels, the replies it is owed, its device clears.

Synchronized mode only (IVI-6.1, 3.1): a reply carries the number of the client's message that it
answers, and a message that comes before the reply to the last one was read drops that reply.
Transactions from memory.
"""

from __future__ import annotations

import socket
import threading
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Literal

from sim.links.base import LinkServer
from sim.links.hislip_locks import Locks
from sim.links.hislip_messages import (
    FIRST_VENDOR_TYPE,
    HEADER,
    RMT_DELIVERED,
    Error,
    FatalError,
    Message,
    MessageType,
)
from sim.links.hislip_payloads import data_messages, program_messages, together
from sim.links.outcome import Piece
from sim.links.tcp import shut

LARGEST_BYTES = 1 << 16  # of one message, as told to the client
_CLIENTS_BYTES = 1 << 20  # a client that does not say takes as much as VISA's default (from memory)
_MOST_WAITING = 64
_LOCK_RELEASE, _LOCK_REQUEST = 0, 1
_LOCK_ANSWERS = {"timed-out": 0, "granted": 1, "wrong": 3}
_RELEASE_ANSWERS = {"exclusive": 1, "shared": 2, "nothing": 3}
_HIGHEST_REMOTE_LOCAL = 6


@dataclass(frozen=True)
class _Waiting:
    """A whole program message with its number."""

    payload: bytes
    message_id: int
    too_long: bool = False


class HislipSession:
    """Serve one client. Each channel has its thread, and a third one carries messages out."""

    def __init__(
        self,
        server: LinkServer,
        number: int,
        synchronous: socket.socket,
        locks: Locks,
        vanish: Callable[[float | None], None],
    ) -> None:
        """Start with the synchronous channel alone."""
        self.number = number
        self.ready = False  # both channels are there
        self._server = server
        self._locks = locks
        self._vanish = vanish
        self._synchronous = synchronous
        self._asynchronous: socket.socket | None = None
        self._sending = threading.Lock()  # on either channel
        self._changed = threading.Condition(threading.RLock())
        self._hearing = threading.Event()
        self._hearing.set()
        self._ended = False
        self._clearing = False
        self._clears = 0
        self._waiting: deque[_Waiting] = deque()
        self._parts: list[bytes] = []  # of a message whose end has not come
        self._parts_bytes = 0
        # What the client is owed: nothing, a reply that was sent and not yet reported as read, or
        # one that was dropped because the next message was there before it.
        self._owed: Literal["nothing", "sent", "dropped"] = "nothing"
        self._largest_bytes = _CLIENTS_BYTES
        self._worker = threading.Thread(
            target=self._work, name=f"hislip session {number}", daemon=True
        )
        self._worker.start()

    # Both channels -----------------------------------------------------------------------------

    def join_asynchronous(self, channel: socket.socket) -> bool:
        """Take the second channel; returns False where there is one already."""
        with self._changed:
            if self._asynchronous is not None or self._ended:
                return False
            self._asynchronous = channel
            return True

    def wait_while_deaf(self) -> None:
        """Wait as long as nothing is to be read."""
        self._hearing.wait()

    def hang_up(self) -> None:
        """End both channels and drop what is owed."""
        with self._changed:
            self._ended = True
            self._clears += 1
            self._hearing.set()
            self._changed.notify_all()
            channels = (self._synchronous, self._asynchronous)
        for channel in channels:
            if channel is not None:
                shut(channel)

    def close(self) -> None:
        """Hang up, give locks back, and wait for the worker."""
        self.hang_up()
        while self._locks.release(self) != "nothing":
            pass
        self._worker.join()

    def send_error(self, channel: socket.socket, code: Error) -> None:
        """Say that a message is dropped."""
        text = code.name.replace("_", " ").lower().encode("ascii")
        self._send(channel, Message(MessageType.ERROR, code, payload=text))

    def _send(self, channel: socket.socket, *messages: Message) -> None:
        with self._sending:
            for message in messages:
                channel.sendall(message.pack())

    # The synchronous channel -------------------------------------------------------------------

    def take_synchronous(self, message: Message) -> FatalError | None:
        """Handle a message; return the fatal error that it is, if it is one."""
        channel = self._synchronous
        if not self.ready:
            return FatalError.BOTH_CHANNELS_NEEDED
        if message.kind == MessageType.DEVICE_CLEAR_COMPLETE:
            with self._changed:
                cleared, self._clearing = self._clearing, False
            if cleared:
                # Whatever mode the client prefers, only the synchronized one is to be had.
                self._send(channel, Message(MessageType.DEVICE_CLEAR_ACKNOWLEDGE))
            else:
                self.send_error(channel, Error.UNIDENTIFIED)
            return None
        with self._changed:
            if self._clearing:
                return None  # what was under way when the client cleared
        if message.kind in (MessageType.DATA, MessageType.DATA_END, MessageType.TRIGGER):
            if message.too_large:
                self.send_error(channel, Error.MESSAGE_TOO_LARGE)
            elif message.control & ~RMT_DELIVERED:
                self.send_error(channel, Error.UNRECOGNIZED_CONTROL_CODE)
            else:
                self._take_data(message)
            return None
        return self._take_other(channel, message)

    def _take_data(self, message: Message) -> None:
        with self._changed:
            if message.control & RMT_DELIVERED and self._owed == "sent":
                self._owed = "nothing"
            payload, too_long = message.payload, False
            if message.kind == MessageType.TRIGGER:
                payload = b"*TRG"
            else:
                self._parts_bytes += len(payload)
                if self._parts_bytes <= self._server.bound_bytes:
                    self._parts.append(payload)
                if message.kind == MessageType.DATA:
                    return
                payload = b"".join(self._parts)
                too_long = self._parts_bytes > self._server.bound_bytes
                self._parts, self._parts_bytes = [], 0
            clears = self._clears
            while len(self._waiting) >= _MOST_WAITING and self._clears == clears:
                self._changed.wait()
            if self._clears == clears:
                waiting = _Waiting(payload, message.parameter, too_long)
                self._waiting.append(waiting)
                self._changed.notify_all()

    # The asynchronous channel ------------------------------------------------------------------

    def take_asynchronous(self, message: Message) -> FatalError | None:
        """Handle a message; return the fatal error that it is, if it is one."""
        channel = self._asynchronous
        assert channel is not None
        if message.too_large:
            self.send_error(channel, Error.MESSAGE_TOO_LARGE)
            return None
        answer: Message | None = None
        match message.kind:
            case MessageType.ASYNC_MAXIMUM_MESSAGE_SIZE if len(message.payload) == 8:
                with self._changed:
                    largest = int.from_bytes(message.payload, "big")
                    self._largest_bytes = max(largest, HEADER.size + 1)
                answer = Message(
                    MessageType.ASYNC_MAXIMUM_MESSAGE_SIZE_RESPONSE,
                    payload=LARGEST_BYTES.to_bytes(8, "big"),
                )
            case MessageType.ASYNC_DEVICE_CLEAR:
                self._clear()
                answer = Message(MessageType.ASYNC_DEVICE_CLEAR_ACKNOWLEDGE)
            case MessageType.ASYNC_STATUS_QUERY if not message.control & ~RMT_DELIVERED:
                answer = Message(MessageType.ASYNC_STATUS_RESPONSE, self._status_byte(message))
            case MessageType.ASYNC_LOCK if message.control in (_LOCK_RELEASE, _LOCK_REQUEST):
                answer = Message(MessageType.ASYNC_LOCK_RESPONSE, self._lock(message))
            case MessageType.ASYNC_LOCK_INFO:
                exclusive, holders = self._locks.info()
                answer = Message(
                    MessageType.ASYNC_LOCK_INFO_RESPONSE, int(exclusive), parameter=holders
                )
            case MessageType.ASYNC_REMOTE_LOCAL_CONTROL if message.control <= _HIGHEST_REMOTE_LOCAL:
                # There is no front panel that could be locked.
                answer = Message(MessageType.ASYNC_REMOTE_LOCAL_RESPONSE)
            case (
                MessageType.ASYNC_STATUS_QUERY
                | MessageType.ASYNC_LOCK
                | MessageType.ASYNC_REMOTE_LOCAL_CONTROL
            ):
                self.send_error(channel, Error.UNRECOGNIZED_CONTROL_CODE)
            case MessageType.ASYNC_MAXIMUM_MESSAGE_SIZE:
                self.send_error(channel, Error.UNIDENTIFIED)
            case _:
                return self._take_other(channel, message)
        if answer is not None:
            self._send(channel, answer)
        return None

    def _take_other(self, channel: socket.socket, message: Message) -> FatalError | None:
        if message.kind in (MessageType.INITIALIZE, MessageType.ASYNC_INITIALIZE):
            return FatalError.INVALID_INITIALIZATION
        if message.kind == MessageType.FATAL_ERROR:
            self.hang_up()
        elif message.kind >= FIRST_VENDOR_TYPE:
            self.send_error(channel, Error.UNRECOGNIZED_VENDOR_MESSAGE)
        elif message.kind != MessageType.ERROR:  # an error about an error would never end
            self.send_error(channel, Error.UNRECOGNIZED_MESSAGE_TYPE)
        return None

    def _clear(self) -> None:
        # Under the lock of sending: once the client has the acknowledgement nothing of an older
        # reply comes any more.
        with self._sending, self._changed:
            self._clearing = True
            self._clears += 1
            self._waiting.clear()
            self._parts, self._parts_bytes = [], 0
            self._owed = "nothing"
            self._changed.notify_all()
        self._server.interpreter.clear_interface()

    def _status_byte(self, message: Message) -> int:
        with self._changed:
            if message.control & RMT_DELIVERED and self._owed == "sent":
                self._owed = "nothing"
            available = self._owed == "sent"
        return self._server.interpreter.status_byte(message_available=available)

    def _lock(self, message: Message) -> int:
        if message.control == _LOCK_RELEASE:
            return _RELEASE_ANSWERS[self._locks.release(self)]
        seconds = message.parameter / 1000.0
        return _LOCK_ANSWERS[
            self._locks.request(self, message.payload, seconds, lambda: self._ended)
        ]

    # Carrying messages out ---------------------------------------------------------------------

    def _work(self) -> None:
        while (taken := self._next()) is not None:
            waiting, clears = taken
            try:
                self._locks.wait_to_speak(self, partial(self._cleared_since, clears))
                self._carry_out(waiting, clears)
            except OSError:
                self.hang_up()  # the client went away

    def _cleared_since(self, clears: int) -> bool:
        return self._clears != clears

    def _next(self) -> tuple[_Waiting, int] | None:
        with self._changed:
            while not self._waiting and not self._ended:
                self._changed.wait()
            if self._ended:
                return None
            self._changed.notify_all()
            return self._waiting.popleft(), self._clears

    def _carry_out(self, waiting: _Waiting, clears: int) -> None:
        with self._changed:
            if self._clears != clears:
                return
            interrupted, self._owed = self._owed != "nothing", "nothing"
        if interrupted:
            self._interrupt(waiting.message_id)
        if waiting.too_long:
            self._server.refuse_too_long()
            return
        for message in program_messages(waiting.payload):
            if self._clears != clears:
                return
            result = self._server.carry_out(message)
            for pieces in together(result.pieces):
                self._reply(pieces, waiting.message_id, clears)
            match result.trouble:
                case "disconnect":
                    self.hang_up()
                case "vanish":
                    # Hanging up is part of it: whoever sees that finds nobody listening.
                    self._vanish(result.seconds)
                    self.hang_up()
                case "deaf":
                    self._hearing.clear()
                    if not self._ended:
                        self._server.wait(result.seconds)
                    self._hearing.set()
                case _:
                    pass

    def _reply(self, pieces: Sequence[Piece], message_id: int, clears: int) -> None:
        with self._changed:
            self._changed.wait_for(
                lambda: self._clears != clears or bool(self._waiting), pieces[0].after_s
            )
            largest = self._largest_bytes
        messages = [
            message
            for piece in pieces
            for message in data_messages(piece.data, message_id, largest, ends=piece.ends)
        ]
        with self._sending:
            with self._changed:
                if self._clears != clears:
                    return  # the client has cleared it away
                if self._waiting:
                    self._owed = "dropped"
                    return
                self._owed = "sent"
            for message in messages:
                self._synchronous.sendall(message.pack())

    def _interrupt(self, message_id: int) -> None:
        """Tell that a reply was dropped because a message came before it was read."""
        self._server.interpreter.refuse(-410)
        self._send(self._synchronous, Message(MessageType.INTERRUPTED, parameter=message_id))
        if self._asynchronous is not None:
            self._send(
                self._asynchronous, Message(MessageType.ASYNC_INTERRUPTED, parameter=message_id)
            )
