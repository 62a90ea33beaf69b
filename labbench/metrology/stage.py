"""Turn what was read of a power stage into values with their budgets.

Divider and loading arithmetic by hand: a multimeter of Rm stands beside whatever it reads, and a
resistance inside the part beside the resistor through which a guarded current returns.
"""

from __future__ import annotations

__all__ = [
    "difference_resistance",
    "driver_current",
    "guarded_leakage",
    "input_voltage",
    "less",
    "resistance_behind",
    "scaled_to",
    "threshold_between",
]

import math
from typing import Final

from labbench.errors import InputError
from labbench.metrology.accuracy import MultimeterAccuracy, SupplyAccuracy
from labbench.metrology.estimates import Uncertain, influence, limits, to_estimate
from labbench.metrology.leakage import ALLOWANCE_RESISTOR_A, METER_OHM, readback_v
from labbench.results import Estimate

#: how well the multimeter's input resistance is known (limit; assumed)
_METER_RELATIVE: Final = 0.01
#: what drives an open logic input, seen from outside (ohm; assumed limits of driver inputs)
_INPUT_OHM: Final = (5e3, 50e3)
#: voltages that the contacts' warmth puts in and that change between two readings (V; limit)
_CONTACTS_V: Final = 1e-6


def resistance_behind(
    supply_v: float,
    across_v: float,
    zero_v: float,
    *,
    series_ohm: float,
    multimeter: MultimeterAccuracy,
    supply: SupplyAccuracy,
    range_v: float,
    series_relative: float,
    count: int = 1,
) -> Estimate:
    """Return the resistance of a path behind a resistor (ohm), with its influences.

    `zero_v` is the reading with the output off, of the same range, so the multimeter's zero
    cancels; `count` readings were averaged. Raises InputError where nothing is across the resistor.
    """
    seen_v = across_v - zero_v
    if seen_v <= 0.0:
        raise InputError(f"{seen_v:g} V across {series_ohm:g} Ω: no current to divide by")
    across = _difference(across_v, zero_v, multimeter, range_v, count)
    current = across * (1.0 / _resistor(series_ohm, series_relative) + 1.0 / METER_OHM)
    return to_estimate((readback_v(supply_v, supply) - across) / current, "ohm")


def guarded_leakage(
    across_v: float,
    zero_v: float,
    *,
    series_ohm: float,
    multimeter: MultimeterAccuracy,
    range_v: float,
    series_relative: float,
    beside_ohm: float | None,
    u_beside_ohm: float,
) -> Estimate:
    """Return the current that returns over a resistor (A): I = Vr (1/Rs + 1/Rm + 1/Rbeside).

    `beside_ohm` is the part's own resistance parallel to the resistor; None: it is not known, and
    counts as none. Raises InputError for a resistor that cannot be.
    """
    if not series_ohm > 0.0:
        raise InputError(f"a resistor of {series_ohm:g} Ω cannot be")
    conductance = 1.0 / _resistor(series_ohm, series_relative)
    conductance = conductance + 1.0 / (
        METER_OHM * limits(1.0, _METER_RELATIVE, "input resistance of the multimeter")
    )
    if beside_ohm is not None:
        conductance = conductance + 1.0 / influence(
            beside_ohm, u_beside_ohm, "resistance from sw to pgnd inside"
        )
    current = _difference(across_v, zero_v, multimeter, range_v) * conductance
    allowance = limits(0.0, ALLOWANCE_RESISTOR_A, "fixture, air and dirt (declared allowance)")
    return to_estimate(current + allowance, "A")


def driver_current(
    across_v: float,
    zero_v: float,
    *,
    series_ohm: float,
    multimeter: MultimeterAccuracy,
    range_v: float,
    zero_range_v: float,
    series_relative: float,
) -> Estimate:
    """Return the current through the resistor before the driver, or its input (A)."""
    across = _difference(across_v, zero_v, multimeter, range_v)
    if zero_range_v != range_v:
        across = across + limits(0.0, multimeter.zero_v(range_v), "zero of the multimeter")
    return to_estimate(across / _resistor(series_ohm, series_relative), "A")


def less(whole: Estimate, part: Estimate) -> Estimate:
    """Return one estimate less another that has nothing in common with it (their unit)."""
    difference = influence(whole.value, whole.u, "the whole current") - influence(
        part.value, part.u, "what goes another way"
    )
    return to_estimate(difference, whole.unit)


def scaled_to(current: Estimate, at_v: float, wanted_v: float) -> Estimate:
    """Return a current at another voltage, taken as an ohmic network's (A).

    Half of what is added stands as a limit: a junction's part of it rises less.
    """
    if not at_v > 0.0:
        raise InputError(f"a current at {at_v:g} V says nothing of {wanted_v:g} V")
    added = wanted_v / at_v - 1.0
    value = influence(current.value, current.u, "the current as read")
    share = limits(1.0, 0.5, "taken to the wanted voltage as ohmic")
    return to_estimate(value * (1.0 + added * share), current.unit)


def threshold_between(
    before_v: float, after_v: float, *, supply: SupplyAccuracy, drop_v: float = 0.0
) -> Estimate:
    """Return a threshold that lies between two voltages (V), with its influences.

    `drop_v` is what the series resistor took off one of them, known within a tenth.
    """
    half = abs(after_v - before_v) / 2.0
    volts = readback_v((before_v + after_v) / 2.0, supply)
    volts = volts + limits(0.0, half, "between two steps")
    return to_estimate(volts + limits(0.0, drop_v / 10.0, "drop across the series resistor"), "V")


def input_voltage(shown_v: float, *, multimeter: MultimeterAccuracy, range_v: float) -> Estimate:
    """Return the voltage that an open input takes (V); the multimeter's own load is taken out."""
    volts = influence(shown_v, multimeter.noise_v(range_v), "noise of the multimeter")
    volts = volts * limits(1.0, multimeter.gain_relative, "gain of the multimeter")
    volts = volts + limits(0.0, multimeter.zero_v(range_v), "zero of the multimeter")
    low, high = _INPUT_OHM
    behind = limits((low + high) / 2.0, (high - low) / 2.0, "resistance behind the input")
    return to_estimate(volts * (1.0 + behind / METER_OHM), "V")


def difference_resistance(
    high: tuple[float, float],
    low: tuple[float, float],
    *,
    series_ohm: float,
    multimeter: MultimeterAccuracy,
    supply: SupplyAccuracy,
    range_v: float,
    series_relative: float,
) -> Estimate:
    """Return a path's resistance from two readings of (supply, across) in V (ohm).

    Raises InputError where they do not differ.
    """
    more_v = high[1] - low[1]
    if more_v <= 0.0:
        raise InputError(f"{more_v:g} V more across {series_ohm:g} Ω: no current to divide by")
    across = _difference(high[1], low[1], multimeter, range_v)
    current = across * (1.0 / _resistor(series_ohm, series_relative) + 1.0 / METER_OHM)
    # the readback's zero is in both
    step = (high[0] - low[0]) * limits(1.0, supply.voltage_gain_relative, "gain of the readback")
    step = step + limits(0.0, supply.voltage_step_v, "last digits of the voltage readback")
    return to_estimate((step - across) / current, "ohm")


def _difference(
    one_v: float, zero_v: float, multimeter: MultimeterAccuracy, range_v: float, count: int = 1
) -> Uncertain:
    noise_v = multimeter.noise_v(range_v) * math.sqrt(1.0 + 1.0 / count)
    across = influence(one_v - zero_v, noise_v, "noise of the multimeter")
    across = across * limits(1.0, multimeter.gain_relative, "gain of the multimeter")
    return across + limits(0.0, _CONTACTS_V, "warmth of the contacts")


def _resistor(ohm: float, relative: float) -> Uncertain:
    return ohm * limits(1.0, relative, "series resistor")
