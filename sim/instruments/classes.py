"""Declared figures of the instrument classes (assumed, from no data sheet).

Limits are two-sided: an error of a session lies inside plus or minus the figure.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ImpedanceMeterClass:
    """Figures of an LCR meter.

    The gain error of each component lies within
    ``basic * (1 + min(low_ohm / |Z|, low_cap) + |Z| / high_ohm + f / top_hz)`` times |Z|.
    """

    lowest_hz: float
    top_hz: float
    basic: float
    floor_ohm: float
    floor_h: float
    low_ohm: float
    low_cap: float
    high_ohm: float
    smallest_range_ohm: float
    largest_range_ohm: float
    highest_level_v: float
    voltage_noise_v: float  # rms, in one second of averaging
    current_noise_a: float  # rms, in one second of averaging
    # The fixture that such a meter usually comes with; a scenario may say otherwise.
    fixture_ohm: float
    fixture_h: float
    fixture_f: float
    contact_sd_ohm: float
    contact_sd_h: float


def _bench(basic: float, top_hz: float) -> ImpedanceMeterClass:
    return ImpedanceMeterClass(
        lowest_hz=20.0,
        top_hz=top_hz,
        basic=basic,
        floor_ohm=0.1e-3,
        floor_h=1e-9,
        low_ohm=2e-3,
        low_cap=4.0,
        high_ohm=1e6,
        smallest_range_ohm=0.1,
        largest_range_ohm=100e6,
        highest_level_v=2.0,
        voltage_noise_v=20e-9,
        current_noise_a=20e-12,
        fixture_ohm=5e-3,
        fixture_h=10e-9,
        fixture_f=1.5e-12,
        contact_sd_ohm=0.2e-3,
        contact_sd_h=1e-9,
    )


IMPEDANCE_METERS: Mapping[str, ImpedanceMeterClass] = {
    "hand-100kHz": ImpedanceMeterClass(
        lowest_hz=100.0,
        top_hz=100e3,
        basic=0.3e-2,
        floor_ohm=1e-3,
        floor_h=15e-9,
        low_ohm=10e-3,
        low_cap=4.0,
        high_ohm=1e6,
        smallest_range_ohm=1.0,
        largest_range_ohm=10e6,
        highest_level_v=1.0,
        voltage_noise_v=60e-9,
        current_noise_a=100e-12,
        fixture_ohm=20e-3,
        fixture_h=30e-9,
        fixture_f=5e-12,
        contact_sd_ohm=1e-3,
        contact_sd_h=3e-9,
    ),
    "bench-300kHz": ImpedanceMeterClass(
        lowest_hz=20.0,
        top_hz=300e3,
        basic=0.1e-2,
        floor_ohm=0.2e-3,
        floor_h=3e-9,
        low_ohm=4e-3,
        low_cap=4.0,
        high_ohm=1e6,
        smallest_range_ohm=0.1,
        largest_range_ohm=100e6,
        highest_level_v=2.0,
        voltage_noise_v=30e-9,
        current_noise_a=40e-12,
        fixture_ohm=8e-3,
        fixture_h=15e-9,
        fixture_f=2e-12,
        contact_sd_ohm=0.4e-3,
        contact_sd_h=2e-9,
    ),
    "bench-1MHz": _bench(0.05e-2, 1e6),
    "bench-5MHz": _bench(0.08e-2, 5e6),
}


@dataclass(frozen=True, slots=True)
class SupplyClass:
    """Figures of a bench supply: the setting and the readback each have errors of their own."""

    step_v: float
    step_a: float
    setting_gain_v: float
    setting_offset_v: float
    setting_gain_a: float
    setting_offset_a: float
    readback_gain_v: float
    readback_offset_v: float
    readback_gain_a: float
    readback_offset_a: float
    highest_v: float
    highest_a: float
    output_f: float
    output_ohm: float = 2e-3
    sink_a: float = 50e-3
    bleeder_ohm: float = 1e3  # across the terminals while the output is off


SUPPLIES: Mapping[str, SupplyClass] = {
    "1mV-1mA": SupplyClass(
        step_v=1e-3,
        step_a=1e-3,
        setting_gain_v=5e-4,
        setting_offset_v=2e-3,
        setting_gain_a=2e-3,
        setting_offset_a=2e-3,
        readback_gain_v=5e-4,
        readback_offset_v=2e-3,
        readback_gain_a=2e-3,
        readback_offset_a=2e-3,
        highest_v=30.0,
        highest_a=5.0,
        output_f=220e-6,
    ),
    "1mV-0.1mA": SupplyClass(
        step_v=1e-3,
        step_a=0.1e-3,
        setting_gain_v=5e-4,
        setting_offset_v=2e-3,
        setting_gain_a=2e-3,
        setting_offset_a=1e-3,
        readback_gain_v=5e-4,
        readback_offset_v=2e-3,
        readback_gain_a=2e-3,
        readback_offset_a=1e-3,
        highest_v=30.0,
        highest_a=5.0,
        output_f=220e-6,
    ),
    "10mV-10mA": SupplyClass(
        step_v=10e-3,
        step_a=10e-3,
        setting_gain_v=1e-3,
        setting_offset_v=10e-3,
        setting_gain_a=5e-3,
        setting_offset_a=10e-3,
        readback_gain_v=1e-3,
        readback_offset_v=10e-3,
        readback_gain_a=5e-3,
        readback_offset_a=10e-3,
        highest_v=30.0,
        highest_a=10.0,
        output_f=1e-3,
    ),
}


@dataclass(frozen=True, slots=True)
class MultimeterClass:
    """Figures of a multimeter: gain, and offset and noise as they are on the lowest volt range."""

    counts: float  # counts at the nominal end of a range
    over_range: float  # where a range ends, times its nominal value
    gain: float
    offset_v: float  # lowest range; 1e-5 of range more on the higher ones, see multimeter.py
    offset_of_range: float
    noise_v: float  # rms of a reading over one mains period
    drift_v: float  # slow wandering of the zero
    ohms_gain: float
    hum_v: float  # mains pickup before integration
    input_ohm: float = 10e6
    input_spread: float = 1e-2
    bias_a: float = 50e-12
    input_f: float = 100e-12


MULTIMETERS: Mapping[str, MultimeterClass] = {
    "6.5-digit": MultimeterClass(
        counts=1e6,
        over_range=1.2,
        gain=0.015e-2,
        offset_v=4e-6,
        offset_of_range=6e-6,
        noise_v=1.5e-6,
        drift_v=0.3e-6,
        ohms_gain=0.015e-2,
        hum_v=30e-6,
    ),
    "5.5-digit": MultimeterClass(
        counts=1e5,
        over_range=1.2,
        gain=0.03e-2,
        offset_v=10e-6,
        offset_of_range=3e-5,
        noise_v=3e-6,
        drift_v=1e-6,
        ohms_gain=0.05e-2,
        hum_v=50e-6,
    ),
    "4.5-digit": MultimeterClass(
        counts=1e4,
        over_range=2.0,
        gain=0.05e-2,
        offset_v=20e-6,
        offset_of_range=2e-4,
        noise_v=5e-6,
        drift_v=3e-6,
        ohms_gain=0.2e-2,
        hum_v=100e-6,
    ),
}
