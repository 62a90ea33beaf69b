"""Sweep the impedance over frequency, uncompensated, at a small level and without bias."""

from __future__ import annotations

__all__ = [
    "DEFAULT_FREQUENCIES_HZ",
    "MOST_MORE",
    "SweepSettings",
    "impedance_sweep",
    "sweep_frequencies",
    "sweep_settings",
]

from collections.abc import Callable, Sequence

from attrs import field, frozen

from labbench.bench.bench import Bench
from labbench.bench.measuring import MAXIMUM_LEVEL_V
from labbench.errors import InputError, StepAborted
from labbench.parts.coil_type import CoilType
from labbench.ports import Hookup, ImpedanceReading
from labbench.procedures.hookups import COIL_IMPEDANCE
from labbench.results import Sweep

#: a shorted turn shows above the corner of its own loop, which lies between these for most coils
DEFAULT_FREQUENCIES_HZ = (1e3, 1e4, 1e5, 3e5, 1e6)

#: readings that may be asked for after the frequencies given
MOST_MORE = 64
#: two frequencies closer than this are one
_SAME_RELATIVE = 1e-4


@frozen(kw_only=True)
class SweepSettings:
    """Hold level (V), measuring time of one average (s), averages, and sweeps one after another."""

    level_v: float = 0.1
    aperture_s: float = 0.2
    averages: int = field(default=1)
    repeats: int = field(default=1)


def sweep_frequencies(part: CoilType | None, range_hz: tuple[float, float]) -> tuple[float, ...]:
    """Return the frequencies of a sweep (Hz), ascending, within the meter's range.

    The default ones and those at which the type has limits; what the meter cannot reach is left
    out. Raises StepAborted where nothing is left.
    """
    wanted = [*DEFAULT_FREQUENCIES_HZ]
    if part is not None:
        wanted += [limit.frequency_hz for limit in part.inductance]
    lowest, highest = range_hz
    chosen: list[float] = []
    for frequency in sorted(wanted):
        within = lowest <= frequency <= highest
        if within and (not chosen or frequency > chosen[-1] * (1 + _SAME_RELATIVE)):
            chosen.append(frequency)
    if not chosen:
        raise StepAborted(
            f"the impedance meter reaches from {lowest:g} to {highest:g} Hz, where a coil is "
            "measured at 1 kHz to 1 MHz: it cannot sweep one"
        )
    return tuple(chosen)


def sweep_settings(part: CoilType | None) -> SweepSettings:
    """Return the settings for a type: its own test level where that is no more than 0.5 V."""
    levels = [limit.level_v for limit in part.inductance if limit.level_v] if part else []
    return SweepSettings(level_v=min(levels[0], MAXIMUM_LEVEL_V)) if levels else SweepSettings()


def impedance_sweep(
    bench: Bench,
    frequencies_hz: Sequence[float],
    *,
    position: str | None = None,
    settings: SweepSettings | None = None,
    next_point: Callable[[Sweep], float | None] | None = None,
    hookup: Hookup = COIL_IMPEDANCE,
) -> Sweep:
    """Sweep what is in the jig (or at `position`) and return the raw readings in order.

    A point beyond the meter's range is a reading without a value; it does not end the sweep.
    After the frequencies given, `next_point` is asked with all readings so far for one more (Hz),
    until it says None or 64 more were taken.
    Raises InputError for frequencies that do not ascend, and what the bench raises.
    """
    chosen = settings or SweepSettings()
    if not frequencies_hz or list(frequencies_hz) != sorted(set(frequencies_hz)):
        raise InputError("the frequencies of a sweep ascend, and there is at least one")
    bench.connect(hookup, position)
    where = bench.joined.position
    # A display rounds the same number the same way every time: asking again tells nothing.
    repeats = 1 if bench.impedance_by_hand else chosen.repeats

    def take() -> Sweep:
        bench.prepare_impedance()
        readings: list[ImpedanceReading] = []

        def read(frequency_hz: float) -> None:
            bench.set_impedance_point(
                frequency_hz=frequency_hz,
                level_v=chosen.level_v,
                aperture_s=chosen.aperture_s,
                averages=chosen.averages,
            )
            readings.append(bench.take_impedance())

        for _ in range(repeats):
            for frequency_hz in frequencies_hz:
                read(frequency_hz)
        if next_point is not None and not bench.impedance_by_hand:
            for _ in range(MOST_MORE):
                more_hz = next_point(Sweep(tuple(readings), where))
                if more_hz is None:
                    break
                read(more_hz)
        return Sweep(tuple(readings), where)

    return bench.repeatable("sweep", take, position=where)
