"""Describe a coil by a reduced model of its impedance, with analytic derivatives.

    Z  = 1 / (1/Zs + jwC) + dR + jw dL                                                      (R2)
    Zs = R0 [1 + rise] + jw L0 { exp(-j dh) / (1 + (jf/fr)^beta) - k2 jf / (fc + fw rise + jf) }

with rise = P sqrt(fs/f0) m tanh(m/2), m = sqrt(jf/fs), f0 = 15 kHz. R0 is the resistance of the
winding, fs and P its skin and proximity effect (m tanh(m/2): field diffusion into a conductor with
the field on both sides). Well above fs the rise is P sqrt(jf/f0) whatever fs is: how much a winding
resists there is known far better beforehand than where its rise begins. L0 is the inductance, fr,
beta and dh relaxation and hysteresis of the core, C the capacitance across the terminals, dR and
dL the contacts of this placement. A loop of shorted turns is a coupled coil: k2 = k^2 of its
coupling, fc = R2 / (2 pi L2) its corner; fw is the corner that its wire alone would give, whose
resistance rises with frequency as the winding's does, while that of the contact does not. Without
that rise the loop term is the exact input impedance of two coupled coils (any circuits text, for
example Terman, Radio Engineers' Handbook, 1943: from memory).

Parameters are taken in a form in which their priors are normal: logarithms, the logit of k2, and
beta, dR, dL as they are. Everything is vectorised over (start, frequency).
"""

from __future__ import annotations

__all__ = [
    "BETA",
    "CAPACITANCE",
    "DH",
    "DL",
    "DR",
    "FC",
    "FR",
    "FS",
    "FW",
    "K2",
    "L0",
    "PARAMETERS",
    "PROXIMITY",
    "R0",
    "ComplexArray",
    "FloatArray",
    "impedance",
    "impedance_and_derivatives",
]

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
ComplexArray = NDArray[np.complex128]

#: names of the parameters in their order; each stands for the quantity in its normal form
PARAMETERS = (
    "ln L0",
    "ln R0",
    "ln fs",
    "ln P",
    "ln fr",
    "ln dh",
    "ln C",
    "beta",
    "dR",
    "dL",
    "logit k2",
    "ln fc",
    "ln fw",
)
L0, R0, FS, PROXIMITY, FR, DH, CAPACITANCE, BETA, DR, DL, K2, FC, FW = range(13)

_J = 1j
#: the frequency that the rise of the winding's resistance is referred to (Hz)
_RISE_AT_HZ = 15e3


def impedance(
    theta: FloatArray, frequency_hz: FloatArray, loop: NDArray[np.bool_] | bool = True
) -> ComplexArray:
    """Compute the impedance (ohm), shape (starts, frequencies).

    `theta` has shape (starts, 13) in the order of `PARAMETERS`; `frequency_hz` is one row for
    all or a row for each start; `loop` says, for each start, whether there is a loop of shorted
    turns.
    """
    return _evaluate(theta, frequency_hz, loop, derivatives=False)[0]


def impedance_and_derivatives(
    theta: FloatArray, frequency_hz: FloatArray, loop: NDArray[np.bool_] | bool = True
) -> tuple[ComplexArray, ComplexArray]:
    """Compute the impedance (starts, frequencies) and dZ/dtheta (starts, frequencies, 13)."""
    z, dz = _evaluate(theta, frequency_hz, loop, derivatives=True)
    assert dz is not None
    return z, dz


def _evaluate(
    theta: FloatArray,
    frequency_hz: FloatArray,
    loop: NDArray[np.bool_] | bool,
    *,
    derivatives: bool,
) -> tuple[ComplexArray, ComplexArray | None]:
    def column(index: int) -> FloatArray:
        return theta[:, index, None]

    f = np.atleast_2d(np.asarray(frequency_hz, dtype=float))
    jw = _J * 2.0 * np.pi * f
    has_loop = np.broadcast_to(np.asarray(loop, dtype=bool), theta.shape[:1])[:, None]

    resistance = np.exp(column(R0))
    m = np.sqrt(_J * f * np.exp(-column(FS)))
    decay = np.exp(-m)  # tanh and sech from exp(-m): no overflow for large m
    tanh = (1.0 - decay) / (1.0 + decay)
    size = np.exp(column(PROXIMITY) + 0.5 * column(FS)) / np.sqrt(_RISE_AT_HZ)
    rise = size * m * tanh

    log_ratio = np.log(f) - column(FR) + _J * (np.pi / 2.0)
    power = np.exp(column(BETA) * log_ratio)
    hysteresis = np.exp(column(DH))
    core = np.exp(-_J * hysteresis) / (1.0 + power)

    k2 = np.where(has_loop, 1.0 / (1.0 + np.exp(-column(K2))), 0.0)
    corner, wire = np.exp(column(FC)), np.exp(column(FW)) * rise
    denominator = corner + wire + _J * f
    share = _J * f / denominator

    jwl = jw * np.exp(column(L0))
    winding = resistance * (1.0 + rise) + jwl * (core - k2 * share)
    jwc = jw * np.exp(column(CAPACITANCE))
    shunt = 1.0 / (1.0 + jwc * winding)
    inner = winding * shunt
    z = inner + column(DR) + jw * column(DL)
    if not derivatives:
        return z, None

    sech2 = 4.0 * decay / (1.0 + decay) ** 2
    d = np.empty((*z.shape, len(PARAMETERS)), dtype=complex)
    d[..., L0] = jwl * (core - k2 * share)
    d[..., R0] = resistance * (1.0 + rise)
    # the rise stands in the winding and in the loop's wire
    d_rise = size * (tanh + 0.5 * m * sech2) * (-0.5 * m) + 0.5 * rise
    d_loop = jwl * k2 * share / denominator
    by_rise = resistance + d_loop * np.exp(column(FW))
    d[..., FS] = by_rise * d_rise
    d[..., PROXIMITY] = by_rise * rise
    d_power = -jwl * core / (1.0 + power)
    d[..., FR] = -d_power * column(BETA) * power
    d[..., DH] = -_J * hysteresis * jwl * core
    d[..., BETA] = d_power * power * log_ratio
    d[..., K2] = -jwl * k2 * (1.0 - k2) * share
    d[..., FC] = d_loop * corner
    d[..., FW] = d_loop * wire
    d *= (shunt**2)[..., None]
    d[..., CAPACITANCE] = -jwc * inner**2
    d[..., DR] = 1.0
    d[..., DL] = jw
    return z, d
