"""Correct the resistance of copper for temperature.

    R2 / R1 = (234.5 + t2) / (234.5 + t1)          t in degrees Celsius

234.5 is the inferred temperature of zero resistance of copper at 100 % IACS; it follows from
alpha20 = 0.00393 per kelvin (IEC 60028; NBS Circular 31; both from memory): 1/0.00393 - 20 =
234.45. The linear form R (1 + 0.00393 (25 - t)) is not used: it is off by -0.8 % at 45 degrees.

A winding also carries brass, tin or solder at its terminals, whose coefficients differ; they are
a small part of its resistance, and the correction spans a few kelvin, so nothing is added for
them.
"""

from __future__ import annotations

__all__ = ["COPPER_ZERO_C", "copper_resistance_at", "copper_sensitivity_per_k"]

import math
from typing import Final

from labbench.errors import InputError

#: minus the temperature at which copper's resistance would vanish by extrapolation (degC)
COPPER_ZERO_C: Final = 234.5

# Outside this the linear law itself fails (residual resistance below, melting solder and oxidised
# enamel above); common practice, no source. A temperature in kelvin or fahrenheit ends up here too.
_COLDEST_C: Final = -60.0
_HOTTEST_C: Final = 200.0


def copper_resistance_at(value_ohm: float, from_c: float, to_c: float) -> float:
    """Return what a copper resistance measured at `from_c` would be at `to_c` (degC, ohm).

    Raises InputError for a temperature outside -60 to 200 degC, where the law does not hold.
    """
    _check(from_c, "measured at")
    _check(to_c, "wanted at")
    return value_ohm * (COPPER_ZERO_C + to_c) / (COPPER_ZERO_C + from_c)


def copper_sensitivity_per_k(temperature_c: float) -> float:
    """Return the relative change of a copper resistance per kelvin at a temperature (1/K)."""
    _check(temperature_c, "asked at")
    return 1.0 / (COPPER_ZERO_C + temperature_c)


def _check(temperature_c: float, what: str) -> None:
    if not math.isfinite(temperature_c) or not _COLDEST_C <= temperature_c <= _HOTTEST_C:
        raise InputError(
            f"a copper resistance {what} {temperature_c:g} °C cannot be corrected: the law holds "
            f"from {_COLDEST_C:g} to {_HOTTEST_C:g} °C",
            hint="give the temperature of the part in degrees Celsius",
        )
