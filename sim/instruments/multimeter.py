"""A multimeter: volts by integration, ohms by a test current, and the errors of both."""

from __future__ import annotations

import math
from dataclasses import dataclass

from sim.circuit import CurrentSource, Element, Shunt
from sim.instruments.classes import MULTIMETERS, MultimeterClass
from sim.instruments.errors import DATA_OUT_OF_RANGE, SettingError, within
from sim.instruments.session_errors import within_limits
from sim.instruments.world import World

VOLTAGE, RESISTANCE, FOUR_WIRE = "voltage", "resistance", "four-wire-resistance"
FUNCTIONS = (VOLTAGE, RESISTANCE, FOUR_WIRE)

VOLT_RANGES = (0.1, 1.0, 10.0, 100.0, 1000.0)
# Nominal end of an ohm range and its test current.
OHM_RANGES = {
    100.0: 1e-3,
    1e3: 1e-3,
    10e3: 100e-6,
    100e3: 10e-6,
    1e6: 5e-6,
    10e6: 500e-9,
    100e6: 50e-9,
}
# What a current source can push to, and what leaks past it.
COMPLIANCE_V = 10.0
SOURCE_SIEMENS = 1e-11
# Sense terminals that nothing is tied to follow the input terminals.
SENSE_OHM = 100e3

_NPLC = (0.02, 100.0, 1.0)
_DRIFT_PERIODS_S = (170.0, 610.0, 1900.0)


@dataclass(slots=True)
class _Setting:
    range: float
    auto: bool = True
    nplc: float = _NPLC[2]


class Multimeter:
    """Measure between the terminals MH and ML (in four-wire ohms between XH and XL)."""

    def __init__(self, world: World, class_name: str, *, mains_hz: float) -> None:
        self.class_name = class_name
        self.figures: MultimeterClass = MULTIMETERS[class_name]
        self.mains_hz = mains_hz
        self._world = world
        figures, streams = self.figures, world.streams
        self.input_ohm = figures.input_ohm * (
            1.0 + within_limits(streams, figures.input_spread, "multimeter", "input")
        )
        self.bias_a = within_limits(streams, figures.bias_a, "multimeter", "bias")
        self._phases = streams.stream("multimeter", "drift").uniform(0.0, 2.0 * math.pi, 3)
        self._readings = 0
        self._restore()

    def _restore(self) -> None:
        self._function = VOLTAGE
        self._settings = {
            VOLTAGE: _Setting(10.0),
            RESISTANCE: _Setting(1e3),
            FOUR_WIRE: _Setting(1e3),
        }

    def reset(self) -> None:
        """Return to volts, automatic range, one mains period."""
        with self._world.changing("the multimeter was reset"):
            self._restore()

    def limits(self, name: str, function: str | None = None) -> tuple[float, float, float]:
        """Give minimum, maximum and default of "range" (of a function) or "nplc"."""
        if name == "nplc":
            return _NPLC
        ranges = _ranges(self._named(function))
        return {"range": (ranges[0], ranges[-1], 10.0 if ranges is VOLT_RANGES else 1e3)}[name]

    @property
    def function(self) -> str:
        """What is measured: "voltage", "resistance" or "four-wire-resistance"."""
        return self._function

    def set_function(self, function: str) -> None:
        """Choose what is measured; raise SettingError for an unknown function."""
        self._named(function)
        with self._world.changing("the multimeter's function was set"):
            self._function = function

    @property
    def range(self) -> float:
        """Nominal end of the present range of the present function."""
        return self.range_of(self._function)

    @property
    def nplc(self) -> float:
        """Integration time of the present function in mains periods."""
        return self.nplc_of(self._function)

    def range_of(self, function: str) -> float:
        """Give the nominal end of a function's present range."""
        return self._settings[self._named(function)].range

    def range_auto(self, function: str | None = None) -> bool:
        """Say whether a function (the present one) picks its own range."""
        return self._settings[self._named(function)].auto

    def nplc_of(self, function: str) -> float:
        """Give a function's integration time in mains periods."""
        return self._settings[self._named(function)].nplc

    def set_range(self, value: float | None, function: str | None = None) -> None:
        """Fix the smallest range that reaches `value`, or pick automatically with None."""
        setting = self._settings[self._named(function)]
        if value is None:
            with self._world.changing("the multimeter's range was set"):
                setting.auto = True
            return
        ranges = _ranges(self._named(function))
        within("range", value, 0.0, ranges[-1])
        with self._world.changing("the multimeter's range was set"):
            setting.range = next(end for end in ranges if value <= end * (1.0 + 1e-9))
            setting.auto = False

    def fix_range(self, function: str | None = None) -> None:
        """Stay on the present range."""
        self._settings[self._named(function)].auto = False

    def set_nplc(self, value: float, function: str | None = None) -> None:
        """Set the integration time in mains periods."""
        self._settings[self._named(function)].nplc = within("NPLC", value, _NPLC[0], _NPLC[1])

    def reading_time_s(self) -> float:
        """Give how long one reading takes on a settled range: the input, then the zero."""
        return 2.0 * self.nplc / self.mains_hz

    def measure(self) -> float | None:
        """Take one reading in V or ohm; None when it is over range."""
        function = self._function
        setting = self._settings[function]
        ranges = _ranges(function)
        if not setting.auto:
            return self._reading(function, setting)
        # Upwards while it is over range, downwards while a tenth would do; each try takes time.
        for _ in range(2 * len(ranges)):
            place = ranges.index(setting.range)
            value = self._reading(function, setting)
            if value is None:
                if place == len(ranges) - 1:
                    return None
                self._move(setting, ranges[place + 1])
            elif place > 0 and abs(value) < 0.95 * ranges[place - 1]:
                self._move(setting, next(end for end in ranges if abs(value) < 0.95 * end))
            else:
                return value
        return value

    def elements(self) -> list[Element]:
        """Give what the meter puts into a DC circuit."""
        found: list[Element] = [
            Shunt("multimeter-sense-high", "XH", "MH", 1.0 / SENSE_OHM),
            Shunt("multimeter-sense-low", "XL", "ML", 1.0 / SENSE_OHM),
        ]
        if self._function == VOLTAGE:
            found.append(Shunt("multimeter-input", "MH", "ML", 1.0 / self.input_ohm))
            found.append(CurrentSource("multimeter-bias", "MH", "ML", self.bias_a))
        else:
            found.append(Shunt("multimeter-input", "MH", "ML", SOURCE_SIEMENS))
            found.append(CurrentSource("multimeter-source", "MH", "ML", self.test_current_a()))
        return found

    def at_compliance(self) -> list[Element]:
        """Give what the meter puts into a DC circuit once its source has run out of voltage."""
        current_a, siemens = self.test_current_a(), self.test_current_a() / (0.01 * COMPLIANCE_V)
        return [
            Shunt("multimeter-sense-high", "XH", "MH", 1.0 / SENSE_OHM),
            Shunt("multimeter-sense-low", "XL", "ML", 1.0 / SENSE_OHM),
            Shunt("multimeter-input", "MH", "ML", siemens),
            CurrentSource("multimeter-source", "MH", "ML", siemens * COMPLIANCE_V + current_a),
        ]

    def ac_elements(self) -> list[Element]:
        """Give what the meter puts into an AC circuit."""
        siemens = 1.0 / self.input_ohm if self._function == VOLTAGE else SOURCE_SIEMENS
        return [Shunt("multimeter-input", "MH", "ML", siemens, self.figures.input_f)]

    def test_current_a(self) -> float:
        """Give the nominal test current of the present ohm range."""
        return OHM_RANGES[self._settings[self._function].range]

    def _reading(self, function: str, setting: _Setting) -> float | None:
        world, window_s = self._world, setting.nplc / self.mains_hz
        with world.lock:
            world.settle()
            # The clock goes on while the circuit is settled: an integral belongs to its own time.
            began_s, began_vs = world.settled_s(), world.meter_integral_vs()
        world.clock.sleep_s(window_s)
        with world.lock:
            world.settle()
            passed_s = world.settled_s() - began_s
            mean_v = (
                (world.meter_integral_vs() - began_vs) / passed_s
                if passed_s > 0.0
                else world.meter_voltage_v()
            )
            self._readings += 1
            number = self._readings
        world.clock.sleep_s(window_s)
        mean_v += self._wander_v(setting.nplc, number, began_s)
        if function == VOLTAGE:
            return self._as_shown(self._volts(mean_v, setting.range), setting.range)
        return self._as_shown(self._ohms(mean_v, setting.range), setting.range)

    def _volts(self, mean_v: float, upper_v: float) -> float:
        streams, figures = self._world.streams, self.figures
        name = f"{upper_v:g} V"
        gain = within_limits(streams, figures.gain, "multimeter", name, "gain")
        return mean_v * (1.0 + gain) + within_limits(
            streams, self.offset_limit_v(upper_v), "multimeter", name, "offset"
        )

    def _ohms(self, mean_v: float, upper_ohm: float) -> float:
        streams, figures = self._world.streams, self.figures
        name, current_a = f"{upper_ohm:g} ohm", OHM_RANGES[upper_ohm]
        gain = within_limits(streams, figures.ohms_gain, "multimeter", name, "gain")
        offset_v = within_limits(
            streams, self.offset_limit_v(upper_ohm * current_a), "multimeter", name, "offset"
        )
        return (mean_v * (1.0 + gain) + offset_v) / current_a

    def offset_limit_v(self, upper_v: float) -> float:
        """Give the declared limit of the zero error on a range that ends at `upper_v`."""
        above = max(upper_v - VOLT_RANGES[0], 0.0)
        return self.figures.offset_v + self.figures.offset_of_range * above

    def _wander_v(self, nplc: float, number: int, now_s: float) -> float:
        """Give noise, mains pickup and the slow drift of the zero."""
        figures = self.figures
        draw = self._world.streams.stream("multimeter-noise", number)
        noise_v = figures.noise_v / math.sqrt(nplc) * float(draw.standard_normal())
        # Integration over whole mains periods takes the pickup away (a sinc response).
        left = abs(math.sin(math.pi * nplc) / (math.pi * nplc))
        hum_v = figures.hum_v * left * math.sin(float(draw.uniform(0.0, 2.0 * math.pi)))
        drift_v = sum(
            math.sin(2.0 * math.pi * now_s / period + float(phase))
            for period, phase in zip(_DRIFT_PERIODS_S, self._phases, strict=True)
        )
        return noise_v + hum_v + figures.drift_v * drift_v / 3.0

    def _as_shown(self, value: float, upper: float) -> float | None:
        if abs(value) > self.figures.over_range * upper:
            return None
        count = upper / self.figures.counts
        return round(value / count) * count

    def _move(self, setting: _Setting, upper: float) -> None:
        with self._world.changing("the multimeter changed its range"):
            setting.range = upper

    def _named(self, function: str | None) -> str:
        if function is None:
            return self._function
        if function not in FUNCTIONS:
            raise SettingError(DATA_OUT_OF_RANGE, f'there is no function "{function}"')
        return function


def _ranges(function: str) -> tuple[float, ...]:
    return VOLT_RANGES if function == VOLTAGE else tuple(OHM_RANGES)
