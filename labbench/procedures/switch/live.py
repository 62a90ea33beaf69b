"""Energise a switch step and run the voltage down before the output goes off.

"Output off" does not mean discharged: 0 V is programmed with the output still on, so that the
supply empties its own capacitor, and only then is it switched off (switches.md C0 3).
"""

from __future__ import annotations

__all__ = ["LOW_V", "Live", "agree", "part_maximum", "tie", "value"]

from types import TracebackType
from typing import Self

from labbench.bench.bench import Bench
from labbench.bench.guarded_supply import DISCHARGED_V, Energised
from labbench.bench.limits import Maximum, Need
from labbench.ports import STATUS_OK, Hookup, ScalarReading
from labbench.procedures.switch.hookups import hookup

#: a re-tie is allowed below this
LOW_V = DISCHARGED_V
#: how long the supply is given to empty its capacitor (bench seconds); the re-tie waits anyway
_RUN_DOWN_S = 4.0
_POLL_S = 0.05
#: coming up: within a share and what a readback is off by, or standing still
_COME_UP_S, _UP_SHARE, _UP_V = 4.0, 2e-3, 5e-3
_STILL_V, _STILL_AFTER_S = 2e-3, 0.3
_BLED = ("fet-", "stage-")
_BLEED_S = 0.05


def tie(bench: Bench, wanted: Hookup, position: str | None) -> None:
    """Make a hookup; nothing moves before output and part are below 20 mV.

    Between two hookups of the same part relays put 1 kohm across its terminals; a person's own
    joins end in the tie of gate and source, which does the same for the gate.
    """
    now = bench.joined.hookup
    if not bench.by_person and now is not None and now.name != wanted.name:
        for family in _BLED:
            if now.name.startswith(family) and wanted.name.startswith(family):
                bench.connect(hookup(f"{family}bleed", mirrored=wanted.name.endswith("-p")))
                bench.settle(_BLEED_S)
    bench.connect(wanted, position)


def agree(bench: Bench, what: str, *, volts: float, amps: float) -> None:
    """Ask for consent where none holds: once a part by relays, after each re-tie by hand."""
    if not bench.may_energise:
        bench.ask_to_energise(
            "switch-test", while_it_stays=True, what=what, specimen=bench.joined.position,
            volts=volts, amps=amps,
        )  # fmt: skip


class Live:
    """Hold an output on inside the block, and leave it by way of 0 V.

    A class, as `Energised` is. After an error the output goes off at once instead.
    """

    def __init__(
        self, bench: Bench, *, volts: float, amps: float, need: Need, channel: int = 1,
        part: Maximum | None = None, meter: bool = True, start_volts: float | None = None,
    ) -> None:  # fmt: skip
        self._bench = bench
        self._channel = channel
        self._meter = meter and bench.multimeter is not None and not bench.multimeter_by_hand
        self._context = bench.energised(
            channel, volts=volts, amps=amps, reason=need.name, need=need, part=part,
            start_volts=start_volts,
        )  # fmt: skip
        self._on: Energised | None = None

    def __enter__(self) -> Self:
        self._on = self._context.__enter__()
        return self

    def wait_up(self, volts: float) -> float:
        """Wait until the supply has charged its own capacitor to `volts`; return its readback.

        At a few milliampere that takes half a second. A part that draws the limit current ends the
        wait too: the readback then stands still below.
        """
        bench = self._bench
        until_s = bench.clock.monotonic_s() + _COME_UP_S
        last: float | None = None
        while True:
            now = value(bench.take_supply_voltage(self._channel)) or 0.0
            still = last is not None and abs(now - last) <= _STILL_V
            if now >= volts * (1 - _UP_SHARE) - _UP_V or bench.clock.monotonic_s() > until_s:
                return now
            if still and bench.clock.monotonic_s() > until_s - _COME_UP_S + _STILL_AFTER_S:
                return now
            last = now
            bench.settle(_POLL_S)

    def set_volts(self, volts: float) -> None:
        """Change the voltage; never above what the block was entered with."""
        assert self._on is not None
        self._on.set_volts(volts)

    def __exit__(
        self,
        exc_type: type[BaseException] | None,
        exc: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        if exc is None:
            try:
                self._run_down()
            except BaseException as error:
                self._context.__exit__(type(error), error, error.__traceback__)
                raise
        self._context.__exit__(exc_type, exc, traceback)

    def _run_down(self) -> None:
        bench = self._bench
        self.set_volts(0.0)
        until_s = bench.clock.monotonic_s() + _RUN_DOWN_S
        while True:
            left = [bench.take_supply_voltage(self._channel)]
            if self._meter:
                left.append(bench.take_voltage())
            if all(_is_low(reading) for reading in left) or bench.clock.monotonic_s() > until_s:
                return
            bench.settle(_POLL_S)


def _is_low(reading: ScalarReading) -> bool:
    found = value(reading)
    return found is not None and abs(found) < LOW_V


def value(reading: ScalarReading) -> float | None:
    """Give the number of a reading, None where it is none."""
    return reading.value if reading.status == STATUS_OK else None


def part_maximum(name: str, volts: float | None, amps: float | None = None) -> Maximum:
    """Give a part's absolute maximum as the guard checks it."""
    return Maximum(name, voltage_v=volts, current_a=amps)
