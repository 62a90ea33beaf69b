"""Average the raw readings of a sweep, point by point, with their scatter."""

from __future__ import annotations

__all__ = ["FREQUENCY_TOLERANCE", "MeanReading", "average_sweep"]

import math
from collections.abc import Sequence
from typing import Final

from attrs import frozen

from labbench.metrology.accuracy import ImpedanceAccuracy
from labbench.ports import ImpedanceReading
from labbench.results import Status, Sweep

#: two frequencies closer than this are the same point: both are what one synthesiser was set to
#: and reads back, to four digits or more
FREQUENCY_TOLERANCE: Final = 1e-4

# A reading by hand carries no aperture; nothing shorter than this is met at a bench.
_SHORTEST_READING_S: Final = 1e-3

# Scatter beyond this many times the known noise, and beyond this share of |Z| plus the contact
# scatter, is no noise any more: the contact opens and closes while it is measured. Not said of
# what lies at the top of the range, as an open fixture does: there |Z| is hardly known anyway.
_UNSTABLE_NOISES: Final = 10.0
_UNSTABLE_SHARE: Final = 0.05


@frozen
class MeanReading:
    """Hold the mean of the raw readings at one frequency, uncompensated.

    `u_ohm` are the standard uncertainties of the mean of real and imaginary part from scatter
    (type A, GUM 4.2), never less than the known noise gives; `noise_ohm` is that noise for one
    reading. The value is None unless the status is "ok".
    """

    frequency_hz: float
    value_ohm: complex | None
    u_ohm: tuple[float, float]
    noise_ohm: float
    readings: int
    status: Status
    #: one step of a display's last digit (ohm), real and imaginary part; 0 where no eye read it
    step_ohm: tuple[float, float] = (0.0, 0.0)

    @property
    def u_display_ohm(self) -> tuple[float, float]:
        """Tell what rounding on a display leaves (GUM F.2.2.1); no average takes it out."""
        return self.step_ohm[0] / math.sqrt(12.0), self.step_ohm[1] / math.sqrt(12.0)

    @property
    def u_total_ohm(self) -> tuple[float, float]:
        """Tell the standard uncertainties of the mean with what the display leaves."""
        (u_real, u_imag), (display_real, display_imag) = self.u_ohm, self.u_display_ohm
        return math.hypot(u_real, display_real), math.hypot(u_imag, display_imag)

    @property
    def dof(self) -> float:
        """Tell the degrees of freedom: n - 1; infinite for one reading with a noise figure."""
        return self.readings - 1.0 if self.readings > 1 else math.inf

    @property
    def scatter_ohm(self) -> tuple[float, float]:
        """Tell the standard deviation of one reading, real and imaginary part."""
        root = math.sqrt(self.readings)
        return self.u_ohm[0] * root, self.u_ohm[1] * root


def average_sweep(sweep: Sweep, accuracy: ImpedanceAccuracy) -> tuple[MeanReading, ...]:
    """Return one mean a frequency, ascending, whatever the order in which they were taken.

    Status of a point: that of its readings where all agree; "unstable" where only some have a
    value, or where they scatter far beyond the meter's noise.
    """
    ordered = sorted(sweep.readings, key=lambda reading: reading.conditions.frequency_hz)
    points: list[list[ImpedanceReading]] = []
    for reading in ordered:
        frequency = reading.conditions.frequency_hz
        if points:
            before = points[-1][0].conditions.frequency_hz
            if frequency - before <= FREQUENCY_TOLERANCE * before:
                points[-1].append(reading)
                continue
        points.append([reading])
    return tuple(_mean(readings, accuracy) for readings in points)


def _mean(readings: Sequence[ImpedanceReading], accuracy: ImpedanceAccuracy) -> MeanReading:
    frequency_hz = readings[0].conditions.frequency_hz
    values = [
        complex(r.resistance_ohm, r.reactance_ohm)
        for r in readings
        if r.status == "ok" and r.resistance_ohm is not None and r.reactance_ohm is not None
    ]
    n = len(readings)
    if len(values) < n:
        statuses = {r.status for r in readings}
        if values and all(abs(z) >= accuracy.impedance_max_ohm for z in values):
            statuses.discard("ok")  # at the very top of the range readings come and go
        # a reading "ok" without a value would be a mistake of the caller; it is no value either
        status: Status = statuses.pop() if len(statuses) == 1 else "unstable"
        return MeanReading(
            frequency_hz, None, (0.0, 0.0), 0.0, n, "not-measured" if status == "ok" else status
        )
    mean = complex(math.fsum(z.real for z in values), math.fsum(z.imag for z in values)) / n
    time_s = max(
        math.fsum(r.conditions.aperture_s * r.conditions.averages for r in readings) / n,
        _SHORTEST_READING_S,
    )
    noise = accuracy.noise_ohm(abs(mean), time_s)
    scatter = [noise, noise]
    if n > 1:
        seen = (
            math.sqrt(math.fsum((z.real - mean.real) ** 2 for z in values) / (n - 1)),
            math.sqrt(math.fsum((z.imag - mean.imag) ** 2 for z in values) / (n - 1)),
        )
        bound = max(
            _UNSTABLE_NOISES * noise,
            _UNSTABLE_SHARE * abs(mean) + 2.0 * accuracy.contact_resistance_ohm,
        )
        if max(seen) > bound and abs(mean) < accuracy.impedance_max_ohm:
            u = seen[0] / math.sqrt(n), seen[1] / math.sqrt(n)
            return MeanReading(frequency_hz, None, u, noise, n, "unstable")
        scatter = [max(noise, s) for s in seen]
    root = math.sqrt(n)
    steps = [reading.step_ohm or (0.0, 0.0) for reading in readings]
    return MeanReading(
        frequency_hz, mean, (scatter[0] / root, scatter[1] / root), noise, n, "ok",
        (max(step[0] for step in steps), max(step[1] for step in steps)),
    )  # fmt: skip
