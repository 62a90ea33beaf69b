"""A core that is too small and one that the winding leaks to: what each changes and what not.

Does not cover whether real counterfeit cores keep their inductance so exactly.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from sim.physics.coil import Coil
from sim.physics.construction_file import construction
from sim.physics.faults import CoreLeak, SmallCore


def test_a_core_that_is_too_small_shows_nothing_without_current() -> None:
    healthy = Coil(construction("moulded-4u7"))
    small = healthy.with_fault(SmallCore(0.6))
    frequency = np.array([1e3, 1e5, 1e6])
    np.testing.assert_array_equal(small.impedance_ohm(frequency), healthy.impedance_ohm(frequency))
    # the field in the core is the same at 0.6 of the current
    assert small.saturated_inductance_h(3.0) == pytest.approx(
        healthy.saturated_inductance_h(5.0), rel=1e-12
    )


def test_a_leak_to_the_core_lies_beside_the_enamel_of_all_turns() -> None:
    healthy = Coil(construction("moulded-4u7"))
    # twelve turns of 3 Gohm each in parallel
    assert healthy.core_insulation_ohm() == pytest.approx(250e6)
    leaking = healthy.with_fault(CoreLeak(1e6, 5))
    assert leaking.core_insulation_ohm() == pytest.approx(1.0 / (1 / 250e6 + 1 / 1e6))
    # the core floats: between its terminals the coil is the same but for some 1e-9
    change = leaking.impedance_ohm(1e5) / healthy.impedance_ohm(1e5) - 1
    assert abs(change) < 1e-6
    assert Coil(construction("air-220n")).core_insulation_ohm() == float("inf")


@pytest.mark.parametrize(
    ("fault", "message"),
    [
        (lambda: SmallCore(0.0), "a share is above 0"),
        (lambda: CoreLeak(1e6, 0), "turns count from 1"),
        (lambda: Coil(construction("moulded-4u7"), faults=(CoreLeak(1e6, 13),)), "has 12 turns"),
        (lambda: Coil(construction("air-220n"), faults=(SmallCore(0.5),)), "has no core"),
    ],
)
def test_a_core_fault_that_cannot_be_is_refused(fault: Callable[[], object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        fault()
