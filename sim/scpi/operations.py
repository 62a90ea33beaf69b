"""Work that goes on while the instrument takes further commands."""

from __future__ import annotations

import threading
from collections.abc import Callable

from sim.scpi.status import StandardEvent, Status


class Operations:
    """Run one overlapped command at a time, and tell when none is pending."""

    def __init__(self, status: Status) -> None:
        """Report completion to this status."""
        self._status = status
        self._lock = threading.Lock()
        self._thread: threading.Thread | None = None
        self._pending = False
        self._announce = False

    @property
    def pending(self) -> bool:
        """Tell whether work is going on."""
        with self._lock:
            return self._pending

    def start(self, work: Callable[[], object]) -> None:
        """Start work in a thread of its own, after what was started before."""
        self.wait()
        with self._lock:
            self._pending = True
            self._thread = threading.Thread(
                target=self._run, args=(work,), name="overlapped command", daemon=True
            )
            self._thread.start()

    def wait(self) -> None:
        """Wait until nothing is pending."""
        with self._lock:
            thread = self._thread
        if thread is not None and thread is not threading.current_thread():
            thread.join()

    def announce_completion(self) -> None:
        """Set the operation-complete bit once nothing is pending (``*OPC``)."""
        with self._lock:
            self._announce = self._pending
            if not self._pending:
                self._status.happened(StandardEvent.OPERATION_COMPLETE)

    def forget_announcement(self) -> None:
        """Drop an ``*OPC`` that has not been answered yet (``*CLS``, ``*RST``)."""
        with self._lock:
            self._announce = False

    def _run(self, work: Callable[[], object]) -> None:
        try:
            work()
        finally:
            with self._lock:
                self._pending = False
                if self._announce:
                    self._announce = False
                    self._status.happened(StandardEvent.OPERATION_COMPLETE)
