"""Copper: resistivity over temperature, skin effect and proximity effect.

Everything is complex: the imaginary part is the inductance inside the conductor, which falls
as the current moves to its surface. Time dependence exp(+jwt).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import jve

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

VACUUM_PERMEABILITY_H_PER_M = 4e-7 * np.pi  # before the 2019 SI; the difference is 5e-10
COPPER_RESISTIVITY_20C_OHM_M = 1 / 58e6  # IEC 60028: 1/58 ohm mm2/m at 20 C
COPPER_TEMPERATURE_CONSTANT_C = 235.0  # IEC 60034-1, resistance method


def copper_ratio(temperature_c: float, reference_c: float) -> float:
    """Give the resistance of copper at one temperature over that at another (IEC 60034-1).

    Raises ValueError at or below -235 C, where the straight line reaches zero.
    """
    if min(temperature_c, reference_c) <= -COPPER_TEMPERATURE_CONSTANT_C:
        raise ValueError(
            f"copper at {temperature_c} C over {reference_c} C: the rule ends at -235 C"
        )
    return (COPPER_TEMPERATURE_CONSTANT_C + temperature_c) / (
        COPPER_TEMPERATURE_CONSTANT_C + reference_c
    )


def copper_resistivity_ohm_m(temperature_c: float) -> float:
    """Give the resistivity of annealed copper in ohm metres (IEC 60028, IEC 60034-1)."""
    return COPPER_RESISTIVITY_20C_OHM_M * copper_ratio(temperature_c, 20.0)


def skin_depth_m(frequency_hz: ArrayLike, resistivity_ohm_m: float) -> FloatArray:
    """Give the depth in metres at which a plane wave in the metal has fallen to 1/e."""
    frequency = np.asarray(frequency_hz, dtype=np.float64)
    return np.asarray(
        np.sqrt(resistivity_ohm_m / (np.pi * frequency * VACUUM_PERMEABILITY_H_PER_M))
    )


def foil_factors(
    frequency_hz: ArrayLike, thickness_m: float, resistivity_ohm_m: float
) -> tuple[ComplexArray, ComplexArray]:
    """Give the two factors of a foil in a field that runs along it (Dowell 1966).

    With the magnetising currents A below and A + I above a foil that carries I, its complex
    power over its DC power at 1 A is ``own * |I|^2 + near * A (A + I)``. Both come from the
    plane-wave solution between two prescribed boundary fields. Shape: that of the frequency.
    """
    depth = skin_depth_m(frequency_hz, resistivity_ohm_m)
    m = (1 + 1j) * thickness_m / depth
    return np.asarray(m / np.tanh(m)), np.asarray(2 * m * np.tanh(m / 2))


def _wave_radius(frequency_hz: ArrayLike, radius_m: float, resistivity: float) -> ComplexArray:
    """Give k r of a round wire, k^2 = -j w mu / rho; the sign of k does not matter below."""
    return np.asarray((1 - 1j) * radius_m / skin_depth_m(frequency_hz, resistivity))


def round_wire_factor(
    frequency_hz: ArrayLike, radius_m: float, resistivity_ohm_m: float
) -> ComplexArray:
    """Give the internal impedance of a lone round wire over its DC resistance.

    ``(kr/2) J0(kr)/J1(kr)``; any text on conductors, e.g. Rosa and Grover, NBS Circular 74.
    """
    kr = _wave_radius(frequency_hz, radius_m, resistivity_ohm_m)
    # the scaled functions share one factor, so their ratio does not overflow in thick wire
    return np.asarray(kr / 2 * jve(0, kr) / jve(1, kr))


def round_wire_proximity_ohm_m(
    frequency_hz: ArrayLike, radius_m: float, resistivity_ohm_m: float, filling: float = 0.0
) -> ComplexArray:
    """Give the complex power of a round wire in a transverse field, per metre and (A/m)^2.

    The eddy currents make a dipole ``2 pi r^2 x H`` with ``x = J2(kr)/J0(kr)``; its power
    against the field is ``j w mu0`` times that. The real part is loss, the imaginary part
    (negative) is the flux that the wire pushes out. At low frequency the loss is
    (pi/4) w^2 mu0^2 r^4 / rho. ``filling`` is the share of the space that wires fill: dipoles
    weaken each other's field by ``1/(1 - filling x)`` (Maxwell Garnett in two dimensions);
    without it tightly packed wires would push out more flux than there is.
    """
    kr = _wave_radius(frequency_hz, radius_m, resistivity_ohm_m)
    omega = 2 * np.pi * np.asarray(frequency_hz, dtype=np.float64)
    reaction = jve(2, kr) / jve(0, kr)
    dipole = 2 * np.pi * radius_m**2 * reaction / (1 - filling * reaction)
    return np.asarray(1j * omega * VACUUM_PERMEABILITY_H_PER_M * dipole)
