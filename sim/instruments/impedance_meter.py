"""An LCR meter: settings, time per reading, and how its readings are wrong."""

from __future__ import annotations

import math
from dataclasses import dataclass

from sim.instruments.classes import IMPEDANCE_METERS, ImpedanceMeterClass
from sim.instruments.errors import DATA_OUT_OF_RANGE, SettingError, within
from sim.instruments.session_errors import SmoothProcess, SmoothSurface, even
from sim.instruments.world import World

GOOD, OVER_RANGE, LEVEL_NOT_REACHED, UNSETTLED = 0, 1, 2, 3

SOURCE_OHM = 100.0
_OVER = 9.9e37
_ENDS_AT = 1.2  # a range measures up to this times its name
_SETTLING_S = 10e-3
_SETTLING_PERIODS = 4.0
# A contact that moves the reading by more than this within one aperture shows in the meter's own
# comparison of the averages.
_UNSETTLED_ABOVE = 0.05
_NOISE_OF_BASIC = 0.02  # of the basic figure, relative, in one second of averaging
# The standard deviation of an even spread is 0.577 of its limit; these make it half the relative
# figure and 0.55 of the floor.
_GAIN_SHARE = 0.866
_FLOOR_SHARE = 0.953


@dataclass(frozen=True, slots=True)
class ImpedanceResult:
    """One reading; over range both numbers are 9.9E37 and the status is 1."""

    resistance_ohm: float
    reactance_ohm: float
    status: int


class ImpedanceMeter:
    """Measure what the wiring connects between the meter's high and low terminals."""

    def __init__(self, world: World, class_name: str) -> None:
        self.class_name = class_name
        self.figures: ImpedanceMeterClass = IMPEDANCE_METERS[class_name]
        self._world = world
        streams = world.streams
        self._gain_common = SmoothProcess(streams, "meter-gain", "common")
        # The zero error wanders with what is measured, so shorting the tips takes away only
        # what the short and the specimen share.
        self._floor = SmoothSurface(streams, "meter-floor")
        self._gain_of_range: dict[float, SmoothProcess] = {}
        # What somebody stored in the meter's own correction, with another fixture.
        stale = streams.stream("meter-correction")
        self._stale_ohm = self.figures.fixture_ohm * float(stale.uniform(0.5, 1.5))
        self._stale_h = self.figures.fixture_h * float(stale.uniform(0.5, 1.5))
        self._readings = 0
        self._limits = {
            "frequency_hz": (self.figures.lowest_hz, self.figures.top_hz, 1e3),
            "level_v": (5e-3, self.figures.highest_level_v, 0.5),
            "aperture_s": (5e-3, 2.0, 50e-3),
            "averages": (1.0, 256.0, 1.0),
            "range_ohm": (self.figures.smallest_range_ohm, self.figures.largest_range_ohm, 100.0),
        }
        self.reset()

    def reset(self) -> None:
        """Return to the settings at power-on."""
        with self._world.lock:
            self._frequency_hz = self._limits["frequency_hz"][2]
            self._level_v = self._limits["level_v"][2]
            self._aperture_s = self._limits["aperture_s"][2]
            self._averages = int(self._limits["averages"][2])
            self._correction_on = False
            self._range_auto = True
            self._range_ohm = self._limits["range_ohm"][2]

    def limits(self, name: str) -> tuple[float, float, float]:
        """Give minimum, maximum and default of a setting, named as its property."""
        return self._limits[name]

    @property
    def frequency_hz(self) -> float:
        """Test frequency."""
        return self._frequency_hz

    def set_frequency_hz(self, value: float) -> None:
        """Set the test frequency; raise SettingError outside the class's range."""
        self._frequency_hz = self._checked("frequency_hz", value)

    @property
    def level_v(self) -> float:
        """Test level, rms, open circuit."""
        return self._level_v

    def set_level_v(self, value: float) -> None:
        """Set the test level."""
        self._level_v = self._checked("level_v", value)

    @property
    def aperture_s(self) -> float:
        """Measuring time of one average."""
        return self._aperture_s

    def set_aperture_s(self, value: float) -> None:
        """Set the measuring time of one average."""
        self._aperture_s = self._checked("aperture_s", value)

    @property
    def averages(self) -> int:
        """Averages per reading."""
        return self._averages

    def set_averages(self, value: float) -> None:
        """Set the averages per reading, a whole number."""
        checked = self._checked("averages", value)
        if checked != round(checked):
            raise SettingError(DATA_OUT_OF_RANGE, f"averages {value:g} is not a whole number")
        self._averages = round(checked)

    @property
    def correction_on(self) -> bool:
        """Whether the meter subtracts what is stored in its own correction."""
        return self._correction_on

    def set_correction_on(self, value: bool) -> None:
        """Switch the meter's own correction; what it holds was taken with another fixture."""
        self._correction_on = bool(value)

    @property
    def range_auto(self) -> bool:
        """Whether the meter picks its range."""
        return self._range_auto

    def set_range_auto(self, value: bool) -> None:
        """Let the meter pick its range, or stay on the present one."""
        self._range_auto = bool(value)

    @property
    def range_ohm(self) -> float:
        """The present range, by its upper end."""
        return self._range_ohm

    def set_range_ohm(self, value: float) -> None:
        """Fix the range: the smallest that reaches `value`."""
        checked = self._checked("range_ohm", value)
        self._range_ohm = self._range_for(checked, ends_at=1.0 + 1e-9)
        self._range_auto = False

    def reading_time_s(self) -> float:
        """Give how long one reading takes: settling, then the averages."""
        period = 1.0 / self._frequency_hz
        settling = max(_SETTLING_S, _SETTLING_PERIODS * period)
        return settling + self._averages * max(self._aperture_s, period)

    def measure(self) -> ImpedanceResult:
        """Take one reading; blocks for `reading_time_s` of the clock."""
        world = self._world
        with world.lock:
            world.settle()
            frequency_hz, level_v = self._frequency_hz, self._level_v
            averages, aperture_s = self._averages, max(self._aperture_s, 1.0 / frequency_hz)
            correction_on = self._correction_on
            fixed_ohm = None if self._range_auto else self._range_ohm
            duration_s = self.reading_time_s()
            before = world.disturbances()
            seen = [world.impedance_ohm(frequency_hz)]
        # The contact is looked at in the middle and at the end too: a hand may be moving it.
        for _ in range(2):
            world.clock.sleep_s(0.5 * duration_s)
            with world.lock:
                world.settle()
                if world.disturbances() != before:
                    before = world.disturbances()
                    seen.append(world.impedance_ohm(frequency_hz))
        with world.lock:
            self._readings += 1
            number = self._readings
        true_ohm, unsettled = _average(seen)
        range_ohm = self._range_for(abs(true_ohm)) if fixed_ohm is None else fixed_ohm
        if fixed_ohm is None and math.isfinite(range_ohm):
            self._range_ohm = range_ohm
        if not abs(true_ohm) <= _ENDS_AT * range_ohm or not math.isfinite(range_ohm):
            return ImpedanceResult(_OVER, _OVER, OVER_RANGE)
        value = self._reading_ohm(true_ohm, frequency_hz, range_ohm)
        value += self._noise_ohm(true_ohm, level_v, averages * aperture_s, range_ohm, number)
        if correction_on:
            value -= complex(self._stale_ohm, 2.0 * math.pi * frequency_hz * self._stale_h)
        return ImpedanceResult(value.real, value.imag, UNSETTLED if unsettled else GOOD)

    def gain_limit(self, impedance_ohm: complex, frequency_hz: float, range_ohm: float) -> float:
        """Give the declared limit of the relative error of each component."""
        figures = self.figures
        size = abs(impedance_ohm)
        low = min(figures.low_ohm / size, figures.low_cap) if size > 0.0 else figures.low_cap
        limit = figures.basic * (
            1.0 + low + size / figures.high_ohm + frequency_hz / figures.top_hz
        )
        if range_ohm <= figures.smallest_range_ohm or size == 0.0:
            return limit
        # Far down in a range that was fixed too high the figure is one of the range.
        return limit * max(1.0, 0.1 * range_ohm / size)

    def _reading_ohm(self, true_ohm: complex, frequency_hz: float, range_ohm: float) -> complex:
        own = self._gain_of_range.get(range_ohm)
        if own is None:
            own = SmoothProcess(self._world.streams, "meter-gain", f"{range_ohm:g}")
            self._gain_of_range[range_ohm] = own
        blend = (self._gain_common.at(frequency_hz) + own.at(frequency_hz)) / math.sqrt(2.0)
        gain = _GAIN_SHARE * self.gain_limit(true_ohm, frequency_hz, range_ohm) * even(blend)
        floor = _FLOOR_SHARE * even(self._floor.at(frequency_hz, abs(true_ohm)))
        omega = 2.0 * math.pi * frequency_hz
        return true_ohm * (1.0 + gain) + complex(
            self.figures.floor_ohm * floor.real, omega * self.figures.floor_h * floor.imag
        )

    def _noise_ohm(
        self, true_ohm: complex, level_v: float, time_s: float, range_ohm: float, number: int
    ) -> complex:
        current_a = level_v / abs(SOURCE_OHM + true_ohm)
        size = abs(true_ohm)
        sd_ohm = math.hypot(
            self.figures.voltage_noise_v / current_a,
            size * self.figures.current_noise_a / current_a,
            max(size, 0.01 * range_ohm) * _NOISE_OF_BASIC * self.figures.basic,
        ) / math.sqrt(time_s)
        draw = self._world.streams.stream("meter-noise", number).standard_normal(2)
        return sd_ohm * complex(float(draw[0]), float(draw[1]))

    def _range_for(self, size_ohm: float, ends_at: float = _ENDS_AT) -> float:
        upper = self.figures.smallest_range_ohm
        while upper < self.figures.largest_range_ohm * 0.99:
            if size_ohm <= ends_at * upper:
                return upper
            upper *= 10.0
        return upper

    def _checked(self, name: str, value: float) -> float:
        minimum, maximum, _ = self._limits[name]
        return within(name, value, minimum, maximum)


def _average(seen: list[complex]) -> tuple[complex, bool]:
    """Average what was seen over the aperture, and say whether it moved."""
    if len(seen) == 1:
        return seen[0], False
    admittances = [1.0 / value if value != 0 else complex(math.inf) for value in seen]
    closed = [value for value in seen if math.isfinite(abs(value))]
    if not closed or any(not math.isfinite(abs(y)) for y in admittances):
        return complex(math.inf), True
    # The current through the part is what is lost while a contact is away.
    mean = len(seen) / sum(admittances) if sum(admittances) != 0 else complex(math.inf)
    spread = max(abs(value - mean) for value in closed)
    moved = len(closed) < len(seen) or spread > _UNSETTLED_ABOVE * abs(mean)
    return mean, moved
