"""Stand in for a bench with a power stage in its jig: closed forms of the crudest kind.

Between terminals there are resistors, the driver sleeps or takes a fixed current, a switch is a
resistance. What a hookup joins decides which of that is in the circuit.
"""

from __future__ import annotations

import math

import numpy as np

from labbench.procedures.switch.hookups import METER_OHM
from tests.doubles import ManualClock
from tests.switch_doubles import SwitchWorld, _root

ORDER = ("vin", "sw", "pgnd", "vdrv", "boot", "pwm", "en")
_LEADS_OHM, _DRIVER_OHM, _RETURN_OHM = 0.03, 22.0, 10e3


class StagePart:
    """Hold a stage by its few numbers; every one may be made that of a fault."""

    def __init__(self) -> None:
        self.network = {
            ("vin", "pgnd"): 2.1e6, ("sw", "pgnd"): 390e3, ("vdrv", "pgnd"): 450e3,
            ("boot", "sw"): 90e3, ("pwm", "pgnd"): 150e3, ("en", "pgnd"): 210e3,
        }  # fmt: skip
        self.hs_ohm = 1.5e9
        self.diode_a = 2e-12
        self.standby_a, self.active_a = 86e-6, 2.06e-3
        self.rising_v, self.falling_v = 3.9, 3.5
        self.on_ohm = {"sw-pgnd": 2.4e-3, "vin-sw": 6.8e-3}
        #: a switch that conducts with pwm open
        self.stuck: str | None = None
        self.turned = False

    def between(self, one: str, other: str) -> float:
        """Give the resistance between two terminals as the jig names them (ohm)."""
        if self.turned:
            one, other = (ORDER[-1 - ORDER.index(name)] for name in (one, other))
        matrix = np.zeros((7, 7))
        for (a, b), ohm in {**self.network, ("vin", "sw"): self.hs_ohm}.items():
            i, j = ORDER.index(a), ORDER.index(b)
            matrix[[i, j], [i, j]] += 1.0 / ohm
            matrix[[i, j], [j, i]] -= 1.0 / ohm
        inverse = np.linalg.pinv(matrix, rcond=1e-14)
        i, j = ORDER.index(one), ORDER.index(other)
        return float(inverse[i, i] + inverse[j, j] - 2 * inverse[i, j])


class StageWorld(SwitchWorld):
    """Hold the circuit of a stage; remember what was too much."""

    def __init__(self, clock: ManualClock) -> None:
        super().__init__(clock)
        self.stage = StagePart()
        self.awake = False
        #: the largest voltage of channel 1 while the driver was fed, with no resistor before vin
        self.most_vin_while_driven_v = 0.0
        #: hookups that saw more than 0.2 V
        self.above_free: list[str] = []
        self.boot_charged = False

    def solve(self) -> tuple[float, float, float]:
        """Give supply voltage, supply current and what the multimeter shows (V, A, V)."""
        self.on_solve()
        name = (self.hookup or "stage-bleed").removesuffix("-bleed")
        if (self.hookup or "").endswith("-bleed"):
            self.boot_charged = False
        one, two = self.channel[1], self.channel[2]
        fed = two if name.startswith(("stage-on-ls", "stage-on-hs", "stage-tri", "stage-pwm")) and (
            not name.endswith("-one")
        ) else one  # fmt: skip
        drives = name.startswith(("stage-drive", "stage-on", "stage-tri", "stage-pwm"))
        driver_v = fed.volts if fed.on and drives else 0.0
        self.awake = driver_v > (self.stage.falling_v if self.awake else self.stage.rising_v)
        if driver_v > 1.0:
            self.boot_charged = True
        if max(one.volts if one.on else 0.0, driver_v) > 0.21 and name not in self.above_free:
            self.above_free.append(name)
        if not one.on and not (name.startswith("stage-drive") and two.on):
            return one.left_v, 0.0, 0.0
        volts = one.volts
        if name.startswith(("stage-short", "stage-grade")):
            return self._pair(name, volts, one.amps)
        if name.startswith("stage-diode"):
            return self._diode(volts)
        if name == "stage-hs-leak":
            amps = volts / (self.stage.hs_ohm + _RETURN_OHM)
            beside = 1.0 / (1.0 / _RETURN_OHM + 1.0 / self.stage.network["sw", "pgnd"])
            return volts, amps, amps / (1.0 / beside + 1.0 / METER_OHM)
        if name.startswith(("stage-ls-leak", "stage-vin-leak")):
            return self._leak(name, volts)
        if name.startswith("stage-drive"):
            return self._driver(name, volts)
        if name == "stage-pwm-1k":
            amps = (volts - 1.55) / 18e3
            return volts, amps, amps * 1e3
        if name.startswith("stage-on"):
            self.most_vin_while_driven_v = max(self.most_vin_while_driven_v, volts)
            return self._on(name, volts, one.amps)
        return self._tri(name, volts)

    def _pair(self, name: str, volts: float, limit_a: float) -> tuple[float, float, float]:
        _, kind, a, b = name.split("-")
        ohm = self.stage.between(a, b)
        if kind == "grade":
            amps = min(volts / (ohm + _LEADS_OHM), limit_a)
            return amps * (ohm + _LEADS_OHM), amps, amps * ohm
        amps = volts / (ohm + 100.0)
        return volts, amps, amps * 100.0

    def _diode(self, volts: float) -> tuple[float, float, float]:
        def left(v: float) -> float:
            return (volts - v) / 430.0 - self.stage.diode_a * math.expm1(min(v / 0.026, 60.0))

        v = _root(left, volts)
        return volts, (volts - v) / 430.0, v

    def _leak(self, name: str, volts: float) -> tuple[float, float, float]:
        series = 1e5 if name.endswith("100k") else 1e4
        network = self.stage.network
        siemens = 1.0 / network["vin", "pgnd"]
        if "ls" in name:
            siemens += 1.0 / network["sw", "pgnd"]
        else:
            siemens += 1.0 / self.stage.hs_ohm
        across = volts / (1.0 + 1.0 / (series * siemens))
        return volts, across / series, across

    def _taken_a(self, name: str) -> float:
        if not self.awake:
            return 8e-6
        return self.stage.standby_a if name == "stage-drive-off" else self.stage.active_a

    def _driver(self, name: str, volts: float) -> tuple[float, float, float]:
        amps = self._taken_a(name)
        if name == "stage-drive-en-volts":
            return volts, amps, 1.55 if self.awake else 0.0
        return volts, amps, amps * _DRIVER_OHM

    def _on(self, name: str, volts: float, limit_a: float) -> tuple[float, float, float]:
        path = "sw-pgnd" if "on-ls" in name else "vin-sw"
        other = "vin-sw" if path == "sw-pgnd" else "sw-pgnd"
        on = self.awake and self.stage.stuck != other
        ohm = self.stage.on_ohm[path] if on else 1e6
        series = 4.7 if name.endswith("-one") else _LEADS_OHM
        amps = min(volts / (series + ohm), limit_a)
        return min(volts, amps * (series + ohm)), amps, amps * ohm

    def _tri(self, name: str, volts: float) -> tuple[float, float, float]:
        path = "sw-pgnd" if "-ls" in name else "vin-sw"
        ohm = 5e-3 if self.awake and self.stage.stuck == path else 1.9e6
        series = 1e4 if "10k" in name or name.endswith("-one") else 100.0
        amps = volts / (series + ohm)
        return volts, amps, amps * series
