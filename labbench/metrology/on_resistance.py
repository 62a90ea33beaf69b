"""Turn on and off readings of a switch into its on-resistance, with its budget.

R = [V_on - (V_off,1 + V_off,2)/2] / (I_on - I_off), at the part's own leads (four-wire). Method:
static drain-source on-state resistance (MIL-STD-750 method 3421, title from memory). A position
error of the sense contacts of 1 mm of thin lead is 0.1 to 0.3 mohm (estimate): it is the same for
siblings in one jig, and stands as a line of its own.
"""

from __future__ import annotations

__all__ = ["on_resistance"]

import math
from collections.abc import Sequence
from typing import Final

from labbench.errors import InputError
from labbench.metrology.accuracy import MultimeterAccuracy, SupplyAccuracy
from labbench.metrology.estimates import influence, limits, repeated, to_estimate
from labbench.metrology.leakage import readback_v
from labbench.metrology.semiconductor import ON_RESISTANCE_PER_K, gate_sensitivity_per_v
from labbench.results import Estimate, OnOffPair

#: scatter of where the sense contacts touch, in one jig, standard deviation (estimate)
_POSITION_OHM: Final = 10e-6
#: a spring contact in good order has 5 to 15 mohm (common practice, no source)
_CONTACT_OHM: Final = 10e-3


def on_resistance(
    pairs: Sequence[OnOffPair],
    *,
    multimeter: MultimeterAccuracy,
    supply: SupplyAccuracy,
    range_v: float = 0.1,
    off_current_a: float | None = None,
    position_ohm: float = _POSITION_OHM,
    integration_periods: float = 1.0,
    gate_v: tuple[float, float] | None = None,
    source_ohm: tuple[float, float] = (_CONTACT_OHM, _CONTACT_OHM / 2.0),
    u_temperature_k: float = 0.0,
) -> Estimate:
    """Return the on-resistance at the part's temperature (ohm), with its influences.

    `off_current_a` is the readback with the channel off at the same setting: the zero of the
    readback then cancels. `gate_v` is the wanted gate voltage and what the supply's readback said
    it was: the difference is taken out by how a channel answers to its gate, and so is what the
    drain current drops across `source_ohm` (value and limit), which gate and source share. Raises
    InputError for no pair, or for a current that cannot be told from zero.
    """
    if not pairs:
        raise InputError("an on-resistance needs at least one reading with the channel on")
    volts = [p.on_v - (p.off_before_v + p.off_after_v) / 2.0 for p in pairs]
    noise_v = math.sqrt(1.5) * multimeter.noise_v(range_v, integration_periods)
    across = repeated(volts, "repeatability of the voltage", least_u=noise_v)
    across = across * limits(1.0, multimeter.gain_relative, "gain of the multimeter")
    across = across + influence(0.0, multimeter.thermal_drift_v, "drift of the thermal voltage")
    mean_a = math.fsum(p.current_a for p in pairs) / len(pairs) - (off_current_a or 0.0)
    amps = mean_a * limits(1.0, supply.current_gain_relative, "gain of the current readback")
    amps = amps + limits(0.0, supply.current_step_a / 2.0, "last digit of the current readback")
    if off_current_a is None or off_current_a <= 0.0:
        amps = amps + limits(0.0, supply.current_offset_a, "zero of the current readback")
    else:
        digit_a = supply.current_step_a / 2.0
        amps = amps + limits(0.0, digit_a, "last digit of the current readback")
    if mean_a < 3.0 * float(amps.u):
        raise InputError(
            f"a current of {mean_a:g} A cannot be told from zero",
            hint="the channel does not conduct: nothing to divide by",
        )
    ohms = across / amps + influence(0.0, position_ohm, "where the sense contacts touch")
    if gate_v is not None:
        wanted_v, shown_v = gate_v
        per_v = gate_sensitivity_per_v(wanted_v)
        answer = limits(per_v, per_v / 2.0, "how the channel answers to its gate")
        shared = limits(*source_ohm, "contact that gate and source share")
        there_v = readback_v(shown_v, supply) - mean_a * shared
        ohms = ohms * (1.0 + answer * (there_v - wanted_v))
    warmth = influence(1.0, ON_RESISTANCE_PER_K * u_temperature_k, "temperature of the part")
    return to_estimate(ohms * warmth, "ohm")
