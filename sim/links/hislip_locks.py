"""Locks among the clients of one HiSLIP server (IVI-6.1, 2.5 "Locking mechanism", from memory)."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Literal

LockResult = Literal["granted", "timed-out", "wrong"]
Released = Literal["exclusive", "shared", "nothing"]
_LOOK_AGAIN_S = 0.05  # a waiting client may have gone away meanwhile


class Locks:
    """One exclusive lock, or a lock shared by the clients that give the same name, or both.

    Whoever waits for a lock looks up now and then whether it is still wanted.
    """

    def __init__(self) -> None:
        """Start without any lock."""
        self._changed = threading.Condition(threading.RLock())
        self._exclusive: object | None = None
        self._sharing: set[object] = set()
        self._name = b""

    def request(
        self, who: object, name: bytes, timeout_s: float, gone: Callable[[], bool]
    ) -> LockResult:
        """Ask for the shared lock of this name, or for the exclusive one without a name."""
        deadline = time.monotonic() + timeout_s
        with self._changed:
            if who in self._sharing if name else who is self._exclusive:
                return "wrong"
            while not (self._may_share(who, name) if name else self.may_speak(who)):
                left_s = deadline - time.monotonic()
                if left_s <= 0.0 or gone():
                    return "timed-out"
                self._changed.wait(min(left_s, _LOOK_AGAIN_S))
            if name:
                self._sharing.add(who)
                self._name = name
            else:
                self._exclusive = who
            return "granted"

    def release(self, who: object) -> Released:
        """Give back the exclusive lock, or else the shared one."""
        with self._changed:
            released: Released = "nothing"
            if self._exclusive is who:
                self._exclusive, released = None, "exclusive"
            elif who in self._sharing:
                self._sharing.discard(who)
                released = "shared"
            self._changed.notify_all()
            return released

    def may_speak(self, who: object) -> bool:
        """Tell whether no lock of others keeps this client out."""
        with self._changed:
            return self._exclusive in (None, who) and (not self._sharing or who in self._sharing)

    def wait_to_speak(self, who: object, gone: Callable[[], bool]) -> None:
        """Wait until no lock keeps this client out, or until it has gone."""
        with self._changed:
            while not self.may_speak(who) and not gone():
                self._changed.wait(_LOOK_AGAIN_S)

    def info(self) -> tuple[bool, int]:
        """Return whether the exclusive lock is held, and how many clients hold any lock."""
        with self._changed:
            holders = self._sharing | ({self._exclusive} if self._exclusive is not None else set())
            return self._exclusive is not None, len(holders)

    def _may_share(self, who: object, name: bytes) -> bool:
        return self._exclusive in (None, who) and (not self._sharing or name == self._name)
