"""Conversion of what a meter reports, against complex arithmetic.

Source of the definitions: Z = R + jX, Q = |X|/R = 1/D (usual circuit theory). Does NOT cover
parallel forms: no dialect reports them.
"""

from __future__ import annotations

import cmath
import math
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.dialect_roles import Quantity
from drivers.impedance_forms import FORMS, series_form

resistances = st.floats(1e-6, 1e6)
reactances = st.one_of(st.floats(1e-6, 1e6), st.floats(-1e6, -1e-6))
frequencies = st.floats(20.0, 1e7)


@given(R=resistances, X=reactances, f=frequencies)
def test_every_form_gives_back_the_impedance_that_it_was_made_from(
    R: float, X: float, f: float
) -> None:
    Z = complex(R, X)
    omega = 2 * math.pi * f
    reported = {
        "r-x": (R, X),
        "z-phase-degrees": (abs(Z), math.degrees(cmath.phase(Z))),
        "z-phase-radians": (abs(Z), cmath.phase(Z)),
        "ls-q": (X / omega, abs(X) / R),
        "ls-d": (X / omega, R / abs(X)),
    }
    assert set(reported) == set(FORMS) == set(get_args(Quantity))
    for quantity, (first, second) in reported.items():
        resistance, reactance = series_form(quantity, first, second, f)
        assert resistance is not None
        assert cmath.isclose(complex(resistance, reactance), Z, rel_tol=1e-9)


@pytest.mark.parametrize(
    ("quantity", "first", "second", "expected"),
    [
        # 1.5 mΩ in series with 470 nH at 100 kHz: X = 2π·1e5·470e-9 = 0.295310 Ω
        ("ls-q", 470e-9, 196.8731, (1.5e-3, 0.295310)),
        ("ls-d", 470e-9, 1 / 196.8731, (1.5e-3, 0.295310)),
        ("z-phase-degrees", 2.0, 60.0, (1.0, math.sqrt(3.0))),
    ],
)
def test_known_impedances(
    quantity: str, first: float, second: float, expected: tuple[float, float]
) -> None:
    assert series_form(quantity, first, second, 1e5) == pytest.approx(expected, rel=1e-5)


def test_a_quality_factor_of_zero_holds_no_resistance() -> None:
    resistance, reactance = series_form("ls-q", 1e-6, 0.0, 1e5)
    assert resistance is None
    assert reactance == pytest.approx(0.628319, rel=1e-6)


def test_a_negative_resistance_by_noise_stays_negative() -> None:
    assert series_form("ls-q", 1e-6, -1000.0, 1e5)[0] == pytest.approx(-6.28319e-4, rel=1e-5)
