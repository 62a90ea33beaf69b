"""The solver for coupled branches, against circuits with known answers.

Does not cover coils (test_coil.py) nor netlists (test_ngspice.py).
"""

from __future__ import annotations

import numpy as np
import pytest

from sim.physics.network import GROUND, Branch, Network, Shunt

L1, L2, R1 = 100e-6, 0.1e-6, 0.2


def coupled(k: float, frequency_hz: float, load_ohm: float) -> complex:
    """Solve a coil with a second coil beside it, whose ends a resistor joins."""
    network = Network(
        (Branch("primary", "p", GROUND), Branch("secondary", "s", GROUND)),
        (Shunt("load", "s", GROUND, 1 / load_ohm),),
    )
    mutual = k * np.sqrt(L1 * L2)
    omega = 2 * np.pi * frequency_hz
    branches = np.array([[[R1 + 1j * omega * L1, 1j * omega * mutual]] * 2])
    branches[0, 1] = [1j * omega * mutual, 1j * omega * L2]
    return complex(network.impedance_ohm(branches, np.array([frequency_hz]))[0])


# Z = R1 + jwL1 + (wM)^2/(R2 + jwL2) (Terman, Radio Engineers' Handbook, 1943); R2 10 mohm,
# 100 kHz; the numbers agree with a symbolic circuit solver (lcapy).
@pytest.mark.parametrize(
    ("k", "published"),
    [(0.90, 8.0998933634 + 13.1953591623j), (0.99, 9.7588709698 + 2.7716954413j)],
)
def test_a_coil_with_a_shorted_coil_beside_it(k: float, published: complex) -> None:
    assert coupled(k, 1e5, 10e-3) == pytest.approx(published, rel=1e-9)


# Limits of the same formula.
def test_the_limits_of_coupled_coils() -> None:
    omega = 2 * np.pi * 1e5
    assert coupled(0.9, 1e5, 1e9) == pytest.approx(R1 + 1j * omega * L1, rel=1e-6)
    shorted = coupled(0.9, 1e5, 1e-9)
    assert shorted.imag / omega == pytest.approx(L1 * (1 - 0.81), rel=1e-6)
    assert shorted.real == pytest.approx(R1, rel=1e-3)
    fast = coupled(0.9, 1e7, 10e-3)
    assert fast.real - R1 == pytest.approx(10e-3 * 0.81 * L1 / L2, rel=1e-4)


def test_a_floating_node_divides_as_capacitors_do() -> None:
    network = Network(
        (Branch("feed", "t", GROUND),),
        (
            Shunt("upper", "t", "core", 0.0, 2e-12),
            Shunt("lower", "core", GROUND, 0.0, 3e-12),
        ),
    )
    frequency = np.array([1e6])
    feed = np.array([[[1e12 + 0j]]])
    impedance = complex(network.impedance_ohm(feed, frequency)[0])
    assert impedance == pytest.approx(1 / (2j * np.pi * 1e6 * 1.2e-12), rel=1e-6)


# Two turns of a milliohm with 100 Mohm between them; picofarads of insulation. A nodal solution
# in double precision loses ten digits here.
def test_a_broken_winding_keeps_its_digits() -> None:
    network = Network(
        (Branch("a", "t", "m"), Branch("b", "m", "n"), Branch("c", "n", GROUND)),
        (Shunt("leak", "m", "n", 0.0, 1e-12),),
    )
    branches = np.diag([1e-3, 1e8, 1e-3]).astype(complex)[None]
    expected = 2e-3 + 1 / (1e-8 + 2j * np.pi * 100 * 1e-12)
    found = complex(network.impedance_ohm(branches, np.array([100.0]))[0])
    assert abs(found - expected) < 1e-14 * abs(expected)
