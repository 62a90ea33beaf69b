"""How warm a part is: just lifted it cools towards the room, and its own losses warm it.

One time constant to the surroundings, as a part that lies bare in its jig has (of 10 to 25 s
for a package of 5 mm by 6 mm, of about a minute on a fixture that holds heat: estimates).
"""

from __future__ import annotations

import math

THERMAL_OHM_K_PER_W = 45.0
THERMAL_TAU_S = 16.0


class Cooling:
    """The temperature of one part over simulated time."""

    def __init__(
        self,
        *,
        ambient_c: float,
        start_c: float,
        now_s: float = 0.0,
        tau_s: float = THERMAL_TAU_S,
        ohm_k_per_w: float = THERMAL_OHM_K_PER_W,
    ) -> None:
        if not (tau_s > 0 and ohm_k_per_w > 0):
            raise ValueError("time constant and thermal resistance must be above zero")
        self._ambient_c = ambient_c
        self._from_c = start_c
        self._since_s = now_s
        self._tau_s = tau_s
        self._ohm_k_per_w = ohm_k_per_w
        self.hottest_c = start_c

    def temperature_c(self, now_s: float) -> float:
        """Give the temperature when nothing has warmed the part since it was last heated."""
        decay = math.exp(-max(now_s - self._since_s, 0.0) / self._tau_s)
        return self._ambient_c + (self._from_c - self._ambient_c) * decay

    def heat(self, power_w: float, begin_s: float, end_s: float) -> None:
        """Dissipate a power over a stretch of time."""
        if end_s < begin_s:
            raise ValueError(f"heating from {begin_s} s ends before, at {end_s} s")
        begin_c = self.temperature_c(begin_s)
        final_c = self._ambient_c + power_w * self._ohm_k_per_w
        decay = math.exp(-(end_s - begin_s) / self._tau_s)
        self._from_c = final_c + (begin_c - final_c) * decay
        self._since_s = end_s
        self.hottest_c = max(self.hottest_c, self._from_c)

    def time_to_within_s(self, difference_k: float, now_s: float) -> float:
        """Give how long it takes until the part is so near to the room: tau ln(dT0/dT)."""
        if difference_k <= 0:
            raise ValueError("a part never reaches the temperature of the room exactly")
        apart = abs(self.temperature_c(now_s) - self._ambient_c)
        return self._tau_s * math.log(apart / difference_k) if apart > difference_k else 0.0
