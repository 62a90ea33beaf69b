"""Hold what the steps on a switch read, before it is turned into estimates.

Plain arithmetic of each stands here as well, since a stop rule looks at it between two steps.
"""

from __future__ import annotations

__all__ = [
    "LEAST_ACROSS_V",
    "BreakdownTaken",
    "CapacitanceTaken",
    "DiodeTaken",
    "LeakTaken",
    "OnTaken",
    "ShortTaken",
    "ThresholdTaken",
    "WarmthTaken",
]

import math
from typing import Literal

from attrs import frozen

from labbench.ports import ImpedanceReading
from labbench.procedures.switch.hookups import METER_OHM
from labbench.results import Status


@frozen(kw_only=True)
class ShortTaken:
    """Hold one path at 0.2 V: behind 100 ohm, or direct to grade what is very low.

    `across_v` is the multimeter's (across the resistor, or on the part where `direct`); without a
    multimeter it is None and `current_a` is the supply's readback.
    """

    path: str
    polarity: Literal["+", "-"] = "+"
    supply_v: float
    across_v: float | None
    current_a: float | None = None
    series_ohm: float = 100.0
    direct: bool = False

    @property
    def ohm(self) -> float:
        """Give the resistance of the path (ohm); infinite where no current can be seen."""
        if self.direct or self.across_v is None:
            volts = self.across_v if self.across_v is not None else self.supply_v
            if self.current_a is None or self.current_a <= _LEAST_READBACK_A:
                return math.inf
            return max(volts / self.current_a, 0.0)
        seen = self.across_v * (1.0 / self.series_ohm + 1.0 / METER_OHM)
        if self.across_v <= LEAST_ACROSS_V:
            return math.inf
        return max((self.supply_v - self.across_v) / seen, 0.0)

    @property
    def greater_than_ohm(self) -> float:
        """Give what an infinite `ohm` stands for: the largest resistance that this bench sees."""
        if self.direct or self.across_v is None:
            return self.supply_v / _LEAST_READBACK_A
        return self.supply_v / LEAST_ACROSS_V * self.series_ohm


#: below this a readback shows its own zero, not a current (switches.md B: 1 to 2 mA)
_LEAST_READBACK_A = 3e-3
#: below this a multimeter's reading is its own zero and noise
LEAST_ACROSS_V = 20e-6


@frozen(kw_only=True)
class LeakTaken:
    """Hold one leakage reading through a series element; `series_ohm` None: the meter itself.

    `open_v` is the same reading with nothing in the jig. `voltage_v` has the sign of the step.
    """

    hookup: str
    set_v: float
    supply_v: float
    across_v: float | None
    series_ohm: float | None
    sign: int = 1
    open_v: float | None = None
    status: Status = "ok"
    repeat: bool = False

    @property
    def current_a(self) -> float:
        """Give the current without correction (A); infinite beyond the meter's range."""
        if self.across_v is None:
            return math.inf
        return (self.across_v - (self.open_v or 0.0)) * self.conductance_s

    @property
    def conductance_s(self) -> float:
        """Give what turns volts across the series element into current (S)."""
        if self.series_ohm is None:
            return 1.0 / METER_OHM
        return 1.0 / self.series_ohm + 1.0 / METER_OHM

    @property
    def part_v(self) -> float:
        """Give the voltage at the part (V), a magnitude."""
        return self.supply_v - (self.across_v or 0.0)


@frozen
class CapacitanceTaken:
    """Hold an impedance reading between two terminals, the third tied to the source."""

    path: str
    reading: ImpedanceReading

    @property
    def capacitance_f(self) -> float | None:
        """Give the capacitance without correction (F); None where the reading is none."""
        x = self.reading.reactance_ohm
        if x is None or x >= 0.0:
            return None
        return -1.0 / (2.0 * math.pi * self.reading.conditions.frequency_hz * x)


@frozen(kw_only=True)
class DiodeTaken:
    """Hold a forward voltage and where its current comes from: a resistor, or the readback."""

    nominal_a: float
    supply_v: float
    diode_v: float | None
    series_ohm: float | None
    readback_a: float | None = None

    @property
    def current_a(self) -> float:
        """Give the current (A)."""
        if self.series_ohm is None or self.diode_v is None:
            return self.readback_a or 0.0
        return (self.supply_v - self.diode_v) / self.series_ohm - self.diode_v / METER_OHM


@frozen(kw_only=True)
class WarmthTaken:
    """Hold forward voltages at 1 mA, `every_s` apart: they rise while a part cools.

    It stands still when two in a row differ by less than `within_v`. `short` holds what a path that
    read short was before (none where nobody took it for one): alone, it stands still when its
    resistance rises by no more than a fifth from one to the next (2.6 K at a doubling every 10 K).
    """

    diode: tuple[DiodeTaken, ...]
    every_s: float
    within_v: float
    short: tuple[ShortTaken, ...] = ()

    @property
    def drift_v(self) -> float | None:
        """Give the rise over the last two readings (V); None where it cannot be told."""
        last = [one.diode_v for one in self.diode[-2:]]
        if len(last) < 2 or last[0] is None or last[1] is None:
            return None
        return last[1] - last[0]

    @property
    def still(self) -> bool:
        """Tell whether the part is as warm as what is around it."""
        if not self.diode:
            return len(self.short) > 1 and not _rose(*self.short[-2:])
        return self.drift_v is not None and abs(self.drift_v) < self.within_v

    @property
    def was_warm(self) -> bool:
        """Tell whether it cooled while it was watched: the first two readings differ."""
        if len(self.short) > 1 and _rose(*self.short[:2]):
            return True
        first = [one.diode_v for one in self.diode[:2]]
        if len(first) < 2 or first[0] is None or first[1] is None:
            return False
        return first[1] - first[0] >= self.within_v

    @property
    def still_cooling(self) -> bool:
        """Tell whether it was warm, and has not come to rest."""
        return self.was_warm and not self.still


def _rose(first: ShortTaken, then: ShortTaken) -> bool:
    return then.ohm > _ROSE * first.ohm


#: what the resistance of a path that reads short rises by while the part cools, and not else
_ROSE = 1.2


@frozen(kw_only=True)
class ThresholdTaken:
    """Hold a gate-source voltage with gate tied to drain, and the resistor that gives the current.

    `across_v` is the reading across that resistor at `across_supply_v`, where it was taken.
    """

    nominal_a: float
    supply_v: float
    gate_v: float | None
    series_ohm: float
    across_v: float | None = None
    across_supply_v: float | None = None

    @property
    def current_a(self) -> float | None:
        """Give the drain current while `gate_v` was read (A)."""
        if self.gate_v is None:
            return None
        return (self.supply_v - self.gate_v) / self.series_ohm - self.gate_v / METER_OHM


@frozen(kw_only=True)
class BreakdownTaken:
    """Hold the drain-source voltage behind a resistor, both channels in series at `supply_v`."""

    nominal_a: float
    supply_v: float
    part_v: float | None
    series_ohm: float

    @property
    def current_a(self) -> float:
        """Give the current through the part (A)."""
        if self.part_v is None:
            return 0.0
        return (self.supply_v - self.part_v) / self.series_ohm - self.part_v / METER_OHM


@frozen(kw_only=True)
class OnTaken:
    """Hold voltage and current of a conducting switch, and both without the current.

    method: "two-channels", "one-channel" (4.7 ohm in the drain) or "supply-readback".
    """

    gate_source_v: float
    on_v: float | None
    off_v: float
    on_a: float
    off_a: float
    method: Literal["two-channels", "one-channel", "supply-readback"]
    #: it dropped more than a sound part may: switched off at once
    aborted: bool = False
    #: the gate voltage that was wanted; `gate_source_v` is what the supply's readback said it was
    wanted_gate_v: float | None = None
    #: without the current once more, after it
    off_after_v: float | None = None

    @property
    def ohm(self) -> float:
        """Give the resistance (ohm); infinite where no current flows."""
        amps = self.on_a - self.off_a
        if self.on_v is None or amps <= _LEAST_READBACK_A:
            return math.inf
        after_v = self.off_v if self.off_after_v is None else self.off_after_v
        return (self.on_v - (self.off_v + after_v) / 2.0) / amps
