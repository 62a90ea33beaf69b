"""Say at which voltages and currents a power stage is measured, from its type or cautious rules."""

from __future__ import annotations

__all__ = ["DRIVER_AMPS", "DRIVER_OHM", "StageConditions", "driver_need", "stage_conditions"]

from collections.abc import Mapping

from attrs import field, frozen

from labbench.bench.limits import Maximum, Need
from labbench.parts.stage_steps import (
    BODY_DIODE,
    DRIVER_SUPPLY,
    HS_LEAK,
    LS_LEAK,
    ON_RESISTANCE,
    PWM_OPEN,
    UNDERVOLTAGE,
    VIN_LEAK,
)
from labbench.parts.stage_type import StageLimit, StageType

#: the driver hangs on 22 ohm and 15 mA, always: at most 75 mW go into one that leaks, and the
#: supply's output capacitor leaves nearly all that it holds in the resistor
DRIVER_OHM, DRIVER_AMPS = 22.0, 15e-3
#: nothing known: 1.25 times the rail that the part worked on, or of an assumed rail (own rules)
_RAIL_FACTOR, _UNKNOWN_RAIL_V = 1.25, 5.0
_DRIVER_V, _LEAST_DRIVER_V = 5.0, 2.0
#: above this 1 kohm before vin would let more than 40 mW into a part
_MOST_LEAK_V = 12.6
_ON_A, _DIODE_A = 3.0, 10e-3
_LEAKS = (HS_LEAK, LS_LEAK, VIN_LEAK)
#: a reading that is this much beyond its limit ends the sequence: the rest would only burn it
_FAR_BEYOND = 4.0


@frozen(kw_only=True)
class StageConditions:
    """Hold the conditions of every step (V, A), and what stops the sequence.

    `leak_v` and `leak_stop_a` by step; `assumed` says in words what was chosen for want of data.
    """

    part: StageType
    leak_v: Mapping[str, float]
    leak_stop_a: Mapping[str, float]
    driver_v: float
    on_a: float
    diode_a: float
    #: where the undervoltage thresholds are looked for: from, to (V)
    undervoltage_v: tuple[float, float]
    #: a driver that takes more in standby is not fed further (A)
    standby_stop_a: float | None
    assumed: tuple[str, ...] = field(default=())

    @property
    def name(self) -> str:
        """Give the name of the part type."""
        return self.part.name

    def fed_v(self, awake_a: float | None) -> float:
        """Give what the supply is set to (V) so that the driver's own pin sees its voltage.

        `awake_a` is what the driver takes (A): its 22 ohm take that much off. Never above the
        part's maximum.
        """
        taken_a = min(awake_a or 0.0, DRIVER_AMPS)
        most_v = self.part.maximum_vdrv_v
        wanted_v = self.driver_v + round(max(taken_a, 0.0) * DRIVER_OHM, 3)
        return wanted_v if most_v is None else max(min(wanted_v, most_v), self.driver_v)

    @property
    def power(self) -> Maximum:
        """Give what the power path may see at most."""
        return Maximum(self.name, self.part.maximum_vin_v, self.part.maximum_current_a)

    @property
    def drive(self) -> Maximum:
        """Give what the driver may see at most."""
        return Maximum(self.name, self.part.maximum_vdrv_v)


def driver_need(what: str, volts: float, *, time_s: float = 60.0, by_hand: bool = False) -> Need:
    """State what feeding the driver needs: 22 ohm in series, 15 mA."""
    return Need(
        what, voltage_v=volts, current_a=DRIVER_AMPS, series_ohm=DRIVER_OHM,
        part_power_w=volts**2 / (4 * DRIVER_OHM), time_s=90.0 if by_hand else time_s,
    )  # fmt: skip


def stage_conditions(part: StageType, *, rail_v: float | None = None) -> StageConditions:
    """Choose the conditions of every step; `rail_v` is the rail that the part worked on.

    The limits' own conditions come first, then what is safe for a part of which nothing is known.
    """
    assumed: list[str] = []
    unknown_v = _RAIL_FACTOR * (rail_v if rail_v is not None else _UNKNOWN_RAIL_V)
    leak_v: dict[str, float] = {}
    leak_stop_a: dict[str, float] = {}
    for step in _LEAKS:
        limits = part.limits_of(step.name)
        known = [at for limit in limits if (at := limit.conditions.get("voltage_v")) is not None]
        volts = max(known, default=unknown_v)
        if not known:
            rail = "the rail" if rail_v is not None else "an assumed rail of 5 V"
            assumed.append(
                f"{step.name.replace('-', ' ')}: no voltage in the type, read at {volts:g} V "
                f"(1.25 times {rail})"
            )
        if volts > _MOST_LEAK_V:
            assumed.append(
                f"{step.name.replace('-', ' ')}: read at {_MOST_LEAK_V:g} V instead of {volts:g} V"
            )
        leak_v[step.name] = min(volts, _MOST_LEAK_V)
        upper = [limit.upper for limit in limits if limit.upper is not None]
        if upper:
            leak_stop_a[step.name] = _FAR_BEYOND * max(upper)
    driver_v = _first(part, "voltage_v", DRIVER_SUPPLY.name) or _first(
        part, "driver_v", PWM_OPEN.name, ON_RESISTANCE.name
    )
    if driver_v is None:
        driver_v = min(_DRIVER_V, part.maximum_vdrv_v or _DRIVER_V)
        assumed.append(f"the driver's voltage is not in the type: {driver_v:g} V taken")
    edges = part.limits_of(UNDERVOLTAGE.name)
    lowest = min((limit.lower for limit in edges if limit.lower is not None), default=None)
    standby = [
        limit.upper for limit in part.limits_of(DRIVER_SUPPLY.name)
        if limit.state.get("drive") == "standby" and limit.upper is not None
    ]  # fmt: skip
    return StageConditions(
        part=part,
        leak_v=leak_v,
        leak_stop_a=leak_stop_a,
        driver_v=driver_v,
        on_a=_first(part, "current_a", ON_RESISTANCE.name) or _ON_A,
        diode_a=_first(part, "current_a", BODY_DIODE.name) or _DIODE_A,
        undervoltage_v=(
            _LEAST_DRIVER_V if lowest is None else max(_LEAST_DRIVER_V, 0.75 * lowest), driver_v,
        ),
        standby_stop_a=_FAR_BEYOND * max(standby) if standby else None,
        assumed=tuple(assumed),
    )  # fmt: skip


def _first(part: StageType, condition: str, *steps: str) -> float | None:
    found: list[StageLimit] = [limit for step in steps for limit in part.limits_of(step)]
    return next((limit.conditions[condition] for limit in found if condition in limit.conditions),
                None)  # fmt: skip
