"""A part on the bench: the coil, and how warm it is."""

from __future__ import annotations

import math
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

# A moulded part of some 10 mm on short leads in still air (estimates; real parts differ).
THERMAL_OHM_K_PER_W = 40.0
THERMAL_TAU_S = 25.0
_DESTROYED_ABOVE_C = 155.0
_MOST_KNOWN = 256


class CoilLike(Protocol):
    """What the bench needs of a coil."""

    def impedance_ohm(
        self, frequency_hz: NDArray[np.float64], *, bias_a: float = ..., temperature_c: float = ...
    ) -> NDArray[np.complex128]:
        """Give the impedance between the terminals."""

    def dc_resistance_ohm(self, temperature_c: float = ...) -> float:
        """Give the DC resistance between the terminals."""


class Specimen:
    """One coil with a temperature that decays to the ambient's and rises with its losses."""

    def __init__(
        self, name: str, coil: CoilLike, *, ambient_c: float, start_c: float, now_s: float = 0.0
    ) -> None:
        self.name = name
        self.coil = coil
        self._ambient_c = ambient_c
        self._start_c = start_c
        self._since_s = now_s
        self.overheated = False
        self._known_ohm: dict[tuple[float, float, float], complex] = {}

    def temperature_c(self, now_s: float) -> float:
        """Give the temperature when nothing has heated it since the last heating."""
        decay = math.exp(-max(now_s - self._since_s, 0.0) / THERMAL_TAU_S)
        return self._ambient_c + (self._start_c - self._ambient_c) * decay

    def heat(self, power_w: float, begin_s: float, end_s: float) -> None:
        """Dissipate a power over a stretch of time."""
        start_c = self.temperature_c(begin_s)
        final_c = self._ambient_c + power_w * THERMAL_OHM_K_PER_W
        decay = math.exp(-(end_s - begin_s) / THERMAL_TAU_S)
        self._start_c = final_c + (start_c - final_c) * decay
        self._since_s = end_s
        if self._start_c > max(_DESTROYED_ABOVE_C, start_c):
            self.overheated = True

    def dc_resistance_ohm(self, now_s: float) -> float:
        """Give the DC resistance at the present temperature."""
        return self.coil.dc_resistance_ohm(self.temperature_c(now_s))

    def core_ohm(self) -> float:
        """Give the resistance between core and winding; infinite where there is no core."""
        found = getattr(self.coil, "core_insulation_ohm", None)
        return float(found()) if found is not None else math.inf

    def impedance_ohm(self, frequency_hz: float, bias_a: float, now_s: float) -> complex:
        """Give the small-signal impedance at the present temperature and bias.

        Both are taken to a thousandth (of a degree, of an ampere), so that a part at rest is
        worked out once per frequency: one of 45 turns takes milliseconds.
        """
        key = (frequency_hz, round(bias_a, 3), round(self.temperature_c(now_s), 3))
        known = self._known_ohm.get(key)
        if known is None:
            found = self.coil.impedance_ohm(
                np.array([frequency_hz]), bias_a=key[1], temperature_c=key[2]
            )
            known = complex(found[0])
            if len(self._known_ohm) >= _MOST_KNOWN:
                self._known_ohm.clear()
            self._known_ohm[key] = known
        return known
