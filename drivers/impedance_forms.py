"""Turn what a meter reports about an impedance into series resistance and reactance.

R+X as it is; |Z| and phase; series L and Q; series L and D: with ω = 2πf, X = ωL, R = X/Q = D·|X|
(definitions of quality and dissipation factor, Q = |X|/R = 1/D).
"""

from __future__ import annotations

__all__ = ["FORMS", "series_form"]

import math
from collections.abc import Callable

_Series = tuple[float | None, float]
#: (first number, second number, frequency in Hz) -> (R in ohm, X in ohm)
_Form = Callable[[float, float, float], _Series]


def _r_x(first: float, second: float, frequency_hz: float) -> _Series:
    return first, second


def _z_phase_degrees(first: float, second: float, frequency_hz: float) -> _Series:
    return _z_phase_radians(first, math.radians(second), frequency_hz)


def _z_phase_radians(first: float, second: float, frequency_hz: float) -> _Series:
    return first * math.cos(second), first * math.sin(second)


def _ls_q(first: float, second: float, frequency_hz: float) -> _Series:
    reactance = 2 * math.pi * frequency_hz * first
    # Q = 0 says that the resistance dwarfs the reactance, not how large it is
    return (abs(reactance) / second if second else None), reactance


def _ls_d(first: float, second: float, frequency_hz: float) -> _Series:
    reactance = 2 * math.pi * frequency_hz * first
    return second * abs(reactance), reactance


FORMS: dict[str, _Form] = {
    "r-x": _r_x,
    "z-phase-degrees": _z_phase_degrees,
    "z-phase-radians": _z_phase_radians,
    "ls-q": _ls_q,
    "ls-d": _ls_d,
}


def series_form(
    quantity: str, first: float, second: float, frequency_hz: float
) -> tuple[float | None, float]:
    """Give series resistance and reactance (ohm) of two reported numbers at a frequency (Hz).

    The resistance is None where the numbers do not hold it (Q = 0).
    """
    return FORMS[quantity](first, second, frequency_hz)
