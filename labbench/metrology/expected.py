"""Foretell how well a bench will know a value, before anything is measured.

The budgets are those of a real measurement: readings are made up without noise, of a part that is
exactly as given in a fixture of the usual size, and go through the same functions as real ones. So
what is foretold and what is stated afterwards cannot drift apart.
"""

from __future__ import annotations

__all__ = [
    "BenchAccuracies",
    "expected_compensation",
    "expected_impedance",
    "expected_resistance",
    "expected_sweep",
]

import math
from collections.abc import Callable, Sequence
from typing import Final

from attrs import frozen

from labbench.metrology.accuracy import ImpedanceAccuracy, MultimeterAccuracy, SupplyAccuracy
from labbench.metrology.compensation import Compensation
from labbench.metrology.impedance import PointBudget, impedance_budget
from labbench.metrology.resistance import at_temperature, dc_resistance
from labbench.ports import ImpedanceConditions, ImpedanceReading
from labbench.results import Estimate, OnOffPair, ResistanceMeasurement, Sweep

# A jig of the usual size (common practice, no source); the budgets hardly depend on it.
_FIXTURE_OHM: Final = 10e-3
_FIXTURE_H: Final = 15e-9
_FIXTURE_F: Final = 2e-12
_ROOM_C: Final = 23.0
_READINGS_OF_OPEN_AND_SHORT: Final = 3


@frozen(kw_only=True)
class BenchAccuracies:
    """Hold the accuracies of the instruments that a bench has, and what is known of its leads."""

    impedance: ImpedanceAccuracy | None = None
    multimeter: MultimeterAccuracy | None = None
    supply: SupplyAccuracy | None = None
    supply_leads_ohm: float | None = None

    @property
    def resistance_method(self) -> str | None:
        """Name the best method for a dc resistance on this bench; None where it has none."""
        if self.supply is not None:
            return "multimeter-on-off" if self.multimeter is not None else "supply-readback"
        return "impedance-meter" if self.impedance is not None else None


def expected_resistance(
    resistance_ohm: float,
    bench: BenchAccuracies,
    *,
    method: str,
    current_a: float,
    pairs: int,
    temperature_c: float = _ROOM_C,
    u_temperature_c: float = 2.0,
    to_c: float = 25.0,
) -> Estimate | None:
    """Return the estimate of a dc resistance at `to_c` that this bench would come to (ohm).

    None where the current would not tell from zero, or the method gives no value. Raises
    InputError where the method needs an accuracy that the bench lacks.
    """
    compensation = None
    sweep = None
    taken: tuple[OnOffPair, ...] = ()
    if method == "impedance-meter" and bench.impedance is not None:
        frequency_hz = max(1e3, bench.impedance.frequency_min_hz)
        compensation = expected_compensation([frequency_hz], bench.impedance)
        sweep = expected_sweep(lambda _f: complex(resistance_ohm), [frequency_hz], time_s=0.5)
    elif method != "impedance-meter":
        leads = bench.supply_leads_ohm or 0.0 if method == "supply-readback" else 0.0
        volts = current_a * (resistance_ohm + leads)
        taken = (OnOffPair(0.0, volts, 0.0, current_a),) * pairs
    measured, estimate = dc_resistance(
        ResistanceMeasurement(
            method=method, pairs=taken, temperature_c=temperature_c,
            u_temperature_c=u_temperature_c, set_current_a=current_a, sweep=sweep,
        ),
        multimeter=bench.multimeter,
        supply=bench.supply,
        impedance=bench.impedance,
        supply_leads_ohm=bench.supply_leads_ohm,
        compensation=compensation,
    )  # fmt: skip
    if estimate is None:
        return None
    return at_temperature(measured, to_c, estimate=estimate)


def expected_impedance(
    impedance_ohm: Callable[[float], complex],
    frequencies_hz: Sequence[float],
    accuracy: ImpedanceAccuracy,
    *,
    time_s: float = 0.2,
) -> tuple[PointBudget, ...]:
    """Return the budgets of a sweep of a part with this impedance, a point a frequency."""
    return impedance_budget(
        expected_sweep(impedance_ohm, frequencies_hz, time_s=time_s),
        expected_compensation(frequencies_hz, accuracy),
        accuracy,
    )


def expected_sweep(
    impedance_ohm: Callable[[float], complex], frequencies_hz: Sequence[float], *, time_s: float
) -> Sweep:
    """Make up the raw readings of a part in a usual jig, without noise, of `time_s` each."""
    readings = []
    for frequency_hz in frequencies_hz:
        omega = 2.0 * math.pi * frequency_hz
        inside = impedance_ohm(frequency_hz) + complex(_FIXTURE_OHM, omega * _FIXTURE_H)
        raw = 1.0 / (1.0 / inside + 1j * omega * _FIXTURE_F)
        readings.append(
            ImpedanceReading(
                raw.real, raw.imag, "ok", "", ImpedanceConditions(frequency_hz, 0.1, time_s, 1)
            )
        )
    return Sweep(tuple(readings))


def expected_compensation(
    frequencies_hz: Sequence[float], accuracy: ImpedanceAccuracy
) -> Compensation:
    """Make up the compensation of that jig, with the noise of the class in its uncertainties."""
    opens, shorts, u_open, u_short = [], [], [], []
    root = math.sqrt(_READINGS_OF_OPEN_AND_SHORT)
    for frequency_hz in frequencies_hz:
        omega = 2.0 * math.pi * frequency_hz
        short = complex(_FIXTURE_OHM, omega * _FIXTURE_H)
        opened: complex | None = 1.0 / (1j * omega * _FIXTURE_F)
        assert opened is not None
        if abs(opened) > accuracy.impedance_max_ohm:
            opened = None
        shorts.append(short)
        opens.append(opened)
        u_short.append((accuracy.noise_ohm(abs(short), 0.4) / root,) * 2)
        u = 0.0 if opened is None else accuracy.noise_ohm(abs(opened), 0.4) / root
        u_open.append((u, u))
    return Compensation(
        frequency_hz=tuple(frequencies_hz),
        open_ohm=tuple(opens),
        short_ohm=tuple(shorts),
        u_open_ohm=tuple(u_open),
        u_short_ohm=tuple(u_short),
        readings=_READINGS_OF_OPEN_AND_SHORT,
        taken_utc="1970-01-01T00:00:00+00:00",
        fixture="usual jig",
        bench="",
    )
