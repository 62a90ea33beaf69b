"""Check capacitance and dissipation of a switch against hand arithmetic (series and parallel form).

Does not cover: the meter's own errors (its class figures are assumed), a compensated reading.
"""

from __future__ import annotations

import math

import pytest

from labbench.errors import InputError
from labbench.metrology.accuracy import impedance_accuracy
from labbench.metrology.capacitance import capacitance_and_dissipation, parallel_resistance
from labbench.metrology.estimates import expanded_uncertainty
from labbench.ports import ImpedanceConditions, ImpedanceReading

METER = impedance_accuracy("bench-1MHz")


def reading(z: complex, frequency_hz: float = 100.0) -> ImpedanceReading:
    conditions = ImpedanceConditions(frequency_hz, 0.3, 0.2, 1)
    return ImpedanceReading(z.real, z.imag, "ok", "", conditions)


@pytest.mark.parametrize(("farad", "ohm"), [(4e-9, 1e6), (1e-9, 100e6), (8e-9, 20e6)])
def test_a_resistor_across_a_capacitor_gives_both_back(farad: float, ohm: float) -> None:
    """Y = 1/R + jwC by hand; D = 1 / (w R C)."""
    omega = 2.0 * math.pi * 100.0
    c, d = capacitance_and_dissipation(reading(1.0 / complex(1.0 / ohm, omega * farad)), METER)
    # what the jig may have is taken off as its middle: 30 pF of 0 to 60
    assert c.value == pytest.approx(farad - 30e-12, rel=1e-6)
    assert d.value == pytest.approx(1.0 / (omega * ohm * farad), rel=1e-3)
    assert parallel_resistance(farad, d.value, 100.0) == pytest.approx(ohm, rel=1e-3)
    assert abs(c.value - farad) < expanded_uncertainty(c)


def test_a_leak_of_a_hundred_megohms_is_seen_at_100_hz_beside_the_meters_own_error() -> None:
    """By hand: 100 MΩ across 1.6 nF is 0.0099, some ten times what the meter may get wrong."""
    omega = 2.0 * math.pi * 100.0
    z = 1.0 / complex(1.0 / 100e6, omega * 1.6e-9)
    _, d = capacitance_and_dissipation(reading(z), METER)
    assert d.value == pytest.approx(0.00995, rel=0.01)
    assert expanded_uncertainty(d) < d.value / 4.0


def test_leads_and_contacts_count_at_a_high_frequency() -> None:
    """By hand: 0.25 ohm beside 1 / (2 pi 100 kHz 4 nF) = 398 ohm is 0.00063, taken off."""
    z = 1.0 / complex(0.0, 2.0 * math.pi * 1e5 * 4e-9) + 0.25
    _, d = capacitance_and_dissipation(reading(z, 1e5), METER)
    assert d.value == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("z", [complex(5.0, 3.0), complex(5.0, 0.0)])
def test_what_is_no_capacitance_is_refused(z: complex) -> None:
    with pytest.raises(InputError, match="no capacitance"):
        capacitance_and_dissipation(reading(z), METER)


def test_no_dissipation_is_no_leak() -> None:
    assert parallel_resistance(4e-9, 0.0, 100.0) == math.inf
    assert parallel_resistance(4e-9, -1e-4, 100.0) == math.inf
