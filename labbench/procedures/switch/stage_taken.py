"""Hold what the steps on a power stage read, before it is turned into estimates.

Plain arithmetic of each stands here as well, since a stop rule looks at it between two steps.
"""

from __future__ import annotations

__all__ = [
    "CurrentTaken",
    "EdgeTaken",
    "PairTaken",
    "ReturnTaken",
    "StageTaken",
    "TriTaken",
]

import math
from collections.abc import Mapping
from typing import Literal

from attrs import field, frozen

from labbench.parts.stage_seating import Seating
from labbench.procedures.switch.hookups import METER_OHM
from labbench.procedures.switch.taken import DiodeTaken, LeakTaken, OnTaken
from labbench.results import Status

#: below this a readback shows its own zero, not a current (switches.md B: 1 to 2 mA)
_LEAST_READBACK_A = 3e-3
#: below this a difference of two multimeter readings is noise
_LEAST_DIFFERENCE_V = 3e-6


@frozen(kw_only=True)
class PairTaken:
    """Hold one path at 0.2 V: behind 100 ohm, or direct to grade what is very low.

    `zero_v` is the reading before the output was on, in the same range. Without a multimeter
    `across_v` is None and `current_a` is the supply's readback.
    """

    one: str
    other: str
    supply_v: float
    across_v: float | None
    zero_v: float = 0.0
    current_a: float | None = None
    series_ohm: float = 100.0
    direct: bool = False
    #: readings averaged
    count: int = 1

    @property
    def path(self) -> str:
        """Name the path, the positive terminal first."""
        return f"{self.one}-{self.other}"

    @property
    def seen_v(self) -> float:
        """Give the voltage that the current makes (V): across the resistor, less its zero."""
        return (self.across_v or 0.0) - self.zero_v

    @property
    def by_readback(self) -> bool:
        """Tell whether the current is the supply's own reading."""
        return self.direct or self.across_v is None

    @property
    def ohm(self) -> float:
        """Give the resistance (ohm); infinite where no current can be seen."""
        if self.by_readback:
            volts = self.seen_v if self.across_v is not None else self.supply_v
            if self.current_a is None or self.current_a <= _LEAST_READBACK_A:
                return math.inf
            return max(volts / self.current_a, 0.0)
        if self.seen_v <= _LEAST_DIFFERENCE_V:
            return math.inf
        current_a = self.seen_v * (1.0 / self.series_ohm + 1.0 / METER_OHM)
        return max((self.supply_v - self.seen_v) / current_a, 0.0)

    @property
    def greater_than_ohm(self) -> float:
        """Give what an infinite `ohm` stands for: the largest resistance that this bench sees."""
        if self.by_readback:
            return self.supply_v / _LEAST_READBACK_A
        return self.supply_v / _LEAST_DIFFERENCE_V * self.series_ohm


@frozen(kw_only=True)
class ReturnTaken:
    """Hold the guarded leakage of the high side: what leaves sw over 10 kohm to pgnd.

    What flows from vin to pgnd inside the part goes past the multimeter. `beside_ohm` is the
    resistance from sw to pgnd inside the part (ohm), parallel to the 10 kohm.
    """

    set_v: float
    supply_v: float
    across_v: float | None
    series_ohm: float
    zero_v: float = 0.0
    beside_ohm: float | None = None
    status: Status = "ok"
    repeat: bool = False

    @property
    def conductance_s(self) -> float:
        """Give what turns volts across the resistor into current (S)."""
        beside = 1.0 / self.beside_ohm if self.beside_ohm else 0.0
        return 1.0 / self.series_ohm + 1.0 / METER_OHM + beside

    @property
    def current_a(self) -> float:
        """Give the current (A); infinite beyond the multimeter's range."""
        if self.across_v is None:
            return math.inf
        return (self.across_v - self.zero_v) * self.conductance_s


@frozen(kw_only=True)
class CurrentTaken:
    """Hold a current of the driver or of its input: what is across its series resistor.

    `state` is the one word of the step's state: standby, open, low or high.
    """

    state: str
    supply_v: float
    across_v: float | None
    zero_v: float
    series_ohm: float
    status: Status = "ok"

    @property
    def current_a(self) -> float:
        """Give the current (A); infinite beyond the multimeter's range."""
        if self.across_v is None:
            return math.inf
        return (self.across_v - self.zero_v) * (1.0 / self.series_ohm + 1.0 / METER_OHM)

    @property
    def pin_v(self) -> float:
        """Give the voltage at the pin behind the resistor (V)."""
        return self.supply_v - ((self.across_v or 0.0) - self.zero_v)


@frozen(kw_only=True)
class EdgeTaken:
    """Hold an undervoltage threshold between two voltages at vdrv (V): one before, one after.

    method: "turn-on" of the low side, or the "driver-current" that wakes. None: it never came.
    """

    edge: Literal["rising", "falling"]
    before_v: float | None
    after_v: float | None
    method: Literal["turn-on", "driver-current"]
    looked_up_to_v: float


@frozen(kw_only=True)
class TriTaken:
    """Hold a switch that should be off with pwm open, at two voltages, or at one and none.

    What the driver itself puts into the switch node does not depend on its voltage: the difference
    of two readings is the path's own.
    """

    path: str
    high_v: float
    high_across_v: float | None
    low_v: float
    low_across_v: float | None
    series_ohm: float

    @property
    def ohm(self) -> float:
        """Give the resistance of the path (ohm); infinite where the two readings do not differ."""
        if self.high_across_v is None or self.low_across_v is None:
            return 0.0
        more_v = self.high_across_v - self.low_across_v
        if more_v <= _LEAST_DIFFERENCE_V:
            return math.inf
        current_a = more_v * (1.0 / self.series_ohm + 1.0 / METER_OHM)
        return max((self.high_v - self.low_v - more_v) / current_a, 0.0)

    @property
    def greater_than_ohm(self) -> float:
        """Give what an infinite `ohm` stands for (ohm)."""
        return (self.high_v - self.low_v) / _LEAST_DIFFERENCE_V * self.series_ohm


@frozen(kw_only=True)
class StageTaken:
    """Hold everything that was read of one stage, and where and why it ended early."""

    seating: Seating | None = None
    pairs: tuple[PairTaken, ...] = ()
    #: the paths of the short check, graded where they are very low
    short: tuple[PairTaken, ...] = ()
    diodes: Mapping[str, DiodeTaken] = field(factory=dict)
    hs_leak: tuple[ReturnTaken, ...] = ()
    ls_leak: LeakTaken | None = None
    vin_leak: LeakTaken | None = None
    driver: tuple[CurrentTaken, ...] = ()
    pwm_open_v: float | None = None
    pwm_supply_v: float | None = None
    pwm: tuple[CurrentTaken, ...] = ()
    edges: tuple[EdgeTaken, ...] = ()
    on: Mapping[str, OnTaken] = field(factory=dict)
    tri: tuple[TriTaken, ...] = ()
    stopped_at: str | None = None
    why: str | None = None
    #: steps that this bench cannot do, and why
    missing: Mapping[str, str] = field(factory=dict)

    def pair(self, path: str) -> PairTaken | None:
        """Return the reading of a path of the short check, its positive way round."""
        return next((one for one in self.short if one.path == path), None)

    def driver_current_a(self, state: str) -> float | None:
        """Return the driver's current in a state (A), where it was read."""
        return next((one.current_a for one in self.driver if one.state == state), None)
