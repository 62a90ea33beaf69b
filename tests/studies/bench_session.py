"""Draw the instruments of one session and let them read: supply, multimeter, resistors, fixture.

A session is one person at one bench on one day: gains, zeros and resistors keep their errors,
readings scatter. The errors are drawn inside the figures of the simulator's instrument classes
(`sim.instruments.classes`), so that what metrology states is held against figures that it does not
share. Does not cover: settling, hum, drift, wrong connections.
"""

from __future__ import annotations

import math

import numpy as np

from labbench.metrology.accuracy import MULTIMETER_CLASSES, SUPPLY_CLASSES
from sim.circuit import CurrentSource, Element, Series, Shunt
from sim.instruments.classes import MULTIMETERS, SUPPLIES

RANGES_V = (0.1, 1.0, 10.0, 100.0)
#: a reading below this share of a range is taken in it
_SHARE = 0.9
#: what the fixture leaks at 10 V between the steps' terminals (A); invented, as the simulator's jig
_FIXTURE_A = (20e-12, 100e-12)
_RESISTOR = {100.0: 1e-2, 22.0: 1e-2, 430.0: 1e-2, 4.7: 1e-2}
_RESISTOR_ELSE = 1e-3
_CONTACT_OHM = 1e-3


class Session:
    """Hold one session's instruments with their errors."""

    def __init__(
        self, rng: np.random.Generator, *, multimeter: str = "6.5-digit", supply: str = "1mV-1mA"
    ) -> None:
        self.rng = rng
        self.meter, self.supply = MULTIMETERS[multimeter], SUPPLIES[supply]
        self.meter_accuracy = MULTIMETER_CLASSES[multimeter]
        self.supply_accuracy = SUPPLY_CLASSES[supply]
        self._gain = self._within(self.meter.gain)
        self._zero_v = {r: self._within(self._zero_limit_v(r)) for r in RANGES_V}
        self.meter_ohm = self.meter.input_ohm * (1.0 + self._within(self.meter.input_spread))
        self.bias_a = self._within(self.meter.bias_a)
        s = self.supply
        self._set_v = self._within(s.setting_gain_v), self._within(s.setting_offset_v)
        self._set_a = self._within(s.setting_gain_a), self._within(s.setting_offset_a)
        self._read_v = self._within(s.readback_gain_v), self._within(s.readback_offset_v)
        self._read_a = self._within(s.readback_gain_a), self._within(s.readback_offset_a)
        self._resistors: dict[float, float] = {}
        self.fixture_s = float(rng.uniform(*_FIXTURE_A)) / 10.0
        #: room, and what the thermometer beside the bench says
        self.room_c = float(rng.uniform(23.0, 27.0))
        self.shown_c = round(2.0 * (self.room_c + self._within(1.0))) / 2.0

    def _within(self, limit: float) -> float:
        return float(self.rng.uniform(-limit, limit))

    def _zero_limit_v(self, range_v: float) -> float:
        above = range_v if range_v > RANGES_V[0] else 0.0
        return self.meter.offset_v + self.meter.offset_of_range * above

    def resistor(self, nominal_ohm: float) -> float:
        """Give the true value of a resistor of the fixture (ohm)."""
        if nominal_ohm not in self._resistors:
            limit = _RESISTOR.get(nominal_ohm, _RESISTOR_ELSE)
            self._resistors[nominal_ohm] = nominal_ohm * (1.0 + self._within(limit))
        return self._resistors[nominal_ohm]

    def contact_ohm(self) -> float:
        """Draw the resistance of a contact, anew at each placement (ohm)."""
        return _CONTACT_OHM * float(np.exp(0.3 * self.rng.standard_normal()))

    def range_v(self, volts: float) -> float:
        """Choose the multimeter's range (V)."""
        return next((r for r in RANGES_V if _SHARE * r >= abs(volts)), RANGES_V[-1])

    def reads_v(self, volts: float, *, range_v: float | None = None) -> float:
        """Let the multimeter read (V)."""
        upper = self.range_v(volts) if range_v is None else range_v
        noise = self.meter.noise_v * (1.0 if upper <= 0.1 else max(1.0, upper))
        shown = volts * (1.0 + self._gain) + self._zero_v[upper]
        shown += noise * float(self.rng.standard_normal())
        step = upper / self.meter.counts
        return round(shown / step) * step

    def supply_v(self, wanted_v: float) -> float:
        """Give what the supply really puts out when told so many volts."""
        told = round(wanted_v / self.supply.step_v) * self.supply.step_v
        return max(0.0, told * (1.0 + self._set_v[0]) + self._set_v[1])

    def supply_a(self, wanted_a: float) -> float:
        """Give the current at which the supply really limits."""
        told = round(wanted_a / self.supply.step_a) * self.supply.step_a
        return max(0.0, told * (1.0 + self._set_a[0]) + self._set_a[1])

    def reads_supply_v(self, volts: float) -> float:
        """Let the supply read its voltage back (V)."""
        shown = volts * (1.0 + self._read_v[0]) + self._read_v[1]
        return max(0.0, round(shown / self.supply.step_v) * self.supply.step_v)

    def reads_supply_a(self, amperes: float) -> float:
        """Let the supply read its current back (A); it shows nothing negative."""
        shown = amperes * (1.0 + self._read_a[0]) + self._read_a[1]
        return max(0.0, round(shown / self.supply.step_a) * self.supply.step_a)

    def source(self, node: str, volts: float) -> Element:
        """Make the supply's output at a node; `volts` signed."""
        return Series(f"supply-{node}", node, "0", self.supply.output_ohm, volts=volts)

    def through(self, nominal_ohm: float, one: str, other: str) -> list[Element]:
        """Join two nodes by a resistor with the multimeter across; infinite: the meter alone."""
        elements: list[Element] = [
            Shunt("meter", one, other, 1.0 / self.meter_ohm),
            CurrentSource("bias", other, one, self.bias_a),
        ]
        if math.isfinite(nominal_ohm):
            elements.append(Series("series", one, other, self.resistor(nominal_ohm)))
        return elements

    def across(self, one: str, other: str) -> list[Element]:
        """Join the multimeter to two nodes."""
        return self.through(math.inf, one, other)
