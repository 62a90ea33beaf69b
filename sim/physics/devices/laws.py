"""Currents as functions of a voltage, each with its slope: the physics of switches and loads.

Every law gives (amperes, siemens) at a number of volts and is monotonic, so that whatever is
built of them is passive. None overflows: beyond its knee each grows no faster than a power.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from scipy.special import wrightomega

Law = Callable[[float], tuple[float, float]]

BOLTZMANN_J_PER_K = 1.380649e-23  # exact, SI 2019
ELEMENTARY_CHARGE_C = 1.602176634e-19  # exact, SI 2019
ZERO_C_IN_K = 273.15
REFERENCE_C = 25.0
REFERENCE_K = ZERO_C_IN_K + REFERENCE_C

# A smooth knee is followed by its straight line where the difference drops below rounding.
_STRAIGHT = 40.0
# Built-in voltage of a silicon junction for its depletion width (textbook size, from memory).
BUILT_IN_V = 0.7


def kelvin(temperature_c: float) -> float:
    """Give the absolute temperature."""
    return ZERO_C_IN_K + temperature_c


def thermal_v(temperature_c: float) -> float:
    """Give kT/q in volts."""
    return BOLTZMANN_J_PER_K * kelvin(temperature_c) / ELEMENTARY_CHARGE_C


def softplus(x: float) -> float:
    """Give ln(1 + e^x) without overflow and without losing small values."""
    if x > _STRAIGHT:
        return x
    return math.log1p(math.exp(x))


def logistic(x: float) -> float:
    """Give the slope of softplus, 1 / (1 + e^-x)."""
    if x >= 0:
        return 1.0 / (1.0 + math.exp(-x))
    grown = math.exp(max(x, -700.0))
    return grown / (1.0 + grown)


def inverse_softplus(y: float) -> float:
    """Give x with ln(1 + e^x) = y, for y > 0."""
    if y > _STRAIGHT:
        return y
    return math.log(math.expm1(y))


def ohmic(ohm: float) -> Law:
    """Make the law of a resistor."""
    siemens = 1.0 / ohm
    return lambda volts: (siemens * volts, siemens)


def diode(saturation_a: float, slope_v: float, series_ohm: float) -> Law:
    """Make the law of a Shockley diode with a resistance in series.

    `slope_v` is N kT/q. I = (s/R) W(exp(ln(Is R/s) + (V + Is R)/s)) - Is with s = slope_v,
    the explicit solution of I = Is (exp((V - I R)/s) - 1) by the Lambert W function; as
    Wright's omega it takes the logarithm of the argument and so cannot overflow.
    """
    if series_ohm <= 0:
        raise ValueError("a diode needs some resistance in series; give a small one")
    start = math.log(saturation_a * series_ohm / slope_v) + saturation_a * series_ohm / slope_v

    def law(volts: float) -> tuple[float, float]:
        argument = start + volts / slope_v
        if argument < -30.0:
            # W(e^x) = e^x to rounding; the difference to -Is keeps its digits.
            grown = saturation_a * math.exp(max(volts / slope_v, -700.0))
            share = grown * series_ohm / slope_v
            amperes = saturation_a * math.expm1(max(volts / slope_v, -700.0))
            return amperes, grown / slope_v / (1.0 + share)
        omega = float(wrightomega(argument))
        amperes = slope_v / series_ohm * omega - saturation_a
        if abs(amperes) < 1e-3 * saturation_a:
            amperes = saturation_a * math.expm1((volts - amperes * series_ohm) / slope_v)
        return amperes, omega / (1.0 + omega) / series_ohm

    return law


def generation(reference_a: float, reference_v: float, exponent: float) -> Law:
    """Make the law of carriers generated in a depletion layer that widens with the voltage.

    I = Iref [(1 + V/0.7)^m - 1] / [(1 + Vref/0.7)^m - 1]; below zero it goes on in a straight
    line, where the junction's own forward current is far larger.
    """
    scale = reference_a / ((1.0 + reference_v / BUILT_IN_V) ** exponent - 1.0)
    at_zero = scale * exponent / BUILT_IN_V

    def law(volts: float) -> tuple[float, float]:
        if volts <= 0:
            return at_zero * volts, at_zero
        base = 1.0 + volts / BUILT_IN_V
        grown = scale * math.expm1(exponent * math.log(base))
        return grown, scale * exponent / BUILT_IN_V * base ** (exponent - 1.0)

    return law


def avalanche(breakdown_v: float, ohm: float, current_a: float) -> Law:
    """Make the law of a breakdown that passes `current_a` at `breakdown_v`.

    I = (Va/R) ln(1 + e^((V - Vk)/Va)), Va = 1.2 % of the breakdown voltage.
    """
    width = 0.012 * breakdown_v
    knee = breakdown_v - width * inverse_softplus(current_a * ohm / width)

    def law(volts: float) -> tuple[float, float]:
        x = (volts - knee) / width
        return width / ohm * softplus(x), logistic(x) / ohm

    return law


def power(reference_a: float, reference_v: float, exponent: float, polarity: float = 1.0) -> Law:
    """Make the law of a damaged insulator, I = a sgn(V) |V/Vref|^p.

    `polarity` is the ratio of the current at -V to that at +V.
    """

    def law(volts: float) -> tuple[float, float]:
        scale = reference_a if volts >= 0 else reference_a * polarity
        size = abs(volts) / reference_v
        grown = scale * size ** (exponent - 1.0)
        return math.copysign(grown * size, volts), exponent * grown / reference_v

    return law


def bias_cell(current_a: float, knee_v: float) -> Law:
    """Make the law of a circuit that comes up with its voltage: little at first, then constant.

    I = Imax x |x| / (1 + x^2), x = V/Vknee.
    """

    def law(volts: float) -> tuple[float, float]:
        x = volts / knee_v
        below = 1.0 + x * x
        return current_a * x * abs(x) / below, current_a / knee_v * 2.0 * abs(x) / below**2

    return law


def mirrored(law: Law) -> Law:
    """Turn a law round: the part put in the other way."""

    def turned(volts: float) -> tuple[float, float]:
        amperes, siemens = law(-volts)
        return -amperes, siemens

    return turned


def together(laws: Sequence[Law]) -> Law:
    """Put laws in parallel."""
    kept = tuple(laws)

    def law(volts: float) -> tuple[float, float]:
        amperes = siemens = 0.0
        for one in kept:
            more, steeper = one(volts)
            amperes += more
            siemens += steeper
        return amperes, siemens

    return law


def channel(
    gain: float, ideality: float, threshold_v: float, thermal: float
) -> Callable[[float, float], tuple[float, float, float]]:
    """Make the channel's law: (amperes, transconductance, output conductance) of (VGS, VDS).

    I = 2 n K u^2 {F^2[(VGS - VT)/2nu] - F^2[((VGS - VT)/n - VDS)/2u]}, F(x) = ln(1 + e^x):
    one equation from weak to strong inversion (the form of Enz, Krummenacher and Vittoz 1995,
    from memory). K (`gain`) in A/V^2, u = kT/q (`thermal`).
    """
    scale = 2.0 * ideality * gain * thermal * thermal

    def law(gate_v: float, drain_v: float) -> tuple[float, float, float]:
        overdrive = (gate_v - threshold_v) / ideality
        forward, reverse = overdrive / (2.0 * thermal), (overdrive - drain_v) / (2.0 * thermal)
        near, far = softplus(forward), softplus(reverse)
        amperes = scale * (near - far) * (near + far)
        near_slope, far_slope = near * logistic(forward), far * logistic(reverse)
        by_gate = scale * (near_slope - far_slope) / (ideality * thermal)
        by_drain = scale * far_slope / thermal
        return amperes, by_gate, by_drain

    return law


def threshold_at(
    current_a: float, gain: float, ideality: float, threshold_v: float, thermal: float
) -> float:
    """Give the gate-source voltage of a saturated channel at a drain current.

    VT + 2nu ln(exp sqrt(I/(2nKu^2)) - 1). The channel with the gate tied to the drain carries
    the reverse term too; it is below 1e-12 of the current above some volts of VDS.
    """
    root = math.sqrt(current_a / (2.0 * ideality * gain * thermal * thermal))
    return threshold_v + 2.0 * ideality * thermal * inverse_softplus(root)


def saturation_for(forward_v: float, current_a: float, slope_v: float, series_ohm: float) -> float:
    """Give the saturation current of a diode that drops `forward_v` at `current_a`."""
    return current_a / math.expm1((forward_v - current_a * series_ohm) / slope_v)


def saturation_at(
    reference_a: float, emission: float, gap_v: float, temperature_c: float, power_of_t: float = 3.0
) -> float:
    """Give a diode's saturation current at a temperature, from that at 25 C.

    Is ~ T^(3/N) exp(-Eg/(N k T)); a Schottky contact has T^2 and its barrier in place of Eg.
    """
    ratio = kelvin(temperature_c) / REFERENCE_K
    exponent = gap_v / emission * (1 / thermal_v(REFERENCE_C) - 1 / thermal_v(temperature_c))
    return float(reference_a * ratio ** (power_of_t / emission) * math.exp(exponent))


class JunctionCapacitance:
    """C(V) of a reverse-biased depletion layer, constant where it is biased forward."""

    __slots__ = ("_exponent", "_zero_f")

    def __init__(self, zero_f: float, exponent: float) -> None:
        """Take the capacitance at no bias and the exponent, below 1."""
        self._zero_f, self._exponent = zero_f, exponent

    def __call__(self, volts: float) -> float:
        """Give the capacitance (F)."""
        if volts <= 0.0:
            return self._zero_f
        return float(self._zero_f / (1.0 + volts / BUILT_IN_V) ** self._exponent)

    def charge_c(self, begin_v: float, end_v: float) -> float:
        """Give the charge that a change of the voltage moves: the integral of C, in closed form."""
        if begin_v > 0.0 and end_v > 0.0:
            # From the smaller side: what a little change moves keeps its digits.
            power = 1.0 - self._exponent
            base = 1.0 + begin_v / BUILT_IN_V
            grown = math.log1p((end_v - begin_v) / BUILT_IN_V / base)
            return float(
                self._zero_f * BUILT_IN_V / power * base**power * math.expm1(power * grown)
            )
        return self._from_zero_c(end_v) - self._from_zero_c(begin_v)

    def _from_zero_c(self, volts: float) -> float:
        if volts <= 0.0:
            return self._zero_f * volts
        power = 1.0 - self._exponent
        grown = math.expm1(power * math.log1p(volts / BUILT_IN_V))
        return self._zero_f * BUILT_IN_V / power * grown


def junction_capacitance(zero_f: float, exponent: float) -> JunctionCapacitance:
    """Make C(V) of a reverse-biased depletion layer, constant where it is biased forward."""
    return JunctionCapacitance(zero_f, exponent)


class ConstantCapacitance:
    """C(V) of an ordinary capacitor; whoever solves the circuit may take it as a number."""

    __slots__ = ("constant_f",)

    def __init__(self, farad: float) -> None:
        """Take the capacitance."""
        self.constant_f = farad

    def __call__(self, volts: float) -> float:
        """Give the capacitance (F)."""
        return self.constant_f


def constant_capacitance(farad: float) -> ConstantCapacitance:
    """Make C(V) of an ordinary capacitor."""
    return ConstantCapacitance(farad)
