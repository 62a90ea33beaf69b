"""Compensate a sweep and say how well its resistance and reactance are known.

Model of a raw reading, fixture and contacts included (series residuals, then stray admittance):

    Z_raw = [ 1/(Z + Z_series + Z_contact) + Y_stray ]^-1 (1 + e) + zero error + noise

and of the result, with d = Z_raw - Z_short + zero + Z_contact,short - Z_contact,part:

    Z = d / (1 - d (1/(Z_open - Z_short) + jw dC)) (1 + e)

Influences and what they are shared with:

| label | from | shared by |
|---|---|---|
| gain of the meter | class | all points and placements of a session: one complex e |
| contact of the part | class | all points of this placement |
| contact of the short | class | all points until the next compensation |
| change of stray capacitance | class | all points of this placement |
| zero error of the meter | class | nothing (points differ in range) |
| short reading, open reading | scatter or noise when taken; class | results at this frequency |
| repeatability | scatter (type A), at least the noise of the class | nothing |
| load standard, and its phase | its certificate and size, when a load was taken | all points |

The gain error of the open reading is not tied to that of the part: they lie decades apart, in
different ranges. A load standard would lower the gain error; that is not claimed.

Linear propagation (GUM 5.1.2) is right here for resistance and reactance. It is not to be trusted
for magnitude and phase near zero (see `labbench.metrology.estimates`), and for a part whose
impedance comes near that of the open fixture, where Z is the inverse of a small difference: there
a point whose admittance lies within two standard uncertainties of zero has no value but a bound.
"""

from __future__ import annotations

__all__ = [
    "PointBudget",
    "UncertainPoint",
    "compensated",
    "contact_figures",
    "impedance_budget",
    "uncertain_impedances",
]

import math
from typing import Final

from attrs import frozen

from labbench.errors import InputError
from labbench.metrology.accuracy import ImpedanceAccuracy
from labbench.metrology.averaging import MeanReading, average_sweep
from labbench.metrology.compensation import Compensation, load_factor, open_short
from labbench.metrology.estimates import (
    Uncertain,
    UncertainComplex,
    complex_reading,
    constant,
    influence,
    to_estimate,
)
from labbench.quantities import format_si
from labbench.results import Contact, Estimate, Impedance, Status, Sweep

_RECTANGULAR: Final = math.sqrt(3.0)

# Only a part that takes a tenth or more of the open's admittance can be mistaken for the open.
_NEAR_OPEN: Final = 0.1
_SIGMAS: Final = 2.0


@frozen
class PointBudget:
    """Hold the estimates of one frequency with their influences; None where there is no value."""

    frequency_hz: float
    resistance: Estimate | None
    reactance: Estimate | None
    inductance: Estimate | None
    status: Status
    greater_than_ohm: float | None


@frozen
class UncertainPoint:
    """Hold one compensated point while its influences are still alive (GTC numbers)."""

    frequency_hz: float
    impedance: UncertainComplex | None
    u_gain_relative: float
    status: Status
    greater_than_ohm: float | None


@frozen
class _Shared:
    """Hold the influences that points of one sweep share."""

    gain: UncertainComplex
    contact_resistance: Uncertain
    contact_inductance: Uncertain
    stray_capacitance: Uncertain
    load: Uncertain


def compensated(
    sweep: Sweep, compensation: Compensation, accuracy: ImpedanceAccuracy
) -> tuple[Impedance, Contact]:
    """Compensate the sweep of one placement; return it with uncertainties, frequencies ascending.

    Repeats of a frequency are averaged. `u_gain_relative` is the standard uncertainty of the gain
    error over |Z| of each point, the part that all placements of a session share; `Contact` is
    the part that all frequencies of this placement share: the contacts of the part and those of
    the short, sqrt 2 times the figure of the class (less where the short was placed repeatedly).
    Both are contained in the totals.

    A point without a value is None with its status; over range with the bound on |Z| that the
    meter's range, or the open, leaves. The temperature of the part goes along in
    `Readings.temperature_c`; nothing here depends on it.

    Raises CompensationError for a frequency that the compensation lacks, and InputError for one
    that the accuracy class says nothing about.
    """
    points = uncertain_impedances(sweep, compensation, accuracy)
    values = [p.impedance for p in points]
    all_ok = all(p.status == "ok" for p in points)
    impedance = Impedance(
        frequency_hz=tuple(p.frequency_hz for p in points),
        resistance_ohm=tuple(None if z is None else float(z.real.x) for z in values),
        reactance_ohm=tuple(None if z is None else float(z.imag.x) for z in values),
        u_resistance_ohm=tuple(None if z is None else float(z.real.u) for z in values),
        u_reactance_ohm=tuple(None if z is None else float(z.imag.u) for z in values),
        u_gain_relative=tuple(p.u_gain_relative for p in points),
        status=None if all_ok else tuple(p.status for p in points),
        greater_than_ohm=None if all_ok else tuple(p.greater_than_ohm for p in points),
    )
    contact_ohm, contact_h = contact_figures(compensation, accuracy)
    both = math.sqrt(1.0 + 1.0 / compensation.placements)
    contact = Contact(u_resistance_ohm=both * contact_ohm, u_inductance_h=both * contact_h)
    return impedance, contact


def impedance_budget(
    sweep: Sweep, compensation: Compensation, accuracy: ImpedanceAccuracy
) -> tuple[PointBudget, ...]:
    """Return the budget of every point: resistance, reactance and inductance, largest line first.

    Same values, same errors as `compensated`.
    """
    return tuple(_budget(point) for point in uncertain_impedances(sweep, compensation, accuracy))


def contact_figures(compensation: Compensation, accuracy: ImpedanceAccuracy) -> tuple[float, float]:
    """Return the scatter of a contact (ohm, H): as repeated placements showed, else the class's.

    The tips are taken to touch a part as well as they touch the strip.
    """
    ohm, henry = compensation.contact_resistance_ohm, compensation.contact_inductance_h
    return (
        accuracy.contact_resistance_ohm if ohm is None else ohm,
        accuracy.contact_inductance_h if henry is None else henry,
    )


def uncertain_impedances(
    sweep: Sweep, compensation: Compensation, accuracy: ImpedanceAccuracy
) -> tuple[UncertainPoint, ...]:
    """Return the compensated points as uncertain numbers that share their common influences."""
    means = average_sweep(sweep, accuracy)
    _check_range(means, accuracy)
    contact_ohm, contact_h = contact_figures(compensation, accuracy)
    root = math.sqrt(compensation.placements)
    shared = _Shared(
        gain=complex_reading(0j, (1.0, 1.0), "gain of the meter"),
        contact_resistance=influence(0.0, contact_ohm, "contact of the part")
        - influence(0.0, contact_ohm / root, "contact of the short"),
        contact_inductance=influence(0.0, contact_h, "contact of the part")
        - influence(0.0, contact_h / root, "contact of the short"),
        stray_capacitance=influence(
            0.0, accuracy.stray_capacitance_f, "change of stray capacitance"
        ),
        load=influence(1.0, compensation.u_load_relative or 0.0, "load standard"),
    )
    return tuple(_point(mean, compensation, accuracy, shared) for mean in means)


def _point(
    mean: MeanReading, compensation: Compensation, accuracy: ImpedanceAccuracy, shared: _Shared
) -> UncertainPoint:
    frequency_hz = mean.frequency_hz
    omega = 2.0 * math.pi * frequency_hz
    i = compensation.index_of(frequency_hz)
    if mean.value_ohm is None:
        bound = _range_bound(compensation, i, accuracy) if mean.status == "over-range" else None
        return UncertainPoint(
            frequency_hz, None, _gain(accuracy, accuracy.impedance_max_ohm, frequency_hz),
            mean.status, bound,
        )  # fmt: skip
    dof = compensation.readings - 1.0 if compensation.readings > 1 else math.inf
    short_ohm = compensation.short_ohm[i]
    u_short_class = accuracy.relative_limit(abs(short_ohm), frequency_hz) * abs(short_ohm)
    short = complex_reading(
        short_ohm, compensation.u_short_ohm[i], "short reading", dof=dof
    ) + complex_reading(0j, (u_short_class / _RECTANGULAR,) * 2, "short reading")
    zero = complex_reading(
        0j,
        (
            accuracy.floor_resistance_ohm / _RECTANGULAR,
            omega * accuracy.floor_inductance_h / _RECTANGULAR,
        ),
        "zero error of the meter",
    )
    contact = shared.contact_resistance + (1j * omega) * shared.contact_inductance
    raw = complex_reading(mean.value_ohm, mean.u_ohm, "repeatability", dof=mean.dof)
    raw = raw + complex_reading(0j, mean.u_display_ohm, "last digit of the display")
    raw = raw + zero - contact
    stray = _open_admittance(compensation, i, accuracy, short, dof) + (
        (1j * omega) * shared.stray_capacitance
    )
    bound = _open_bound(raw - short, stray)
    if bound is not None:
        return UncertainPoint(
            frequency_hz, None, _gain(accuracy, bound, frequency_hz), "over-range", bound
        )
    z = open_short(raw, short, stray) * (load_factor(compensation, i) * shared.load)
    if compensation.u_load_phase is not None:
        z = z * (1.0 + 1j * influence(0.0, compensation.u_load_phase[i], "phase of the load"))
    u_gain = _gain(accuracy, abs(z.x), frequency_hz)
    return UncertainPoint(frequency_hz, z * (1.0 + u_gain * shared.gain), u_gain, "ok", None)


def _open_admittance(
    compensation: Compensation,
    i: int,
    accuracy: ImpedanceAccuracy,
    short: UncertainComplex,
    dof: float,
) -> UncertainComplex:
    """Return 1/(Zo - Zs) with the uncertainty of the open reading (S)."""
    open_ohm = compensation.open_ohm[i]
    if open_ohm is None:
        u = 1.0 / accuracy.impedance_max_ohm / _RECTANGULAR
        return complex_reading(0j, (u, u), "open reading")
    u_class = accuracy.relative_limit(abs(open_ohm), compensation.frequency_hz[i]) * abs(open_ohm)
    open_reading = complex_reading(
        open_ohm, compensation.u_open_ohm[i], "open reading", dof=dof
    ) + complex_reading(0j, (u_class / _RECTANGULAR,) * 2, "open reading")
    return constant(1.0) / (open_reading - short)


def _open_bound(d: UncertainComplex, stray: UncertainComplex) -> float | None:
    """Return the least |Z| (ohm) of a part that cannot be told from the open fixture, or None.

    The admittance 1/d - 1/(Zo - Zs) is what is linear in the readings here, so it is judged, not
    its inverse.
    """
    if abs(d.x * stray.x) < _NEAR_OPEN:
        return None
    admittance = constant(1.0) / d - stray
    size = abs(admittance.x)
    u = max(float(admittance.real.u), float(admittance.imag.u))
    return 1.0 / (size + _SIGMAS * u) if size < _SIGMAS * u else None


def _range_bound(compensation: Compensation, i: int, accuracy: ImpedanceAccuracy) -> float:
    """Return the least |Z| (ohm) of a part whose reading was over range.

    What was read is the part in parallel with the fixture, so |Y| <= 1/Z_max + |Y_open|.
    """
    open_ohm = compensation.open_ohm[i]
    fixture_s = 1.0 / (accuracy.impedance_max_ohm if open_ohm is None else abs(open_ohm))
    return 1.0 / (1.0 / accuracy.impedance_max_ohm + fixture_s)


def _gain(accuracy: ImpedanceAccuracy, magnitude_ohm: float, frequency_hz: float) -> float:
    return accuracy.relative_limit(magnitude_ohm, frequency_hz) / _RECTANGULAR


def _budget(point: UncertainPoint) -> PointBudget:
    z = point.impedance
    if z is None:
        return PointBudget(
            point.frequency_hz, None, None, None, point.status, point.greater_than_ohm
        )
    omega = 2.0 * math.pi * point.frequency_hz
    return PointBudget(
        frequency_hz=point.frequency_hz,
        resistance=to_estimate(z.real, "ohm"),
        reactance=to_estimate(z.imag, "ohm"),
        inductance=to_estimate(z.imag / omega, "H"),
        status=point.status,
        greater_than_ohm=None,
    )


def _check_range(means: tuple[MeanReading, ...], accuracy: ImpedanceAccuracy) -> None:
    if not means:
        raise InputError("this sweep holds no reading", hint="measure at one frequency at least")
    lowest = accuracy.frequency_min_hz * (1.0 - 1e-3)
    highest = accuracy.frequency_max_hz * (1.0 + 1e-3)
    outside = [m.frequency_hz for m in means if not lowest <= m.frequency_hz <= highest]
    if outside:
        raise InputError(
            f"accuracy class {accuracy.class_name!r} says nothing about "
            + ", ".join(format_si(f, "Hz") for f in outside)
            + f": it holds from {format_si(accuracy.frequency_min_hz, 'Hz')} to "
            + format_si(accuracy.frequency_max_hz, "Hz"),
            hint="check the class of the LCR meter in the bench file",
        )
