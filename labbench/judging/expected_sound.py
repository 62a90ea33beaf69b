"""Foretell what a bench would read of a sound part that is exactly as its type says."""

from __future__ import annotations

__all__ = ["PAIRS", "SWEEP_S", "expected_inductance", "expected_readings"]

import math
from collections.abc import Callable

import numpy as np

from labbench.judging import coil_model
from labbench.judging.coil_priors import healthy_prior
from labbench.judging.conformity import typical_value
from labbench.metrology.expected import (
    BenchAccuracies,
    expected_impedance,
    expected_resistance,
)
from labbench.parts.coil_type import CoilType
from labbench.results import Contact, DcResistance, Estimate, Impedance, Readings, Visual

#: time of a point of a sweep, and pairs of readings with the current on and off
SWEEP_S = 0.2
PAIRS = 4
#: winding resistance per inductance of a power coil of which nothing is known (3 mΩ per µH;
#: common practice, no source), and of a coil of which not even the inductance is
_GUESS_OHM_PER_H = 3e3
_GUESS_H = 1e-6


def expected_readings(
    part: CoilType,
    bench: BenchAccuracies,
    frequencies_hz: tuple[float, ...],
    *,
    current_for: Callable[[float], float],
    temperature_c: float = 23.0,
    u_temperature_c: float = 2.0,
) -> Readings:
    """Return the readings of a sound part that is exactly as its type says, on this bench.

    Judged like any other, they tell the best word that the bench can reach.
    """
    z = _sound_impedance(part, temperature_c)
    impedance, contact = None, None
    if bench.impedance is not None:
        points = expected_impedance(z, frequencies_hz, bench.impedance, time_s=SWEEP_S)
        kept = [p for p in points if p.resistance is not None and p.reactance is not None]
        gains = [bench.impedance.relative_limit(abs(z(p.frequency_hz)), p.frequency_hz)
                 / math.sqrt(3.0) for p in kept]  # fmt: skip
        impedance = Impedance(
            frequency_hz=tuple(p.frequency_hz for p in kept),
            resistance_ohm=tuple(p.resistance.value for p in kept if p.resistance is not None),
            reactance_ohm=tuple(p.reactance.value for p in kept if p.reactance is not None),
            u_resistance_ohm=tuple(p.resistance.u for p in kept if p.resistance is not None),
            u_reactance_ohm=tuple(p.reactance.u for p in kept if p.reactance is not None),
            u_gain_relative=tuple(gains),
        )
        contact = Contact(
            math.sqrt(2.0) * bench.impedance.contact_resistance_ohm,
            math.sqrt(2.0) * bench.impedance.contact_inductance_h,
        )
    ohms = part.nominal_resistance_ohm or _guess_ohm(part)
    method = bench.resistance_method
    dc = None
    if method is not None:
        known = expected_resistance(
            ohms, bench, method=method, current_a=current_for(ohms), pairs=PAIRS,
            temperature_c=25.0, u_temperature_c=1e-6,
        )  # fmt: skip
        if known is not None:
            dc = DcResistance(
                ohms, known.u, 25.0, u_temperature_c, known.dof, method, current_for(ohms)
            )
    return Readings(
        specimen="expected", type=part.name, temperature_c=temperature_c, impedance=impedance,
        contact=contact, dc_resistance=dc, visual=Visual("fine"),
    )  # fmt: skip


def expected_inductance(
    part: CoilType, frequency_hz: float, bench: BenchAccuracies, time_s: float
) -> Estimate | None:
    """Return the inductance (H) that would be read in `time_s` a point; None out of range."""
    meter = bench.impedance
    if meter is None or not meter.frequency_min_hz <= frequency_hz <= meter.frequency_max_hz:
        return None
    z = _sound_impedance(part, 23.0)
    return expected_impedance(z, [frequency_hz], meter, time_s=time_s)[0].inductance


def _guess_ohm(part: CoilType) -> float:
    return _GUESS_OHM_PER_H * (part.nominal_inductance_h or _GUESS_H)


def _sound_impedance(part: CoilType, temperature_c: float) -> Callable[[float], complex]:
    prior = healthy_prior(
        part,
        temperature_c=temperature_c,
        contact_resistance_ohm=1e-6,
        contact_inductance_h=1e-12,
        guess_inductance_h=part.nominal_inductance_h or _GUESS_H,
        guess_resistance_ohm=part.nominal_resistance_ohm or _guess_ohm(part),
    )
    theta = prior.mean.copy()
    limit = next(
        (m for m in part.inductance if m.lower_h is not None or m.upper_h is not None), None
    )
    if limit is not None:
        # the field inside the wire adds a little below its skin frequency: the sum is the nominal
        henry = limit.nominal_h or typical_value(limit.lower_h, limit.upper_h)
        at = np.array([limit.frequency_hz])
        seen = coil_model.impedance(theta[None, :], at, False)[0, 0].imag
        missing_h = henry - float(seen) / (2.0 * math.pi * limit.frequency_hz)
        inside_h = math.exp(theta[coil_model.L0])
        theta[coil_model.L0] = math.log(max(inside_h + missing_h, 0.1 * inside_h))

    def z(frequency_hz: float) -> complex:
        return complex(coil_model.impedance(theta[None, :], np.array([frequency_hz]), False)[0, 0])

    return z
