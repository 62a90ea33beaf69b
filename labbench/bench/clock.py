"""Tell and pass time on a real bench, or on a simulated one whose clock runs faster."""

from __future__ import annotations

__all__ = ["BenchClock"]

import time
from datetime import UTC, datetime


class BenchClock:
    """Be the clock of a bench; `rate` bench seconds pass in a second (real instruments: 1)."""

    def __init__(self, rate: float = 1.0) -> None:
        if not rate > 0:
            raise ValueError("a clock runs forwards")
        self._rate = rate

    def utc(self) -> datetime:
        """Tell the time of day in UTC (always real)."""
        return datetime.now(UTC)

    def monotonic_s(self) -> float:
        """Tell bench seconds since some start."""
        return time.monotonic() * self._rate

    def sleep_s(self, seconds: float) -> None:
        """Wait that many bench seconds."""
        time.sleep(seconds / self._rate)
