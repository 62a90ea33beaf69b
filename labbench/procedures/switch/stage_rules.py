"""Refuse what would burn the bonds of a stage whose output is stuck (switches.md C4, "never")."""

from __future__ import annotations

__all__ = ["check_power_path"]

from labbench.errors import LimitExceeded
from labbench.procedures.switch.hookups import SERIES_OHM, joins_of
from labbench.procedures.switch.stage_conditions import DRIVER_OHM

#: with the driver fed: low impedance up to 0.5 V and what the leads take; 0.2 V needs nothing more
_DIRECT_V, _DIRECT_A = 0.5, 3.2
#: one channel: 4.7 ohm limit to 1.1 A at 5 V; the channel's limit stands a little above
_ONE_OHM, _ONE_V, _ONE_A = 4.7, 5.5, 1.3
_FREE_V, _ENOUGH_OHM = 0.21, 1e3
_POWER = ("VIN", "SW")


def check_power_path(name: str, *, volts: float, amps: float, leads_ohm: float) -> None:
    """Raise LimitExceeded for a hookup that could burn a stage whose driver is fed.

    The driver hangs on 22 ohm, always. Vin and sw get at most 0.5 V and the drop of the leads at
    low impedance, or hang on 4.7 ohm at the driver's voltage, or on 1 kohm and more.
    """
    fed, power_ohm = False, None
    for join in joins_of(name):
        pieces = join.split(" > ")
        if not pieces[0].endswith("plus"):
            continue
        ohm = SERIES_OHM[pieces[1]] if len(pieces) == 3 else 0.0
        if pieces[-1] == "VDRV":
            fed = True
            if ohm < DRIVER_OHM:
                raise LimitExceeded(
                    f"{name}: vdrv behind {ohm:g} Ω, where it takes {DRIVER_OHM:g} Ω; nothing was "
                    "energised"
                )
        elif pieces[-1] in _POWER:
            power_ohm = ohm
    if not fed or power_ohm is None or volts <= _FREE_V or power_ohm >= _ENOUGH_OHM:
        return
    allowed_v = _DIRECT_V + amps * leads_ohm if power_ohm == 0.0 else _FREE_V
    allowed_a = _DIRECT_A
    if power_ohm >= _ONE_OHM:
        allowed_v, allowed_a = (_ONE_V, _ONE_A) if power_ohm < 2 * _ONE_OHM else (_FREE_V, _ONE_A)
    if volts > allowed_v * (1 + 1e-9) or amps > allowed_a:
        raise LimitExceeded(
            f"{name} at {volts:g} V and {amps:g} A behind {power_ohm:g} Ω with the driver fed: an "
            f"output that is stuck would burn its bonds; at most {allowed_v:.2g} V and "
            f"{allowed_a:g} A; nothing was energised"
        )
