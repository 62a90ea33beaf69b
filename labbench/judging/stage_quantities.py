"""Turn the readings of a power stage into comparable quantities, and learn them from siblings.

Three are worked out of several readings. What holding a gate high costs the driver is the supply
current in that state less that with pwm open, less what the pwm pin itself takes then. Resistors of
one die track each other far better than they keep their value (common practice, no source): the two
gates' pull-downs are compared with each other (gate balance), and the resistance from sw to ground
with that from vin to ground (monitor balance). So a leak shows that the spread of the resistors
from part to part would hide.
"""

from __future__ import annotations

__all__ = [
    "GATES",
    "GATE_BALANCE",
    "GATE_CURRENT",
    "MONITOR_BALANCE",
    "StageQuantity",
    "StageSiblings",
    "stage_quantities",
    "state_word",
]

import math
from collections.abc import Iterator, Mapping, Sequence

from attrs import field, frozen

from labbench.judging.robust_scale import Reference, learn
from labbench.parts.stage_steps import (
    BODY_DIODE,
    DRIVER_SUPPLY,
    HS_LEAK,
    LS_LEAK,
    ON_RESISTANCE,
    PWM_CURRENT,
    PWM_OPEN,
    SHORT,
    UNDERVOLTAGE,
    VIN_LEAK,
)
from labbench.results import Readings, StageReading

#: derived: what holding a gate high costs the driver, from the supply current in two states
GATE_CURRENT = "gate-current"
#: derived: logarithm of the high side's gate current over the low side's, path `GATES`
GATE_BALANCE, GATES = "gate-balance", "gates"
#: derived: logarithm of the low side's leakage step over that from vin to ground
MONITOR_BALANCE = "monitor-balance"

#: step -> (compared by logarithm, spread within a lot as known beforehand; assumed)
_SPREADS: Mapping[str, tuple[bool, float]] = {
    SHORT.name: (True, 0.09),
    BODY_DIODE.name: (False, 2e-3),
    HS_LEAK.name: (True, 0.35),
    LS_LEAK.name: (True, 0.085),
    VIN_LEAK.name: (True, 0.08),
    DRIVER_SUPPLY.name: (True, 0.03),
    UNDERVOLTAGE.name: (False, 0.05),
    PWM_OPEN.name: (True, 0.03),
    PWM_CURRENT.name: (True, 0.085),
    ON_RESISTANCE.name: (True, 0.016),
    GATE_CURRENT: (False, 12e-6),
    GATE_BALANCE: (True, 0.03),
    MONITOR_BALANCE: (True, 0.03),
}
#: of a supply current that two readings through one resistor do not have in common, relative
_NOT_COMMON = 5e-4
#: a current has to be so many times its uncertainty before its ratio to another says anything
_TOLD_APART = 5.0
#: inputs differ more: their pull resistors are small
_GATES = {"high": "hs-gate", "low": "ls-gate"}
_STATE_WORDS = ("polarity", "drive", "edge", "pwm")


@frozen
class StageQuantity:
    """Hold one quantity: step, path and the word of its state; logarithm where `logarithmic`."""

    step: str
    path: str
    state: str
    value: float
    u: float
    logarithmic: bool

    @property
    def key(self) -> tuple[str, str, str]:
        """Tell what it is compared with."""
        return self.step, self.path, self.state

    @property
    def shown(self) -> float:
        """Give the value in the step's unit."""
        return math.exp(self.value) if self.logarithmic else self.value


def state_word(reading: StageReading) -> str:
    """Return the one word of a reading's state that tells it from others of its step."""
    if reading.step == DRIVER_SUPPLY.name and "drive" not in reading.state:
        enabled = reading.state.get("en", 0)
        return "standby" if enabled in (0, "0", "low") else str(reading.state.get("pwm", "open"))
    keys = [key for key in _STATE_WORDS if key in reading.state]
    if reading.step == SHORT.name:
        return str(reading.state.get("polarity", "+"))
    if reading.step not in (DRIVER_SUPPLY.name, UNDERVOLTAGE.name, PWM_CURRENT.name):
        return ""
    return str(reading.state[keys[0]]) if keys else ""


def stage_quantities(readings: Readings) -> Iterator[StageQuantity]:
    """Yield every comparable quantity of a stage; what has no value is passed over."""
    valued: dict[tuple[str, str], tuple[float, float]] = {}
    for reading in readings.stage:
        if reading.value is None or reading.u is None or reading.repeat:
            continue
        if reading.step not in _SPREADS:
            continue
        state = state_word(reading)
        logarithmic, _ = _SPREADS[reading.step]
        value, u = reading.value, reading.u
        valued[reading.step, state] = (value, u)
        if reading.step == DRIVER_SUPPLY.name and state in _GATES:
            continue  # what it says beyond the open state is the gate's
        if logarithmic:
            value, u = _log(value, u)
        yield StageQuantity(reading.step, reading.path, state, value, u, logarithmic)
    gates = dict(_gate_currents(valued))
    for path, (state, value, u) in gates.items():
        yield StageQuantity(GATE_CURRENT, path, state, value, u, False)
    if len(gates) == 2:
        (_, high, u_high), (_, low, u_low) = gates["hs-gate"], gates["ls-gate"]
        if high > _TOLD_APART * u_high and low > _TOLD_APART * u_low:
            yield StageQuantity(
                GATE_BALANCE, GATES, gates["hs-gate"][0], math.log(high / low),
                math.hypot(u_high / high, u_low / low), True,
            )  # fmt: skip
    low_side, to_ground = valued.get((LS_LEAK.name, "")), valued.get((VIN_LEAK.name, ""))
    if low_side is not None and to_ground is not None and min(low_side[0], to_ground[0]) > 0.0:
        (one, u_one), (other, u_other) = _log(*low_side), _log(*to_ground)
        yield StageQuantity(
            MONITOR_BALANCE, "sw-pgnd", "", one - other, math.hypot(u_one, u_other), True
        )


def _log(value: float, u: float) -> tuple[float, float]:
    size = max(abs(value), u)
    return math.log(size), min(1.0, u / size)


def _gate_currents(
    valued: Mapping[tuple[str, str], tuple[float, float]],
) -> Iterator[tuple[str, tuple[str, float, float]]]:
    """Yield path, state, current (A) and its u of each gate that is held high.

    Both supply currents run through one resistor, whose error is the same share of their
    difference. With pwm held at the driver's supply, or at ground, its divider carries the pin's
    current instead of what it carries when open; the latter follows from both, 1/(1/Il + 1/Ih).
    """
    base = valued.get((DRIVER_SUPPLY.name, "open"))
    if base is None:
        return
    held = {
        word: abs(valued[PWM_CURRENT.name, word][0])
        for word in _GATES if (PWM_CURRENT.name, word) in valued
    }  # fmt: skip
    known = len(held) == 2 and min(held.values()) > 0.0
    idle = 1.0 / (1.0 / held["low"] + 1.0 / held["high"]) if known else 0.0
    for state, path in _GATES.items():
        if (DRIVER_SUPPLY.name, state) not in valued:
            continue
        value, u = valued[DRIVER_SUPPLY.name, state]
        more = value - base[0]
        u_more = math.hypot(more * u / max(abs(value), u), _NOT_COMMON * value)
        if known:
            yield path, (state, more - (held[state] - idle), u_more)
        else:
            yield path, (f"{state}, with pwm", more, u_more)


@frozen
class StageSiblings:
    """Hold the quantities of siblings of one type and lot, learned once for many test parts."""

    readings: tuple[Readings, ...]
    _found: dict[tuple[str, str, str], list[float]] = field(factory=dict, eq=False, repr=False)
    _known: dict[tuple[str, str, str], Reference | None] = field(factory=dict, eq=False, repr=False)

    @classmethod
    def of(cls, readings: Sequence[Readings]) -> StageSiblings:
        """Gather siblings."""
        found: dict[tuple[str, str, str], list[float]] = {}
        for each in readings:
            for quantity in stage_quantities(each):
                found.setdefault(quantity.key, []).append(quantity.value)
        return cls(tuple(readings), found)

    def reference(self, key: tuple[str, str, str]) -> Reference | None:
        """Return what the siblings say of a quantity; None where fewer than 3 have it."""
        if key not in self._known:
            self._known[key] = learn(self._found.get(key, ()), _SPREADS[key[0]][1])
        return self._known[key]
