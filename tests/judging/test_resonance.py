"""Self-resonance in a sweep: crossed, drawn on, bounded.

The check value is a closed form. Not covered: coils with several resonances.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import pytest

from labbench.judging.resonance import resonance_text, self_resonance
from labbench.results import Impedance


def sweep(
    henry: float, farad: float, ohm: float, frequencies_hz: Sequence[float],
    missing: Sequence[float] = (),
) -> Impedance:  # fmt: skip
    resistance: list[float | None] = []
    reactance: list[float | None] = []
    for f in frequencies_hz:
        w = 2 * math.pi * f
        z = 1 / (1 / complex(ohm, w * henry) + 1j * w * farad)
        resistance.append(None if f in missing else z.real)
        reactance.append(None if f in missing else z.imag)
    u = tuple(None if x is None else 1e-3 for x in reactance)
    return Impedance(tuple(frequencies_hz), tuple(resistance), tuple(reactance), u, u)


def test_ten_microhenry_and_ten_picofarad_resonate_where_the_textbook_says() -> None:
    # 1/(2 pi sqrt(L C)) = 15.9154943 MHz, the definition
    found = self_resonance(sweep(10e-6, 10e-12, 0.01, (1e6, 10e6, 30e6)))
    assert found is not None
    assert found.known == "crossed"
    assert found.frequency_hz == pytest.approx(15.9154943e6, rel=1e-4)
    assert resonance_text(found) == "15.9 MHz"


def test_a_sweep_that_ends_before_it_draws_the_line_on_where_it_has_begun_to_rise() -> None:
    # at a third of it the inductance has risen by an eighth: 1/(1 - 1/9)
    found = self_resonance(sweep(100e-6, 28.1e-12, 1.0, (1e4, 1e5, 1e6)))
    assert found is not None
    assert found.known == "about"
    assert found.frequency_hz == pytest.approx(3.0e6, rel=0.01)
    assert resonance_text(found) == "about 3 MHz"


def test_far_below_it_only_a_bound_is_told() -> None:
    found = self_resonance(sweep(4.7e-6, 10e-12, 0.02, (1e4, 1e5, 1e6)))
    assert resonance_text(found) == "above 1 MHz"


def test_a_point_beyond_the_range_is_passed_over() -> None:
    found = self_resonance(sweep(100e-6, 28.1e-12, 1.0, (1e5, 1e6, 3e6, 5e6), missing=(3e6,)))
    assert found is not None
    assert (found.known, found.frequency_hz) == ("crossed", pytest.approx(3.0e6, rel=0.01))


@pytest.mark.parametrize("frequencies", [(1e5,), (20e6, 30e6)])
def test_one_point_or_a_capacitor_tells_nothing(frequencies: tuple[float, ...]) -> None:
    found = self_resonance(sweep(10e-6, 10e-12, 0.01, frequencies))
    assert found is None
    assert resonance_text(found) == ""
    assert self_resonance(None) is None
