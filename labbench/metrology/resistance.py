"""Turn a resistance measurement into a DC resistance with its budget, by each of three methods.

multimeter-on-off: R = [V_on - (V_off,1 + V_off,2)/2] / I at the part's own terminals. Zero error
of the multimeter and thermal voltages cancel, a steady drift too. What is left is where the probes
touch, the supply's reading of the current, and self-heating.

supply-readback: the same with the supply's own voltage, so with everything between its terminals
and the part: leads, relays, contacts. Readings with the jig shorted take that off (and the zero of
the readback with it); else the figure for the leads must have been found so, for the whole path. A
readback shows no negative value: its zero cannot be trusted to cancel between on and off.

impedance-meter: the real part at the lowest frequency. Core loss adds to it (a loss tangent of some
milliradians times the reactance), a shorted turn adds much more: it is the resistance of the
winding only where the coil is sound.

The value stands at the temperature of the part: its uncertainty is not in `u_ohm`, it enters when
the value is brought to another temperature (`at_temperature`).
"""

from __future__ import annotations

__all__ = ["WHERE_PROBES_TOUCH", "at_temperature", "dc_resistance"]

import math
from collections.abc import Sequence
from typing import Final, TypeVar

from labbench.errors import InputError
from labbench.metrology.accuracy import ImpedanceAccuracy, MultimeterAccuracy, SupplyAccuracy
from labbench.metrology.compensation import Compensation
from labbench.metrology.estimates import Uncertain, influence, limits, repeated, to_estimate
from labbench.metrology.impedance import uncertain_impedances
from labbench.metrology.temperature import (
    COPPER_ZERO_C,
    copper_resistance_at,
    copper_sensitivity_per_k,
)
from labbench.results import (
    DcResistance,
    Estimate,
    OnOffPair,
    ResistanceMeasurement,
    Status,
)

# Where the probes touch: a 2 mm x 0.2 mm tin-plated copper terminal has 43 uohm per mm, so 0.25 mm
# is 10 uohm (arithmetic from 1/58 ohm mm2/m, IEC 60028); the share of the value is assumed. Both
# standard uncertainties.
_PROBE_POSITION_OHM: Final = 5e-6
_PROBE_POSITION_RELATIVE: Final = 6e-3
#: label of the influence that a new placement draws anew
WHERE_PROBES_TOUCH: Final = "where the probes touch"

# Temperature rise of a part under a second or so of current: assumed. Not corrected, so the whole
# rise stands as a standard uncertainty: at 30 mW it is 0.1 %, at 2 W it is the largest line.
_HEATING_K_PER_W: Final = 10.0

# Loss tangent of a sound core at 1 kHz and below: some 4 mrad, from 0 to 8 (assumed).
_LOSS_TANGENT: Final = 4e-3

# Leads, relays and contacts that nobody measured: anything up to 200 mohm (common practice, no
# source: 1 m of thin lead has some 20 mohm, a relay 20 to 50, plugs and jig a few each).
_UNKNOWN_LEADS_OHM: Final = 0.2

#: a current below this many standard uncertainties is no current
_LEAST_CURRENT_SIGMAS: Final = 3.0

_Accuracy = TypeVar("_Accuracy", ImpedanceAccuracy, MultimeterAccuracy, SupplyAccuracy)

_RANGES_V: Final = (0.1, 1.0, 10.0, 100.0, 1000.0)


def dc_resistance(
    measurement: ResistanceMeasurement,
    *,
    multimeter: MultimeterAccuracy | None,
    supply: SupplyAccuracy | None,
    impedance: ImpedanceAccuracy | None,
    supply_leads_ohm: float | None,
    compensation: Compensation | None = None,
) -> tuple[DcResistance, Estimate | None]:
    """Return the DC resistance at the part's temperature, and the estimate with its influences.

    `supply_leads_ohm` is all that lies between the supply's terminals and the part, both ways,
    found by shorting the jig; None: not known. It does not matter where the measurement holds such
    readings itself. `compensation` is needed for method "impedance-meter".

    No value (then the estimate is None) where the measurement has none, with its status and bound,
    and where the current cannot be told from zero: over range, greater than what the voltage and
    the largest possible current say. Raises InputError where the accuracy that the method needs is
    missing or there is no reading, CompensationError as `compensated` does.
    """
    if measurement.status != "ok":
        return _without_value(measurement, measurement.greater_than_ohm), None
    if measurement.method in ("multimeter-on-off", "supply-readback"):
        accuracy = _needed(supply, "supply", measurement)
        pairs = _pairs_of(measurement)
        current = _current(pairs, accuracy)
        if float(current.x) < _LEAST_CURRENT_SIGMAS * float(current.u):
            return _without_value(measurement, _bound(pairs, current)), None
        if min(p.current_a for p in (*pairs, *measurement.short_pairs)) < float(current.x) / 2.0:
            return _without_value(measurement, None, "unstable"), None
        volts = _volts_at_mean_current(pairs, accuracy.current_step_a)
        if measurement.method == "multimeter-on-off":
            meter = _needed(multimeter, "multimeter", measurement)
            r = _by_multimeter(measurement, volts, current, meter)
        else:
            r = _by_supply(measurement, volts, current, accuracy, supply_leads_ohm)
    elif measurement.method == "impedance-meter":
        if measurement.sweep is None or not measurement.sweep.readings:
            raise InputError(
                "a resistance by impedance-meter holds no reading",
                hint="measure again at the lowest frequency",
            )
        if compensation is None:
            raise InputError(
                "a resistance by impedance-meter needs the compensation of the fixture",
                hint="compensate the fixture first",
            )
        meter_z = _needed(impedance, "impedance meter", measurement)
        lowest = uncertain_impedances(measurement.sweep, compensation, meter_z)[0]
        if lowest.impedance is None:
            return _without_value(measurement, lowest.greater_than_ohm, lowest.status), None
        r = _by_impedance(lowest.impedance)
    else:
        raise InputError(
            f"there is no method {measurement.method!r} for a resistance",
            hint="multimeter-on-off, supply-readback or impedance-meter",
        )
    estimate = to_estimate(r, "ohm")
    return (
        DcResistance(
            value_ohm=estimate.value,
            u_ohm=estimate.u,
            temperature_c=measurement.temperature_c,
            u_temperature_c=measurement.u_temperature_c,
            dof=estimate.dof,
            method=measurement.method,
            current_a=_mean([p.current_a for p in measurement.pairs]),
        ),
        estimate,
    )


def at_temperature(
    resistance: DcResistance, to_c: float, *, estimate: Estimate | None = None
) -> Estimate:
    """Bring a DC resistance to another temperature (copper); its own u(T) becomes an influence.

    `estimate` is the one that `dc_resistance` gave with it: its lines are kept. Without it the
    resistance is one line. Raises InputError where the resistance has no value, uncertainty or
    temperature.
    """
    if resistance.value_ohm is None or resistance.u_ohm is None:
        raise InputError(f"a resistance that is {resistance.status} has no value to correct")
    if resistance.temperature_c is None or resistance.u_temperature_c is None:
        raise InputError(
            "a resistance without its temperature cannot be corrected",
            hint="measure or estimate the temperature of the part, with its doubt",
        )
    at_to = copper_resistance_at(resistance.value_ohm, resistance.temperature_c, to_c)
    factor = copper_resistance_at(1.0, resistance.temperature_c, to_c)
    temperature = influence(
        resistance.temperature_c, resistance.u_temperature_c, "temperature of the part"
    )
    correction = (COPPER_ZERO_C + to_c) / (COPPER_ZERO_C + temperature)
    measured = influence(
        resistance.value_ohm,
        resistance.u_ohm,
        "resistance as measured",
        dof=max(1.0, resistance.dof if resistance.dof is not None else math.inf),
    )
    result = to_estimate(measured * correction, "ohm")
    if estimate is None:
        return result
    warmth = [line for line in result.influences if line.label != "resistance as measured"]
    lines = [type(line)(line.label, line.u * factor) for line in estimate.influences] + warmth
    return Estimate(
        value=at_to, u=result.u, unit="ohm", dof=result.dof,
        influences=tuple(sorted(lines, key=lambda line: (-line.u, line.label))),
    )  # fmt: skip


def _by_multimeter(
    measurement: ResistanceMeasurement,
    volts_read: Sequence[float],
    current: Uncertain,
    accuracy: MultimeterAccuracy,
) -> Uncertain:
    pairs = measurement.pairs
    range_v = measurement.multimeter_range_v or _smallest_range_v(pairs)
    # An off mean of two readings under one on reading: variance 1 + 1/2 of a reading's.
    resolution_v = accuracy.resolution_of_range * range_v / math.sqrt(12.0)
    noise_v = math.hypot(accuracy.noise_of_range * range_v, resolution_v) * math.sqrt(1.5)
    volts = repeated(volts_read, "repeatability of the voltage", least_u=noise_v)
    # A steady drift of the thermal voltage cancels. Of an unsteady one a quarter of the largest
    # change over a pair may be left, and no average is trusted to take that out.
    drift_v = max(abs(pair.off_after_v - pair.off_before_v) for pair in pairs) / 4.0
    volts = volts + influence(
        0.0, max(drift_v, accuracy.thermal_drift_v), "drift of the thermal voltage"
    )
    # On, off before and off after are rounded for themselves, and round the same every time.
    step_v = max(pair.step_v for pair in pairs)
    volts = volts + influence(0.0, step_v * math.sqrt(1.5 / 12.0), "last digit of the display")
    volts = volts * limits(1.0, accuracy.gain_relative, "gain of the multimeter")
    r = volts / current
    position = influence(0.0, _PROBE_POSITION_OHM, WHERE_PROBES_TOUCH)
    position_relative = influence(1.0, _PROBE_POSITION_RELATIVE, WHERE_PROBES_TOUCH)
    return (r * position_relative + position) * _heating(r, current, measurement)


def _by_supply(
    measurement: ResistanceMeasurement,
    volts_read: Sequence[float],
    current: Uncertain,
    accuracy: SupplyAccuracy,
    supply_leads_ohm: float | None,
) -> Uncertain:
    zero = limits(0.0, accuracy.voltage_offset_v, "zero of the voltage readback")
    gain = limits(1.0, accuracy.voltage_gain_relative, "gain of the voltage readback")
    contact = influence(0.0, accuracy.lead_contact_ohm, "contacts of the leads")
    whole = _readback(volts_read, zero, accuracy.voltage_step_v) * gain / current
    if measurement.short_pairs:
        short_a = _current_like(current, measurement.short_pairs)
        short_volts = _volts_at_mean_current(measurement.short_pairs, accuracy.current_step_a)
        path = _readback(short_volts, zero, accuracy.voltage_step_v) * gain / short_a
        # the contacts were made anew for it, so they count twice
        path = path * influence(1.0, accuracy.lead_relative, "leads of the supply") + influence(
            0.0, accuracy.lead_contact_ohm, "contacts of the leads"
        )
    elif supply_leads_ohm is not None:
        path = influence(supply_leads_ohm, 0.0, "leads of the supply")
    else:
        half = _UNKNOWN_LEADS_OHM / 2.0
        return (whole - limits(half, half, "leads, not known")) * _heating(
            whole - half, current, measurement
        )
    # leads and relays are not the same again after the next hookup, or a few kelvin later
    path = path * influence(1.0, accuracy.lead_relative, "leads of the supply")
    r = whole - path - contact
    return r * _heating(r, current, measurement)


def _readback(volts_read: Sequence[float], zero: Uncertain, step_v: float) -> Uncertain:
    """Return the mean voltage of supply readings (V); `zero` is the same for all of them."""
    volts = repeated(volts_read, "repeatability of the voltage", least_u=step_v / math.sqrt(12.0))
    # Readings that round to one digit round to it every time: no average takes that out.
    return volts + limits(0.0, step_v / 2.0, "last digit of the voltage readback") + zero


def _current_like(current: Uncertain, pairs: Sequence[OnOffPair]) -> Uncertain:
    """Return the current of other pairs (A) with the same errors of the same readback."""
    mean = math.fsum(pair.current_a for pair in pairs) / len(pairs)
    return current + (mean - float(current.x))


def _by_impedance(z: Uncertain) -> Uncertain:
    loss_ohm = _LOSS_TANGENT * abs(float(z.imag.x))
    return z.real - limits(loss_ohm, loss_ohm, "core loss at the test frequency")


def _current(pairs: Sequence[OnOffPair], accuracy: SupplyAccuracy) -> Uncertain:
    """Return the mean current through the part (A) with what the supply's readback leaves."""
    mean = influence(_mean([pair.current_a for pair in pairs]) or 0.0, 0.0, "current")
    mean = mean * limits(1.0, accuracy.current_gain_relative, "gain of the current readback")
    mean = mean + limits(0.0, accuracy.current_offset_a, "zero of the current readback")
    return mean + limits(0.0, accuracy.current_step_a / 2.0, "last digit of the current readback")


def _heating(r: Uncertain, current: Uncertain, measurement: ResistanceMeasurement) -> Uncertain:
    """Return the factor 1 whose uncertainty is the rise of the resistance by its own heat."""
    rise_k = _HEATING_K_PER_W * max(0.0, float(r.x)) * float(current.x) ** 2
    relative = rise_k * copper_sensitivity_per_k(measurement.temperature_c)
    return influence(1.0, relative, "self-heating")


def _volts_at_mean_current(pairs: Sequence[OnOffPair], current_step_a: float) -> list[float]:
    """Return each pair's voltage, brought to the mean current where the current wandered (V).

    A supply that wanders is no scatter of the voltage; a current that only changes its last digit
    has not wandered, and bringing to it would put that digit into the voltage.
    """
    currents = [pair.current_a for pair in pairs]
    volts = [_on_minus_off(pair) for pair in pairs]
    if max(currents) - min(currents) <= 2.0 * current_step_a:
        return volts
    mean = math.fsum(currents) / len(currents)
    return [v * mean / i for v, i in zip(volts, currents, strict=True)]


def _bound(pairs: Sequence[OnOffPair], current: Uncertain) -> float | None:
    """Return the least resistance that voltage and largest possible current allow (ohm)."""
    largest_a = max(0.0, float(current.x)) + 2.0 * float(current.u)
    volts = _mean([_on_minus_off(pair) for pair in pairs]) or 0.0
    return volts / largest_a if volts > 0.0 and largest_a > 0.0 else None


def _on_minus_off(pair: OnOffPair) -> float:
    return pair.on_v - (pair.off_before_v + pair.off_after_v) / 2.0


def _smallest_range_v(pairs: Sequence[OnOffPair]) -> float:
    largest = max(
        max(abs(pair.on_v), abs(pair.off_before_v), abs(pair.off_after_v)) for pair in pairs
    )
    return next((r for r in _RANGES_V if largest <= r), _RANGES_V[-1])


def _mean(values: Sequence[float]) -> float | None:
    return math.fsum(values) / len(values) if values else None


def _pairs_of(measurement: ResistanceMeasurement) -> tuple[OnOffPair, ...]:
    if not measurement.pairs:
        raise InputError(
            f"a resistance by {measurement.method} holds no pair of readings",
            hint="measure again",
        )
    return measurement.pairs


def _needed(accuracy: _Accuracy | None, role: str, measurement: ResistanceMeasurement) -> _Accuracy:
    if accuracy is None:
        raise InputError(
            f"a resistance by {measurement.method} needs the accuracy of the {role}",
            hint=f"give the class of the {role} in the bench file",
        )
    return accuracy


def _without_value(
    measurement: ResistanceMeasurement,
    greater_than_ohm: float | None,
    status: Status = "over-range",
) -> DcResistance:
    return DcResistance(
        value_ohm=None,
        temperature_c=measurement.temperature_c,
        u_temperature_c=measurement.u_temperature_c,
        method=measurement.method,
        current_a=_mean([pair.current_a for pair in measurement.pairs]),
        status=measurement.status if measurement.status != "ok" else status,
        greater_than_ohm=greater_than_ohm,
    )
