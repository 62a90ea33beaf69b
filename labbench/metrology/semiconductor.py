"""Bring readings of switches from one temperature to another, and tell temperature from a diode.

Leakage doubles every 10 K: common practice, no source; the physics of generation current in silicon
gives a doubling every 9.5 K near 25 °C. The other coefficients are those of the device model that
this bench is built on, for silicon (from memory): threshold at 250 µA -5.4 mV/K, forward voltage
-2.3 mV/K at 1 mA and -1.9 mV/K at 100 mA, on-resistance +0.44 %/K.
"""

from __future__ import annotations

__all__ = [
    "LEAKAGE_DOUBLING_K",
    "ON_RESISTANCE_PER_K",
    "THRESHOLD_V_PER_K",
    "diode_v_per_k",
    "forward_current_a",
    "forward_voltage_v",
    "gate_sensitivity_per_v",
    "leakage_factor",
    "thermal_voltage_v",
]

import math
from typing import Final

LEAKAGE_DOUBLING_K: Final = 10.0
THRESHOLD_V_PER_K: Final = -5.4e-3
_DIODE_1_MA_V_PER_K: Final = -2.3e-3
_DIODE_100_MA_V_PER_K: Final = -1.9e-3
ON_RESISTANCE_PER_K: Final = 4.4e-3

_GATE_4V5_PER_V: Final = 0.15
_GATE_10_PER_V: Final = 0.024

#: exact SI values (Boltzmann's constant, elementary charge)
_BOLTZMANN_J_PER_K: Final = 1.380649e-23
_CHARGE_C: Final = 1.602176634e-19


def leakage_factor(from_c: float, to_c: float) -> float:
    """Return by what a leakage is multiplied between two temperatures (°C)."""
    return float(2.0 ** ((to_c - from_c) / LEAKAGE_DOUBLING_K))


def diode_v_per_k(current_a: float) -> float:
    """Return the temperature coefficient of a forward voltage at a current (V/K).

    Linear in the logarithm of the current between and beyond 1 mA and 100 mA, as the diode's law
    has it.
    """
    share = math.log10(current_a / 1e-3) / 2.0
    return _DIODE_1_MA_V_PER_K + share * (_DIODE_100_MA_V_PER_K - _DIODE_1_MA_V_PER_K)


def gate_sensitivity_per_v(gate_source_v: float) -> float:
    """Return by what share an on-resistance falls per volt at the gate (1/V).

    15 %/V at 4.5 V and 2.4 %/V at 10 V (from a device model), a power law between and beyond.
    """
    power = math.log(_GATE_10_PER_V / _GATE_4V5_PER_V) / math.log(10.0 / 4.5)
    return float(_GATE_4V5_PER_V * (gate_source_v / 4.5) ** power)


def thermal_voltage_v(kelvin: float) -> float:
    """Return kT/q (V)."""
    return _BOLTZMANN_J_PER_K * kelvin / _CHARGE_C


def forward_current_a(
    voltage_v: float, saturation_a: float, kelvin: float, n: float = 1.0
) -> float:
    """Return the current of an ideal diode (A): Is (exp(V / n kT/q) - 1), Shockley 1949."""
    return saturation_a * math.expm1(voltage_v / (n * thermal_voltage_v(kelvin)))


def forward_voltage_v(
    current_a: float, saturation_a: float, kelvin: float, n: float = 1.0
) -> float:
    """Return the voltage of an ideal diode (V) at a forward current (A)."""
    return n * thermal_voltage_v(kelvin) * math.log1p(current_a / saturation_a)
