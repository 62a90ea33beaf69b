"""Turn a reading of a body diode into its forward voltage, with its budget; and into temperature.

The voltage belongs to a nominal current: V = VF - n kT/q ln(I/I0) takes out a difference of some
percent. Method: forward voltage (MIL-STD-750 method 4011, title from memory).
"""

from __future__ import annotations

__all__ = ["forward_voltage", "led_on", "temperature_from_diode"]

import math
from typing import Final

from labbench.errors import InputError
from labbench.metrology.accuracy import MultimeterAccuracy
from labbench.metrology.estimates import influence, limits, to_estimate
from labbench.metrology.semiconductor import diode_v_per_k, thermal_voltage_v
from labbench.results import Estimate

#: ideality of a body diode and the limits within which it may lie (assumed)
_IDEALITY: Final = 1.1
_IDEALITY_HALF_WIDTH: Final = 0.15
_ROOM_K: Final = 298.15
#: how far a forward voltage that is led on may lie beside the law, of what was added (assumed)
_LED_ON_SHARE: Final = 0.05


def forward_voltage(
    voltage_v: float,
    current: Estimate,
    nominal_a: float,
    *,
    multimeter: MultimeterAccuracy,
    range_v: float = 1.0,
    integration_periods: float = 1.0,
) -> Estimate:
    """Return the forward voltage at the nominal current (V), with its influences.

    Raises InputError where the current is not within a factor of two of the nominal one.
    """
    if not 0.5 <= current.value / nominal_a <= 2.0:
        raise InputError(
            f"the forward voltage at {nominal_a:g} A was read at {current.value:g} A: too far",
            hint="check the series resistor",
        )
    import GTC

    noise_v = multimeter.noise_v(range_v, integration_periods)
    volts = influence(voltage_v, noise_v, "noise of the multimeter")
    volts = volts * limits(1.0, multimeter.gain_relative, "gain of the multimeter")
    volts = volts + limits(0.0, multimeter.zero_v(range_v), "zero of the multimeter")
    n = limits(_IDEALITY, _IDEALITY_HALF_WIDTH, "ideality of the diode")
    amps = influence(current.value, current.u, "forward current", dof=max(1.0, current.dof))
    drop = n * thermal_voltage_v(_ROOM_K) * GTC.log(amps / nominal_a)
    return to_estimate(volts - drop, "V")


def led_on(
    weak: Estimate,
    strong: Estimate,
    weak_a: float,
    strong_a: float,
    to_a: float,
    *,
    series_ohm: float = 0.0,
) -> Estimate:
    """Return the forward voltage at a larger current than could be given (V).

    Straight in the logarithm of the current through two readings, as the diode's law has it; a
    share of what was added stands as a limit. Of `series_ohm`, which is the most that bond and
    epitaxy have, anything may lie in the diode's path. Raises InputError where the currents do not
    rise.
    """
    if not 0.0 < weak_a < strong_a <= to_a:
        raise InputError(
            f"a forward voltage at {weak_a:g} A and {strong_a:g} A does not lead on to {to_a:g} A",
            hint="read it at two currents below the one that is wanted",
        )
    per_log = 1.0 / math.log(strong_a / weak_a)
    low = influence(weak.value, weak.u, "forward voltage at the small current")
    high = influence(strong.value, strong.u, "forward voltage at the large current")
    added = (high - low) * per_log * math.log(to_a / strong_a)
    law = limits(1.0, _LED_ON_SHARE, "led on along the diode's law")
    drop_v = series_ohm * (to_a - strong_a) / 2.0
    added = added * law + limits(drop_v, drop_v, "resistance in the diode's path")
    return to_estimate(high + added, "V")


def temperature_from_diode(
    voltage_v: float, reference_v: float, current_a: float, *, reference_c: float = 25.0
) -> float:
    """Return the temperature of a part (°C) from its diode against a reference voltage."""
    return reference_c + (voltage_v - reference_v) / diode_v_per_k(current_a)
