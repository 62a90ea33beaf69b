"""Build raw readings of a fixture with a part in it, independently of the formulas under test."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from labbench.metrology.accuracy import ImpedanceAccuracy
from labbench.metrology.compensation import Compensation
from labbench.metrology.fixture_check import compensation_from_sweeps
from labbench.ports import ImpedanceConditions, ImpedanceReading
from labbench.results import Sweep

FREQUENCIES_HZ = (1e3, 1e4, 1e5, 3e5, 1e6)
TAKEN_UTC = "2026-11-25T08:00:00+00:00"


def in_fixture(z: complex, frequency_hz: float, *, contact: complex = 0j) -> complex:
    """Put a part into a jig: 5 mohm + 10 nH in series, then 1.5 pF and 1 Gohm across."""
    omega = 2.0 * math.pi * frequency_hz
    series = z + contact + 5e-3 + 1j * omega * 10e-9
    return 1.0 / (1.0 / series + 1e-9 + 1j * omega * 1.5e-12)


def open_fixture(frequency_hz: float) -> complex:
    """Read the jig with nothing in it."""
    return 1.0 / (1e-9 + 2j * math.pi * frequency_hz * 1.5e-12)


def reading(frequency_hz: float, z: complex | None, status: str = "ok") -> ImpedanceReading:
    """Make one raw reading of 0.1 s; None is one without a value."""
    return ImpedanceReading(
        None if z is None else z.real,
        None if z is None else z.imag,
        status,  # type: ignore[arg-type]
        "",
        ImpedanceConditions(frequency_hz, 0.1, 0.1, 1),
    )


def sweep_of(
    z: Callable[[float], complex | None],
    frequencies_hz: Sequence[float] = FREQUENCIES_HZ,
    *,
    repeats: int = 1,
) -> Sweep:
    """Make a sweep of `z(frequency)`, each point read `repeats` times."""
    return Sweep(
        tuple(
            reading(f, z(f), "ok" if z(f) is not None else "over-range")
            for f in frequencies_hz
            for _ in range(repeats)
        )
    )


def compensation_of(
    accuracy: ImpedanceAccuracy, frequencies_hz: Sequence[float] = FREQUENCIES_HZ
) -> Compensation:
    """Take open and short of the jig above."""
    return compensation_from_sweeps(
        open_sweep=sweep_of(open_fixture, frequencies_hz),
        short_sweep=sweep_of(lambda f: in_fixture(0j, f), frequencies_hz),
        accuracy=accuracy,
        taken_utc=TAKEN_UTC,
        fixture="jig",
        bench="bench-1",
    )


def coil(frequency_hz: float) -> complex:
    """Be a 470 nH coil of 1.5 mohm with a loss tangent of 40 mrad."""
    x = 2.0 * math.pi * frequency_hz * 470e-9
    return complex(1.5e-3 + 0.04 * x, x)
