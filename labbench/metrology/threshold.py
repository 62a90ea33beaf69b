"""Turn a gate voltage near the threshold current into the threshold, with its budget.

Drain and gate are tied; the voltage at a current I that is not quite the wanted I0 is brought there
by the slope of the characteristic: VTH = VGS - m ln(I/I0), m = dVGS/d ln I, about 36 mV at 250 uA
and 43 mV at 1 mA (from a device model). Method: drain and gate tied, current stated (MIL-STD-750
method 3403, title from memory).
"""

from __future__ import annotations

__all__ = ["next_supply_v", "slope_v", "threshold_voltage"]

import math
from typing import Final

from labbench.errors import InputError
from labbench.metrology.accuracy import MultimeterAccuracy
from labbench.metrology.estimates import influence, limits, to_estimate
from labbench.metrology.semiconductor import THRESHOLD_V_PER_K
from labbench.results import Estimate

_SLOPE_250_UA_V: Final = 36e-3
_SLOPE_1_MA_V: Final = 43e-3
#: the slope of a part may differ by so much from the model's
_SLOPE_RELATIVE: Final = 0.25


def slope_v(current_a: float) -> float:
    """Return dVGS/d ln I at a current (V), linear in its logarithm between 250 uA and 1 mA."""
    share = math.log(current_a / 250e-6) / math.log(4.0)
    return max(25e-3, _SLOPE_250_UA_V + share * (_SLOPE_1_MA_V - _SLOPE_250_UA_V))


def next_supply_v(set_v: float, current_a: float, wanted_a: float, series_ohm: float) -> float:
    """Return the next supply setting towards the wanted current (V)."""
    return set_v + (wanted_a - current_a) * series_ohm


def threshold_voltage(
    gate_source_v: float,
    current: Estimate,
    wanted_a: float,
    *,
    multimeter: MultimeterAccuracy,
    range_v: float = 10.0,
    u_temperature_k: float = 0.0,
) -> Estimate:
    """Return the threshold at the wanted current (V), with its influences.

    `current` is the drain current measured at this voltage. Raises InputError where it is not
    within a factor of two of the wanted one: the slope does not hold that far.
    """
    if not 0.5 <= current.value / wanted_a <= 2.0:
        raise InputError(
            f"the threshold at {wanted_a:g} A was read at {current.value:g} A: too far",
            hint="step the supply until the current agrees",
        )
    import GTC

    volts = influence(gate_source_v, multimeter.noise_v(range_v), "noise of the multimeter")
    volts = volts * limits(1.0, multimeter.gain_relative, "gain of the multimeter")
    volts = volts + limits(0.0, multimeter.zero_v(range_v), "zero of the multimeter")
    slope = slope_v(wanted_a)
    m = limits(slope, _SLOPE_RELATIVE * slope, "slope of the characteristic")
    amps = influence(current.value, current.u, "drain current", dof=max(1.0, current.dof))
    result = volts - m * GTC.log(amps / wanted_a)
    warmth = influence(0.0, abs(THRESHOLD_V_PER_K) * u_temperature_k, "temperature of the part")
    return to_estimate(result + warmth, "V")
