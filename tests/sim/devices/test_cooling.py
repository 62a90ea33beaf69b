"""A part that cools after it was lifted, and warms by its own losses.

Does not cover how real parts cool: time constants are estimates.
"""

from __future__ import annotations

import math

import pytest

from sim.physics.devices.cooling import Cooling


def lifted(**changes: float) -> Cooling:
    settings = {"ambient_c": 25.0, "start_c": 200.0, "tau_s": 16.0, "ohm_k_per_w": 45.0} | changes
    return Cooling(**settings)


# t = tau ln(dT0/dTol): 200 C to within 2 K takes 4.3 time constants when the room has 25 C.
def test_a_lifted_part_reaches_the_room_by_a_logarithm() -> None:
    part = lifted()
    wait = part.time_to_within_s(2.0, 0.0)
    assert wait == pytest.approx(16.0 * math.log(175 / 2), rel=1e-12)
    assert part.temperature_c(wait) == pytest.approx(27.0, abs=1e-9)
    assert part.time_to_within_s(2.0, wait + 1.0) == 0.0


def test_losses_warm_a_part_towards_their_final_temperature() -> None:
    part = lifted(start_c=25.0)
    part.heat(0.1, 0.0, 16.0)
    assert part.temperature_c(16.0) == pytest.approx(25.0 + 4.5 * (1 - math.exp(-1)), rel=1e-12)
    part.heat(0.1, 16.0, 1600.0)
    assert part.temperature_c(1600.0) == pytest.approx(29.5, rel=1e-9)
    assert part.temperature_c(1616.0) == pytest.approx(25.0 + 4.5 * math.exp(-1), rel=1e-6)


def test_heating_in_pieces_is_heating_at_once() -> None:
    whole, pieces = lifted(), lifted()
    whole.heat(0.5, 1.0, 4.0)
    for begin in (1.0, 2.0, 3.0):
        pieces.heat(0.5, begin, begin + 1.0)
    assert pieces.temperature_c(9.0) == pytest.approx(whole.temperature_c(9.0), rel=1e-12)


def test_the_hottest_moment_is_kept() -> None:
    part = lifted(start_c=25.0)
    part.heat(10.0, 0.0, 100.0)
    hottest = part.temperature_c(100.0)
    part.heat(0.0, 100.0, 300.0)
    assert part.hottest_c == pytest.approx(hottest)


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(ValueError, match="above zero"):
        lifted(tau_s=0.0)
    with pytest.raises(ValueError, match="ends before"):
        lifted().heat(1.0, 2.0, 1.0)
    with pytest.raises(ValueError, match="never"):
        lifted().time_to_within_s(0.0, 0.0)
