"""Read a voltage with the multimeter in the smallest range that holds it."""

from __future__ import annotations

__all__ = ["RangedMeter", "fitting_range_v"]

from labbench.bench.bench import Bench
from labbench.procedures.switch.live import value

_RANGES_V = (0.1, 1.0, 10.0, 100.0)
#: a reading below this share of the next smaller range is read again in that
_SHARE = 0.9


def fitting_range_v(volts: float) -> float:
    """Return the range in which a voltage is read (V)."""
    return next((r for r in _RANGES_V if _SHARE * r >= abs(volts)), _RANGES_V[-1])


class RangedMeter:
    """Hold the multimeter's range from reading to reading."""

    def __init__(
        self, bench: Bench, *, integration_periods: float = 10.0, mirrored: bool = False
    ) -> None:
        """Hold the bench; `mirrored` where the multimeter sits on a p-channel part's own leads."""
        self._bench = bench
        self._sign = -1.0 if mirrored else 1.0
        self._periods = integration_periods
        self._range_v: float | None = None

    def set_for(self, volts: float) -> None:
        """Choose the smallest range that holds `volts`."""
        self._set(next((r for r in _RANGES_V if r >= volts), _RANGES_V[-1]))

    def read(self) -> float | None:
        """Read inside a step; None beyond the largest range."""
        if self._range_v is None:
            self._set(_RANGES_V[-1])
        if self._bench.multimeter_by_hand:
            # the person reads what the display shows, in whatever range
            shown = value(self._bench.take_voltage())
            return None if shown is None else self._sign * shown
        for _ in range(2 * len(_RANGES_V)):
            assert self._range_v is not None
            found = value(self._bench.take_voltage())
            index = _RANGES_V.index(self._range_v)
            if found is None:
                if index + 1 == len(_RANGES_V):
                    return None
                self._set(_RANGES_V[index + 1])
                continue
            fitting = fitting_range_v(found)
            if _RANGES_V.index(fitting) >= index:
                return self._sign * found
            self._set(fitting)
        return None  # it jumps between ranges: no number to keep

    def _set(self, range_v: float) -> None:
        if range_v != self._range_v:
            self._bench.set_dc_voltage(range_v=range_v, integration_periods=self._periods)
            self._range_v = range_v
