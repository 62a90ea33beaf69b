"""Turn the voltage across a series resistor into the resistance of an insulation."""

from __future__ import annotations

__all__ = ["insulation"]

from labbench.metrology.accuracy import MultimeterAccuracy
from labbench.metrology.leakage import leakage_by_resistor, voltage_at_part
from labbench.results import Insulation, InsulationMeasurement

#: a current below so many standard uncertainties is none that can be told from nothing
_SIGMAS = 3.0
#: where nothing can be told, the current lies below the one read and so many uncertainties
_BOUND_SIGMAS = 2.0


def insulation(
    measurement: InsulationMeasurement,
    multimeter: MultimeterAccuracy,
    *,
    series_relative: float,
) -> Insulation:
    """Return R = V/I with its standard uncertainty, or the bound that this bench sees.

    `series_relative` is the tolerance of the series resistor. V is what is left for the part.
    """
    volts = measurement.supply_v
    if measurement.status == "unstable":
        return Insulation(volts, None, status="unstable")
    if measurement.across_v is None:
        return Insulation(volts, None, status="over-range", less_than_ohm=measurement.series_ohm)
    current = leakage_by_resistor(
        [measurement.across_v], zero_volts=[measurement.zero_v],
        series_ohm=measurement.series_ohm, series_relative=series_relative,
        multimeter=multimeter, range_v=measurement.range_v,
        zero_range_v=measurement.zero_range_v,
    )  # fmt: skip
    volts = voltage_at_part(measurement.supply_v, measurement.across_v)
    if current.value < _SIGMAS * current.u:
        most_a = max(current.value, 0.0) + _BOUND_SIGMAS * current.u
        return Insulation(volts, None, status="over-range", greater_than_ohm=volts / most_a)
    ohms = volts / current.value
    return Insulation(volts, ohms, ohms * current.u / current.value)
