"""Benches with a part of known resistance and inductance in every position."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from sim.bench import VirtualBench
from sim.clock import Clock, ManualClock
from sim.scenario import load_scenario

COPPER_PER_K = 0.00393  # from memory, near room temperature


class KnownCoil:
    """A resistance in series with an inductance, which the tests know."""

    def __init__(self, ohm: float, henry: float = 0.0, per_k: float = 0.0) -> None:
        self.ohm, self.henry, self.per_k = ohm, henry, per_k

    def dc_resistance_ohm(self, temperature_c: float = 25.0) -> float:
        return self.ohm * (1.0 + self.per_k * (temperature_c - 25.0))

    def impedance_ohm(
        self,
        frequency_hz: NDArray[np.float64],
        *,
        bias_a: float = 0.0,
        temperature_c: float = 25.0,
    ) -> NDArray[np.complex128]:
        omega = 2.0 * np.pi * np.asarray(frequency_hz)
        return np.asarray(self.dc_resistance_ohm(temperature_c) + 1j * omega * self.henry)


MakeBench = Callable[..., VirtualBench]


@pytest.fixture
def make_bench() -> MakeBench:
    """Give a function that sets up a bench; keywords change the scenario."""

    def make(
        ohm: float = 1.0,
        henry: float = 0.0,
        *,
        per_k: float = 0.0,
        scenario: str = "one-coil",
        seed: int = 1,
        meter_class: str | None = None,
        supply: dict[str, Any] | None = None,
        fixture: dict[str, Any] | None = None,
        clock: Clock | None = None,
        **changes: Any,
    ) -> VirtualBench:
        found = load_scenario(scenario)
        if meter_class is not None and found.impedance_meter is not None:
            changes["impedance_meter"] = replace(found.impedance_meter, class_name=meter_class)
        if supply is not None and found.supply is not None:
            changes["supply"] = replace(found.supply, **supply)
        if fixture is not None:
            changes["fixture"] = replace(found.fixture, **fixture)
        found = replace(found, **changes)
        coils = {spec.name: KnownCoil(ohm, henry, per_k) for spec in found.specimens}
        return VirtualBench(found, seed=seed, clock=clock or ManualClock(), coils=coils)

    return make


@pytest.fixture
def copper_per_k() -> float:
    """Give the temperature coefficient of a part of copper."""
    return COPPER_PER_K
