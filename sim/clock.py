"""Clocks that count simulated seconds.

Behaviours wait and measure time only through a clock, so that one bench can run at the pace of
the real thing, faster, or without waiting at all.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from typing import Protocol


class Clock(Protocol):
    """What a behaviour needs to know about time."""

    def now_s(self) -> float:
        """Return the simulated seconds since the clock was made."""

    def sleep_s(self, seconds: float) -> None:
        """Wait for this many simulated seconds; raises ValueError for a negative number."""

    def held(self) -> AbstractContextManager[None]:
        """Let no time pass inside the block: for what the computer takes to work something out."""


class RateClock:
    """Count simulated seconds at a fixed rate per real second. Thread safe."""

    def __init__(self, rate: float = 1.0) -> None:
        """Start at zero; ``rate`` is simulated seconds per real second, above zero."""
        if not rate > 0.0:
            raise ValueError(f"the clock rate must be above zero, got {rate!r}")
        self.rate = rate
        self._start_s = time.monotonic()
        self._held_s: float | None = None
        self._holders = 0
        self._lock = threading.Lock()
        self._released = threading.Event()

    def now_s(self) -> float:
        """Return the simulated seconds since the clock was made."""
        with self._lock:
            at_s = time.monotonic() if self._held_s is None else self._held_s
            return (at_s - self._start_s) * self.rate

    @contextmanager
    def held(self) -> Iterator[None]:
        """Let no time pass inside the block; blocks may overlap.

        A computer that is slower than the bench would fall behind for ever: the time that a
        circuit takes to solve would have to be solved as well.
        """
        with self._lock:
            if self._holders == 0:
                self._held_s = time.monotonic()
            self._holders += 1
        try:
            yield
        finally:
            with self._lock:
                self._holders -= 1
                if self._holders == 0 and self._held_s is not None:
                    self._start_s += time.monotonic() - self._held_s
                    self._held_s = None

    def sleep_s(self, seconds: float) -> None:
        """Wait for this many simulated seconds, or until :meth:`release`."""
        _refuse_negative(seconds)
        self._released.wait(seconds / self.rate)

    def release(self) -> None:
        """End every wait, now and from now on.

        A server that closes must not wait for an average over a hundred apertures: its measuring
        threads come back at once, and nobody is left to read what they return.
        """
        self._released.set()


class ManualClock:
    """Count simulated seconds that pass only in :meth:`sleep_s`, without waiting. Thread safe."""

    def __init__(self) -> None:
        """Start at zero."""
        self._now_s = 0.0
        self._lock = threading.Lock()

    def now_s(self) -> float:
        """Return the simulated seconds slept so far, over all threads."""
        with self._lock:
            return self._now_s

    def sleep_s(self, seconds: float) -> None:
        """Move the clock on by this many seconds and return at once."""
        _refuse_negative(seconds)
        with self._lock:
            self._now_s += seconds

    @contextmanager
    def held(self) -> Iterator[None]:
        """Do nothing: no time passes here by itself."""
        yield


def _refuse_negative(seconds: float) -> None:
    if not seconds >= 0.0:
        raise ValueError(f"cannot sleep for {seconds!r} s")
