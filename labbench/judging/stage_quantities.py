"""Turn the readings of a power stage into comparable quantities, and learn them from siblings."""

from __future__ import annotations

__all__ = ["GATE_CURRENT", "StageQuantity", "StageSiblings", "stage_quantities", "state_word"]

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
    GATE_CURRENT: (False, 15e-6),
}
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
    supply: dict[str, tuple[float, float]] = {}
    for reading in readings.stage:
        if reading.value is None or reading.u is None or reading.repeat:
            continue
        if reading.step not in _SPREADS:
            continue
        state = state_word(reading)
        logarithmic, _ = _SPREADS[reading.step]
        value, u = reading.value, reading.u
        if reading.step == DRIVER_SUPPLY.name:
            supply[state] = (value, u)
            if state in _GATES:
                continue  # what it says beyond the open state is the gate's
        if logarithmic:
            size = max(abs(value), u)
            value, u = math.log(size), min(1.0, u / size)
        yield StageQuantity(reading.step, reading.path, state, value, u, logarithmic)
    if "open" in supply:
        base, u_base = supply["open"]
        for state, path in _GATES.items():
            if state in supply:
                value, u = supply[state]
                yield StageQuantity(
                    GATE_CURRENT, path, state, value - base, math.hypot(u, u_base), False
                )


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
