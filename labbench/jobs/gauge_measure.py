"""Measure one characteristic of a part for a gauge study: its value, and its own noise."""

from __future__ import annotations

__all__ = ["REFERENCE_C", "Measured", "measure_one"]

import math
from statistics import stdev

from attrs import evolve, frozen

from labbench.bench.bench import Bench
from labbench.bench.opened import OpenBench
from labbench.errors import StepAborted
from labbench.lots.plans import Characteristic
from labbench.metrology.accuracy import impedance_accuracy, multimeter_accuracy, supply_accuracy
from labbench.metrology.compensation import Compensation
from labbench.metrology.impedance import compensated
from labbench.metrology.resistance import dc_resistance as known_resistance
from labbench.metrology.temperature import copper_resistance_at
from labbench.parts.coil_type import CoilType
from labbench.procedures.contact import wait_for_contact
from labbench.procedures.dc_resistance import best_method
from labbench.procedures.dc_resistance import dc_resistance as measure_resistance
from labbench.procedures.sweep import impedance_sweep, sweep_settings
from labbench.results import ResistanceMeasurement, Sweep

#: copper is brought to this temperature, so that a warm afternoon is no difference between days
REFERENCE_C = 25.0


@frozen
class Measured:
    """Hold the value as `verify` would take it (SI) and the scatter of that value by noise alone.

    `noise_df` is 0 where the placement was read once. `readings` are the single ones.
    """

    value: float
    unit: str
    noise_sd: float
    noise_df: int
    readings: tuple[float, ...]


def measure_one(
    bench: Bench,
    opened: OpenBench,
    part: CoilType,
    characteristic: Characteristic,
    *,
    frequency_hz: float | None,
    readings: int,
    position: str | None,
    compensation: Compensation,
    temperature_c: float,
) -> Measured:
    """Wait for contact, measure, and return the value at 25 °C (dc resistance) or as read.

    Raises StepAborted where there is no value: an open part, one that is still warm, a current
    that wanders.
    """
    wait_for_contact(bench, position)
    if characteristic == "inductance":
        assert frequency_hz is not None
        return _inductance(bench, opened, part, frequency_hz, readings, position, compensation)
    return _resistance(bench, opened, part, position, compensation, temperature_c)


def _inductance(
    bench: Bench,
    opened: OpenBench,
    part: CoilType,
    frequency_hz: float,
    readings: int,
    position: str | None,
    compensation: Compensation,
) -> Measured:
    entry = opened.file.instruments.impedance_meter
    assert entry is not None
    accuracy = impedance_accuracy(entry.class_, entry.accuracy)
    settings = evolve(sweep_settings(part), repeats=readings)
    sweep = impedance_sweep(bench, [frequency_hz], position=position, settings=settings)
    values: list[float] = []
    for reading in sweep.readings:
        block, _ = compensated(Sweep((reading,), sweep.position), compensation, accuracy)
        reactance = block.reactance_ohm[0]
        if reactance is None:
            raise StepAborted(
                f"no inductance could be read at {frequency_hz:g} Hz: {reading.status}",
                hint="press the part home and measure again",
            )
        values.append(reactance / (2.0 * math.pi * frequency_hz))
    # verify takes one sweep: the first reading is the value, the others tell its noise
    return Measured(
        values[0], "H", stdev(values) if len(values) > 1 else 0.0, len(values) - 1, tuple(values)
    )


def _resistance(
    bench: Bench,
    opened: OpenBench,
    part: CoilType,
    position: str | None,
    compensation: Compensation,
    temperature_c: float,
) -> Measured:
    measurement = measure_resistance(
        bench, part, method=best_method(bench), position=position,
        temperature_c=temperature_c, u_temperature_c=0.0,
    )  # fmt: skip
    entries = opened.file.instruments
    supply, meter, lcr = entries.supply, entries.multimeter, entries.impedance_meter

    def value_of(one: ResistanceMeasurement) -> float:
        block, _ = known_resistance(
            one,
            multimeter=multimeter_accuracy(meter.class_, meter.accuracy) if meter else None,
            supply=supply_accuracy(supply.class_, supply.accuracy) if supply else None,
            impedance=impedance_accuracy(lcr.class_, lcr.accuracy) if lcr else None,
            supply_leads_ohm=opened.file.fixture.supply_leads_ohm,
            compensation=compensation,
        )
        if block.value_ohm is None:
            raise StepAborted(
                f"no dc resistance could be read: {(one.reason or block.status).replace('-', ' ')}",
                hint="let the part cool, press it home and measure again",
            )
        return copper_resistance_at(block.value_ohm, temperature_c, REFERENCE_C)

    value = value_of(measurement)
    single = tuple(value_of(evolve(measurement, pairs=(pair,))) for pair in measurement.pairs)
    if len(single) < 2:
        return Measured(value, "ohm", 0.0, 0, (value,))
    # the value is the mean of the pairs
    return Measured(value, "ohm", stdev(single) / math.sqrt(len(single)), len(single) - 1, single)
