"""Turn voltages across a series element into a leakage current with its budget.

Series resistor Rs with the multimeter (input resistance Rm) across it, the part in series:

    I = Vr (1/Rs + 1/Rm) - I0        V at the part = V set, read back, less Vr

I0 is the same with the part lifted (open fixture, same voltage). Who forgets 1 + Rs/Rm is wrong by
-1.0 % at 100 kohm and -9.1 % at 1 Mohm (Rm 10 Mohm). With the multimeter itself as the series
element I = Vr/Rm - I0. Cable, humidity, flux and hum are an allowance of their own line: it is
declared, and an open-fixture reading each session has to prove it.
"""

from __future__ import annotations

__all__ = [
    "ALLOWANCE_METER_A",
    "ALLOWANCE_RESISTOR_A",
    "LADDER_OHM",
    "METER_OHM",
    "leakage_by_meter",
    "leakage_by_readback",
    "leakage_by_resistor",
    "next_series_ohm",
    "path_resistance",
    "readback_v",
    "readings_agree",
    "series_current",
    "settling_time_s",
    "short_resistance",
    "voltage_at_part",
    "voltage_reading",
]

import math
from collections.abc import Sequence
from typing import Final

from labbench.errors import InputError
from labbench.metrology.accuracy import MultimeterAccuracy, SupplyAccuracy
from labbench.metrology.estimates import Uncertain, influence, limits, repeated, to_estimate
from labbench.results import Estimate

#: input resistance of a multimeter in its lower ranges, and how well that is known; assumed
METER_OHM: Final = 10e6
_METER_RELATIVE: Final = 0.01
_RESISTOR_RELATIVE: Final = 1e-3
#: limits of what fixture, air and dirt add unseen (A); declared, to be proved by an open fixture
ALLOWANCE_RESISTOR_A: Final = 100e-12
ALLOWANCE_METER_A: Final = 50e-12
#: where no open fixture was read there is no proof, and the bias current of the meter is unknown
_NOT_ZEROED: Final = 2.5
#: series elements from the coarsest to the finest; the last stands for the meter itself
LADDER_OHM: Final = (1e3, 10e3, 100e3, 1e6, METER_OHM)
#: 1 kohm in series is allowed below this only (power in a leak V^2/4R)
_COARSEST_BELOW_V: Final = 8.0
_SETTLE_TAUS: Final = 12.0
_LEAST_SETTLE_S: Final = 0.3


def leakage_by_resistor(
    volts: Sequence[float],
    *,
    series_ohm: float,
    multimeter: MultimeterAccuracy,
    range_v: float,
    zero_volts: Sequence[float] = (),
    zero_range_v: float | None = None,
    series_relative: float = _RESISTOR_RELATIVE,
    meter_ohm: float = METER_OHM,
    meter_relative: float = _METER_RELATIVE,
    voltage_relative: float = 0.0,
    allowance_a: float = ALLOWANCE_RESISTOR_A,
) -> Estimate:
    """Return the current through a part in series with a resistor (A), with its influences.

    `volts` are readings across the resistor, `zero_volts` those with the part lifted at the same
    voltage, taken in `zero_range_v` where that was another range. `*_relative` are limits; that
    of the voltage at the part says how far it may lie from the one that is stated. Raises
    InputError for no reading or an impossible resistor.
    """
    _check(volts, series_ohm)
    resistor = series_ohm * limits(1.0, series_relative, "series resistor")
    meter = meter_ohm * limits(1.0, meter_relative, "input resistance of the multimeter")
    return _current(
        volts, zero_volts, 1.0 / resistor + 1.0 / meter, multimeter, range_v,
        zero_range_v or range_v, voltage_relative, allowance_a,
    )  # fmt: skip


def leakage_by_meter(
    volts: Sequence[float],
    *,
    multimeter: MultimeterAccuracy,
    range_v: float,
    zero_volts: Sequence[float] = (),
    zero_range_v: float | None = None,
    meter_ohm: float = METER_OHM,
    meter_relative: float = _METER_RELATIVE,
    voltage_relative: float = 0.0,
    allowance_a: float = ALLOWANCE_METER_A,
) -> Estimate:
    """Return the current through a part in series with the multimeter itself (A).

    Raises InputError as `leakage_by_resistor`.
    """
    _check(volts, meter_ohm)
    meter = meter_ohm * limits(1.0, meter_relative, "input resistance of the multimeter")
    return _current(
        volts, zero_volts, 1.0 / meter, multimeter, range_v, zero_range_v or range_v,
        voltage_relative, allowance_a,
    )  # fmt: skip


def leakage_by_readback(
    amps: Sequence[float], *, supply: SupplyAccuracy, zero_amps: Sequence[float] = ()
) -> Estimate:
    """Return the current by the supply's own readback (A): it sees milliamperes, no leak.

    Without `zero_amps` (output on, nothing connected) the zero of the readback stays in. A readback
    shows no negative value, so its zero is not trusted to cancel where it reads nothing.
    """
    if not amps:
        raise InputError("a leakage needs at least one reading of the current")
    step_u = supply.current_step_a / math.sqrt(12.0)
    current = repeated(amps, "repeatability", least_u=step_u)
    current = current * limits(1.0, supply.current_gain_relative, "gain of the current readback")
    current = current + limits(0.0, supply.current_step_a / 2.0, "last digit of the readback")
    cancels = bool(zero_amps) and min(zero_amps) > 0.0
    if zero_amps:
        current = current - repeated(zero_amps, "zero of the current readback", least_u=step_u)
    if not cancels:
        current = current + limits(0.0, supply.current_offset_a, "zero of the current readback")
    return to_estimate(current, "A")


def short_resistance(
    supply_v: float, across_v: float, *, series_ohm: float, meter_ohm: float = METER_OHM
) -> float:
    """Return the resistance of a path in series with a resistor (ohm); infinite for no current.

    R = (V - Vr) / (Vr (1/Rs + 1/Rm)). Raises InputError for a resistor that cannot be.
    """
    _check([across_v], series_ohm)
    if across_v <= 0.0:
        return math.inf
    return max(0.0, supply_v - across_v) / (across_v * (1.0 / series_ohm + 1.0 / meter_ohm))


def path_resistance(
    supply_v: float,
    across_v: float,
    *,
    series_ohm: float,
    multimeter: MultimeterAccuracy,
    supply: SupplyAccuracy,
    range_v: float = 1.0,
    series_relative: float = 1e-2,
    meter_ohm: float = METER_OHM,
) -> Estimate:
    """Return the resistance of a path in series with a resistor (ohm), with its influences.

    As `short_resistance`; `series_relative` is a limit. Raises InputError for a resistor that
    cannot be, and where nothing is across it: no current, no resistance.
    """
    _check([across_v], series_ohm)
    if across_v <= 0.0:
        raise InputError(f"{across_v:g} V across {series_ohm:g} Ω: no current to divide by")
    whole = readback_v(supply_v, supply)
    across = influence(across_v, multimeter.noise_v(range_v), "noise of the multimeter")
    across = across * limits(1.0, multimeter.gain_relative, "gain of the multimeter")
    across = across + limits(0.0, multimeter.zero_v(range_v), "zero of the multimeter")
    resistor = series_ohm * limits(1.0, series_relative, "series resistor")
    current = across * (1.0 / resistor + 1.0 / meter_ohm)
    return to_estimate((whole - across) / current, "ohm")


def readback_v(volts: float, supply: SupplyAccuracy) -> Uncertain:
    """Return a supply's reading of its own voltage (V) with what that may get wrong."""
    found = volts * limits(1.0, supply.voltage_gain_relative, "gain of the voltage readback")
    found = found + limits(0.0, supply.voltage_offset_v, "zero of the voltage readback")
    return found + limits(0.0, supply.voltage_step_v / 2.0, "last digit of the voltage readback")


def voltage_reading(
    volts: float, *, multimeter: MultimeterAccuracy, range_v: float,
    integration_periods: float = 10.0,
) -> Estimate:  # fmt: skip
    """Return a voltage read by the multimeter on the part (V), with its influences."""
    noise_v = multimeter.noise_v(range_v, integration_periods)
    found = influence(volts, noise_v, "noise of the multimeter")
    found = found * limits(1.0, multimeter.gain_relative, "gain of the multimeter")
    return to_estimate(
        found + limits(0.0, multimeter.zero_v(range_v), "zero of the multimeter"), "V"
    )


def series_current(
    supply_v: float,
    part_v: float,
    *,
    series_ohm: float,
    multimeter: MultimeterAccuracy,
    supply: SupplyAccuracy,
    range_v: float = 1.0,
    series_relative: float = _RESISTOR_RELATIVE,
    other_ohm: float = 0.0,
    meter_ohm: float = METER_OHM,
) -> Estimate:
    """Return the current through a part behind a resistor, the multimeter on the part (A).

    I = (V - Vp) / Rs - Vp / Rm. `other_ohm` is the limit of what leads and contacts add to Rs.
    Raises InputError for a resistor that cannot be.
    """
    _check([part_v], series_ohm)
    volts = part_v * limits(1.0, multimeter.gain_relative, "gain of the multimeter")
    volts = volts + limits(0.0, multimeter.zero_v(range_v), "zero of the multimeter")
    resistor = series_ohm * limits(1.0, series_relative, "series resistor")
    resistor = resistor + limits(other_ohm / 2.0, other_ohm / 2.0, "leads and contacts")
    current = (readback_v(supply_v, supply) - volts) / resistor - volts / meter_ohm
    return to_estimate(current, "A")


def voltage_at_part(supply_v: float, across_v: float) -> float:
    """Return what is left for the part (V)."""
    return supply_v - across_v


def next_series_ohm(
    across_v: float, set_v: float, series_ohm: float, available: Sequence[float] = LADDER_OHM
) -> float | None:
    """Tell which series element to go to (ohm); None to stay.

    More than a tenth of the set voltage across it: the next coarser (1 kohm only below 8 V). Less
    than a millivolt: the next finer. `available` are those of the fixture.
    """
    usable = sorted(r for r in available if r > 1e3 or set_v < _COARSEST_BELOW_V)
    if across_v > 0.1 * set_v:
        return max((r for r in usable if r < series_ohm), default=None)
    if across_v < 1e-3:
        return min((r for r in usable if r > series_ohm), default=None)
    return None


def settling_time_s(series_ohm: float, capacitance_f: float) -> float:
    """Return how long to wait before reading (s): twelve time constants, at least 0.3 s."""
    return max(_LEAST_SETTLE_S, _SETTLE_TAUS * series_ohm * capacitance_f)


def readings_agree(first_a: float, second_a: float) -> bool:
    """Tell whether two currents half a second apart agree within 1 % or 30 pA."""
    return abs(second_a - first_a) <= max(0.01 * abs(first_a), 30e-12)


def _current(
    volts: Sequence[float],
    zero_volts: Sequence[float],
    conductance: Uncertain,
    multimeter: MultimeterAccuracy,
    range_v: float,
    zero_range_v: float,
    voltage_relative: float,
    allowance_a: float,
) -> Estimate:
    across = repeated(volts, "repeatability", least_u=multimeter.noise_v(range_v))
    gain = limits(1.0, multimeter.gain_relative, "gain of the multimeter")
    zero = limits(0.0, multimeter.zero_v(range_v), "zero of the multimeter")
    if not zero_volts:
        across = across + zero
        allowance_a *= _NOT_ZEROED
    else:
        across = across - repeated(
            zero_volts, "open-fixture zero", least_u=multimeter.noise_v(zero_range_v)
        )
        # in one range the meter's own zero is in both readings and cancels
        if zero_range_v != range_v:
            of_zero = limits(0.0, multimeter.zero_v(zero_range_v), "zero of the multimeter")
            across = across + zero - of_zero
    current = across * gain * conductance
    # a sound part's current grows more slowly than its voltage, a resistor's as fast
    current = current * limits(1.0, voltage_relative, "voltage at the part")
    current = current + limits(0.0, allowance_a, "fixture, air and dirt (declared allowance)")
    return to_estimate(current, "A")


def _check(volts: Sequence[float], ohms: float) -> None:
    if not volts:
        raise InputError("a leakage needs at least one reading of the voltage")
    if not ohms > 0.0:
        raise InputError(f"a series element of {ohms:g} Ω cannot be")
