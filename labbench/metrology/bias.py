"""Turn readings through a bias network into inductances under direct current.

The network is a two-port like the fixture: capacitors in series, the choke across. Open and short
taken through it, without current, remove both (`labbench.metrology.compensation`). With current
the choke is no longer what the open showed: it has lost a share k of its inductance, at most the
share K that it loses at its rating Ir. Of an admittance Yc without current, Yc / (1 - k) is there:

    1/Z = 1/Z' - Yc k/(1 - k),   0 <= k <= K I/Ir

with Z' as open and short alone give it. The bound is a straight line because the loss of a choke
grows faster than the current at first, whether its core is powder or gapped ferrite (an assumption
that holds for any core up to some 50 % of loss). k is taken as uniform in between (GUM 4.3.7).

Gain and contact are common to all currents of a placement: the ratio to the inductance without
current is known far better than the inductance, and both uncertainties are given.
"""

from __future__ import annotations

__all__ = [
    "LEAST_CHOKE_RATIO",
    "bias_points",
    "check_network",
    "network_compensation",
]

import math
from collections.abc import Sequence

import numpy as np
from attrs import frozen

from labbench.errors import CompensationError
from labbench.metrology.accuracy import ImpedanceAccuracy, SupplyAccuracy
from labbench.metrology.averaging import average_sweep
from labbench.metrology.compensation import Compensation, open_admittance
from labbench.metrology.fixture_check import FixtureLimits, compensation_from_sweeps
from labbench.metrology.impedance import uncertain_impedances
from labbench.quantities import format_si
from labbench.results import BiasMeasurement, BiasPoint, Sweep

#: a choke with less inductance than so many times the coil's hides the coil
LEAST_CHOKE_RATIO = 5.0
_RECTANGULAR = math.sqrt(3.0)
#: the share of a meter's gain error that changes between two readings of nearly the same size
_GAIN_MOVES = 0.15
#: without current before and after: more than this apart is a contact that moved, or a warm part
_SAME_ZERO_SHARE = 0.01
_SAME_ZERO_SIGMAS = 6.0
# capacitors and choke are no residuals of a jig: what may be there is checked by `check_network`
_ANYTHING = FixtureLimits(
    short_resistance_ohm=1.0,
    short_inductance_h=1.0,
    open_capacitance_f=1.0,
    open_conductance_s=1.0,
)


@frozen
class _Point:
    """Hold one current on its way: inductance, its noise and what the choke leaves (all H)."""

    current_a: float
    u_current_a: float
    inductance_h: float
    u_total_h: float
    u_noise_h: float
    u_choke_h: float
    u_gain: float
    repeat: bool


def network_compensation(
    *,
    open_sweep: Sweep,
    short_sweep: Sweep,
    accuracy: ImpedanceAccuracy,
    taken_utc: str,
    fixture: str,
    bench: str,
) -> Compensation:
    """Make a compensation of open and short through the network; raise CompensationError."""
    compensation = compensation_from_sweeps(
        open_sweep=open_sweep, short_sweep=short_sweep, accuracy=accuracy, taken_utc=taken_utc,
        fixture=fixture, bench=bench, fixture_limits=_ANYTHING,
    )  # fmt: skip
    check_network(compensation)
    return compensation


def check_network(
    compensation: Compensation, *, frequency_hz: float | None = None,
    part_h: float | None = None,
) -> None:  # fmt: skip
    """Raise CompensationError for a choke that is none, or too small for a coil of `part_h`."""
    problems = []
    for point, frequency in enumerate(compensation.frequency_hz):
        if frequency_hz is not None and not math.isclose(frequency, frequency_hz, rel_tol=1e-3):
            continue
        at = format_si(frequency, "Hz")
        admittance = open_admittance(compensation, point)
        if admittance == 0j:
            continue  # beyond the meter's range: the choke takes nothing away
        impedance = 1.0 / admittance
        choke_h = impedance.imag / (2.0 * math.pi * frequency)
        if part_h is None and impedance.imag <= 0.0:
            problems.append(
                f"the open shows {format_si(abs(impedance), 'ohm')} at {at} and no inductance: is "
                "the supply's output joined to the network, or does the choke resonate below?"
            )
        elif part_h is not None and abs(choke_h) < LEAST_CHOKE_RATIO * part_h:
            problems.append(
                f"the choke has {format_si(choke_h, 'H')} at {at}, less than "
                f"{LEAST_CHOKE_RATIO:g} times the coil's {format_si(part_h, 'H')}"
            )
    if problems:
        raise CompensationError(
            "the bias network cannot be used: " + "; ".join(problems),
            hint="use a larger choke, or take open and short through the network anew",
        )


def bias_points(
    measurement: BiasMeasurement,
    compensation: Compensation,
    accuracy: ImpedanceAccuracy,
    supply: SupplyAccuracy,
    *,
    choke_drop: float,
    rating_a: float,
) -> tuple[tuple[BiasPoint, ...], str | None]:
    """Return the inductance at each current with its uncertainties, and what is wrong with it.

    `choke_drop` is the share of its inductance that the choke loses at `rating_a` at most. Where
    the readings without current, before and after, differ by more than 1 %, or one has no value,
    there are no points and the text says why. Raises CompensationError for a frequency that the
    compensation lacks, and for a choke that is too small for this coil.
    """
    if measurement.status != "ok":
        return (), measurement.reason or measurement.status
    found: list[_Point] = []
    for reading in measurement.readings:
        point = _point(
            reading.sweep, compensation, accuracy, current_a=abs(reading.current_a),
            k_most=min(choke_drop * abs(reading.current_a) / rating_a, choke_drop),
            u_current_a=_u_current(abs(reading.current_a), supply) if reading.current_a else 0.0,
            repeat=reading.repeat,
        )  # fmt: skip
        if point is None or point.inductance_h <= 0.0:
            return (), "no-inductance"
        found.append(point)
    zeros = [p for p in found if p.current_a == 0.0]
    if not zeros:
        return (), "no-inductance"
    check_network(compensation, frequency_hz=measurement.frequency_hz, part_h=zeros[0].inductance_h)
    first, drift = zeros[0], 0.0
    for again in zeros[1:]:
        apart = abs(again.inductance_h / first.inductance_h - 1.0)
        noise = math.hypot(again.u_noise_h, first.u_noise_h) / first.inductance_h
        if apart > _SAME_ZERO_SHARE + _SAME_ZERO_SIGMAS * noise:
            return (), "contact-moved"
        drift = max(drift, apart)
    slopes = _slopes(found)
    return tuple(
        BiasPoint(
            current_a=p.current_a,
            inductance_h=p.inductance_h,
            u_inductance_h=math.hypot(p.u_total_h, p.u_choke_h, slope * p.u_current_a),
            repeat=p.repeat,
            u_ratio_relative=_u_ratio(p, first, slope, accuracy, drift),
        )
        for p, slope in zip(found, slopes, strict=True)
    ), None


def _point(
    sweep: Sweep,
    compensation: Compensation,
    accuracy: ImpedanceAccuracy,
    *,
    current_a: float,
    k_most: float,
    u_current_a: float,
    repeat: bool,
) -> _Point | None:
    (apparent,) = uncertain_impedances(sweep, compensation, accuracy)
    (mean,) = average_sweep(sweep, accuracy)
    if apparent.impedance is None:
        return None
    omega = 2.0 * math.pi * apparent.frequency_hz
    z = complex(apparent.impedance.x)
    choke_s = open_admittance(compensation, compensation.index_of(apparent.frequency_hz))

    def inductance_h(k: float) -> float:
        return (1.0 / (1.0 / z - choke_s * k / (1.0 - k))).imag / omega

    least, most = inductance_h(0.0), inductance_h(k_most)
    return _Point(
        current_a=current_a,
        u_current_a=u_current_a,
        inductance_h=0.5 * (least + most),
        u_total_h=float(apparent.impedance.imag.u) / omega,
        u_noise_h=math.hypot(mean.u_ohm[1], mean.u_display_ohm[1]) / omega,
        u_choke_h=0.5 * abs(most - least) / _RECTANGULAR,
        u_gain=apparent.u_gain_relative,
        repeat=repeat,
    )


def _u_ratio(
    point: _Point, first: _Point, slope: float, accuracy: ImpedanceAccuracy, drift: float
) -> float:
    """Return the standard uncertainty of the ratio to the inductance without current.

    `drift` is how far both readings without current lie apart: the part warms in between.
    """
    lost = abs(1.0 - point.inductance_h / first.inductance_h)
    # what is added to both, contact and zero error, cancels in the ratio but for what was lost
    added_h = math.hypot(accuracy.contact_inductance_h, accuracy.floor_inductance_h / _RECTANGULAR)
    return math.hypot(
        point.u_noise_h / point.inductance_h,
        first.u_noise_h / first.inductance_h if point is not first else 0.0,
        point.u_choke_h / point.inductance_h,
        slope * point.u_current_a / point.inductance_h,
        _GAIN_MOVES * point.u_gain,
        lost * added_h / first.inductance_h,
        drift / _RECTANGULAR if point is not first else 0.0,
    )


def _slopes(points: Sequence[_Point]) -> list[float]:
    """Return |dL/dI| (H/A) at each current, from its neighbours."""
    order = sorted({p.current_a: p.inductance_h for p in points}.items())
    if len(order) < 2:
        return [0.0] * len(points)
    current, inductance = np.array(order, dtype=np.float64).T
    # the fall is steepest at the end, where a straight line to the neighbour would miss it
    slope = np.abs(
        np.gradient(inductance, current, edge_order=2)
        if len(order) > 2
        else np.gradient(inductance, current)
    )
    return [float(slope[np.searchsorted(current, p.current_a)]) for p in points]


def _u_current(current_a: float, supply: SupplyAccuracy) -> float:
    limit = supply.current_gain_relative * current_a + supply.current_offset_a
    return math.hypot(limit, supply.current_step_a / 2.0) / _RECTANGULAR
