"""Let a person stop a run from any thread, or with Ctrl-C, with the output off at once."""

from __future__ import annotations

__all__ = ["StopFlag"]

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType

from labbench.errors import InstrumentError, StoppedByPerson


class StopFlag:
    """Hold whether a person asked to stop; every action of the bench looks at it first.

    Signals do not reach a worker thread and closing a session under a reader takes up to two
    seconds, so a stop is this flag plus hooks that act on the supply's own session
    (energy rule 7).
    """

    def __init__(self) -> None:
        # Re-entrant: a signal handler may run while this thread is inside `request`. A plain
        # attribute and not an Event, whose inner lock is not.
        self._lock = threading.RLock()
        self._by: str | None = None
        self._hooks: list[Callable[[], object]] = []

    @property
    def requested(self) -> bool:
        """Tell whether somebody asked to stop."""
        return self._by is not None

    def request(self, by: str = "the stop key") -> None:
        """Ask to stop and run the hooks at once, in this thread; asking again does nothing."""
        with self._lock:
            if self._by is not None:
                return
            self._by = by
            hooks = list(self._hooks)
        for hook in hooks:
            hook()

    def check(self) -> None:
        """Raise StoppedByPerson when somebody asked to stop."""
        if self._by is not None:
            raise StoppedByPerson(
                f"stopped by {self._by}", hint="what was measured so far is in the journal"
            )

    def instead_of(self, error: InstrumentError) -> None:
        """Raise StoppedByPerson from an instrument's error that followed a stop.

        The off of a stop goes out on the supply's session, and so puts it out of step for an
        exchange under way: the person stopped, nothing failed.
        """
        try:
            self.check()
        except StoppedByPerson as stopped:
            raise stopped from error

    def add_hook(self, hook: Callable[[], object]) -> Callable[[], None]:
        """Call `hook` when a stop is asked for; return the function that takes it out again.

        A hook must not raise and must not wait for other instruments.
        """
        with self._lock:
            self._hooks.append(hook)

        def remove() -> None:
            with self._lock:
                if hook in self._hooks:
                    self._hooks.remove(hook)

        return remove

    @contextmanager
    def catching_interrupts(self) -> Iterator[None]:
        """Make Ctrl-C ask to stop; a second one raises KeyboardInterrupt (energy rule 7).

        Call it in the main thread. An exception thrown between two bytecodes could otherwise
        come just after the output went on and before the block that switches it off was entered.
        """

        def on_interrupt(_signal: int, _frame: FrameType | None) -> None:
            if self.requested:
                raise KeyboardInterrupt
            self.request("Ctrl-C")

        before = signal.signal(signal.SIGINT, on_interrupt)
        try:
            yield
        finally:
            signal.signal(signal.SIGINT, before)
