"""Which command profiles there are for each role; the first is the usual one."""

from __future__ import annotations

from typing import Any, Protocol

from sim.profiles import (
    impedance_meter,
    impedance_meter_calculate,
    multimeter,
    multimeter_fetch,
    relay_switch,
    relay_switch_output,
    supply,
    supply_channel_list,
)
from sim.scpi.interpreter import Interpreter


class Profile(Protocol):
    """Makes the interpreter of a behaviour of its role."""

    def __call__(self, behaviour: Any, /, *, identity: str) -> Interpreter:
        """Return the interpreter."""


PROFILES: dict[str, dict[str, Profile]] = {
    "impedance_meter": {
        impedance_meter.DIALECT: impedance_meter.impedance_meter,
        impedance_meter_calculate.DIALECT: impedance_meter_calculate.impedance_meter_calculate,
    },
    "supply": {
        supply.DIALECT: supply.supply,
        supply_channel_list.DIALECT: supply_channel_list.supply_channel_list,
    },
    "multimeter": {
        multimeter.DIALECT: multimeter.multimeter,
        multimeter_fetch.DIALECT: multimeter_fetch.multimeter_fetch,
    },
    "switch": {
        relay_switch.DIALECT: relay_switch.relay_switch,
        relay_switch_output.DIALECT: relay_switch_output.relay_switch_output,
    },
}


def usual_dialect(role: str) -> str:
    """Return the dialect of a role where nothing else is said."""
    return next(iter(PROFILES[role]))
