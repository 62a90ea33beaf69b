"""Say which steps on a power stage this bench can do, and why not the others."""

from __future__ import annotations

__all__ = ["StageName", "StageStep", "stage_plan", "two_channels"]

from typing import Literal

from attrs import frozen

from labbench.bench.bench import Bench

StageName = Literal[
    "seating", "short", "body-diode", "hs-leak", "ls-leak", "vin-leak", "driver-supply",
    "pwm-open", "pwm-current", "undervoltage", "on-resistance", "tri-state", "hs-leak-again",
]  # fmt: skip

_WORDS: dict[StageName, str] = {
    "seating": "how it lies: every two terminals at 0.2 V",
    "short": "shorts at 0.2 V, both ways",
    "body-diode": "body diodes",
    "hs-leak": "leakage of the high side, guarded",
    "ls-leak": "leakage of the low side",
    "vin-leak": "leakage from vin to pgnd",
    "driver-supply": "current of the driver: standby, pwm open, low, high",
    "pwm-open": "voltage of the open pwm",
    "pwm-current": "current into pwm",
    "undervoltage": "undervoltage thresholds",
    "on-resistance": "on-resistance of both sides",
    "tri-state": "both sides off with pwm open",
    "hs-leak-again": "leakage of the high side again",
}
_NO_METER = "no multimeter: the supply's readback sees no leak above some 12 kΩ"


@frozen
class StageStep:
    """Hold one step; `missing` says why this bench cannot do it, then it is left out."""

    name: StageName
    missing: str | None = None

    @property
    def words(self) -> str:
        """Give the step in words."""
        return _WORDS[self.name]


def two_channels(bench: Bench) -> bool:
    """Tell whether the driver can hang on a channel of its own."""
    return bench.supply is not None and bench.supply.channels >= 2


def stage_plan(bench: Bench) -> tuple[StageStep, ...]:
    """Return the steps for this bench in the order in which they are done.

    What protects the part comes first: 0.2 V, then leaks without a driver, then the driver at
    15 mA, then amperes. Without a multimeter only shorts can be seen: such a bench passes no part.
    """
    steps = []
    for name in _WORDS:
        missing = None
        if bench.supply is None:
            missing = "no supply"
        elif bench.multimeter is None and name not in ("seating", "short"):
            missing = _NO_METER
        elif name == "pwm-current" and not two_channels(bench):
            missing = "pwm and the driver need a channel each"
        elif bench.multimeter_by_hand and name in ("undervoltage", "on-resistance"):
            missing = "a display cannot be read so often, or in the second that the current flows"
        steps.append(StageStep(name, missing))
    return tuple(steps)
