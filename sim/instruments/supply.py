"""A bench supply: settings, readback, protection, and the errors of each."""

from __future__ import annotations

import math
from dataclasses import dataclass

from sim.instruments.classes import SUPPLIES, SupplyClass
from sim.instruments.errors import DATA_OUT_OF_RANGE, SettingError, within
from sim.instruments.output_stage import Load, OutputStage, Passage, pass_time
from sim.instruments.session_errors import within_limits
from sim.instruments.world import World
from sim.streams import Streams

_READBACK_S = 10e-3
_WATCHDOG_S = (0.5, 3600.0, 60.0)


@dataclass(frozen=True, slots=True)
class Frozen:
    """Gain and offset of one quantity of one channel, for the session."""

    gain: float
    offset: float

    def apply(self, value: float) -> float:
        """Give what the channel really does, or says, for a value."""
        return value * (1.0 + self.gain) + self.offset


class Channel:
    """One output: what it was told, how it is wrong, and the charge on its capacitor."""

    def __init__(
        self,
        figures: SupplyClass,
        farad: float,
        highest_v: float,
        highest_a: float,
        streams: Streams,
        number: int,
    ) -> None:
        self.figures = figures
        self.farad = farad
        self.highest_v = highest_v
        self.highest_a = highest_a

        def frozen(quantity: str, gain: float, offset: float) -> Frozen:
            return Frozen(
                within_limits(streams, gain, "supply", number, quantity, "gain"),
                within_limits(streams, offset, "supply", number, quantity, "offset"),
            )

        self.sets_v = frozen("sets-v", figures.setting_gain_v, figures.setting_offset_v)
        self.sets_a = frozen("sets-a", figures.setting_gain_a, figures.setting_offset_a)
        self.reads_v = frozen("reads-v", figures.readback_gain_v, figures.readback_offset_v)
        self.reads_a = frozen("reads-a", figures.readback_gain_a, figures.readback_offset_a)
        self.terminal_v = 0.0
        self.restore()

    def restore(self) -> None:
        """Go back to the settings at power-on; the charge stays where it is."""
        self.set_v = 0.0
        self.set_a = min(0.1, self.highest_a)
        self.trip_v = self.highest_trip_v
        self.on = False
        self.tripped = False

    @property
    def highest_trip_v(self) -> float:
        """Highest setting of the over-voltage protection."""
        return 1.1 * self.highest_v

    def stage(self) -> OutputStage:
        """Give the output stage as it really is now."""
        figures = self.figures
        return OutputStage(
            on=self.on,
            # The regulator cannot pull below zero, nor can its limit.
            target_v=max(self.sets_v.apply(self.set_v), 0.0),
            limit_a=max(self.sets_a.apply(self.set_a), 0.0),
            trip_v=self.trip_v,
            output_ohm=figures.output_ohm,
            sink_a=figures.sink_a,
            farad=self.farad,
            bleeder_ohm=figures.bleeder_ohm,
        )

    def pass_time(self, load: Load, duration_s: float) -> Passage:
        """Carry the charge over a stretch of time, and switch off if the protection trips."""
        passage = pass_time(self.stage(), load, self.terminal_v, duration_s)
        self.terminal_v = passage.voltage_v
        if passage.tripped:
            self.on = False
            self.tripped = True
        return passage


class Supply:
    """One or two channels, numbered from 1."""

    def __init__(
        self,
        world: World,
        class_name: str,
        *,
        channels: int = 1,
        output_f: float | None = None,
        highest_v: float | None = None,
        highest_a: float | None = None,
    ) -> None:
        self.class_name = class_name
        self.figures = SUPPLIES[class_name]
        self.channels = channels
        self._world = world
        self._watchdog_on = False
        self._watchdog_s = _WATCHDOG_S[2]
        self._watchdog_expired = False
        self._fed_s = world.clock.now_s()
        self.outputs = [
            Channel(
                self.figures,
                self.figures.output_f if output_f is None else output_f,
                self.figures.highest_v if highest_v is None else highest_v,
                self.figures.highest_a if highest_a is None else highest_a,
                world.streams,
                number,
            )
            for number in range(1, channels + 1)
        ]

    def limits(self, name: str) -> tuple[float, float, float]:
        """Give minimum, maximum and default of a setting, named as its method."""
        first = self.outputs[0]
        return {
            "voltage_v": (0.0, first.highest_v, 0.0),
            "current_a": (0.0, first.highest_a, min(0.1, first.highest_a)),
            "over_voltage_v": (self.figures.step_v, first.highest_trip_v, first.highest_trip_v),
            "watchdog_s": _WATCHDOG_S,
        }[name]

    def reset(self) -> None:
        """Switch every output off and return to the settings at power-on."""
        with self._world.changing("the supply was reset"):
            for channel in self.outputs:
                channel.restore()
            self._watchdog_on = False
            self._watchdog_s = _WATCHDOG_S[2]
            self._watchdog_expired = False

    # The watchdog of the remote control: when nobody speaks any more, outputs go off.

    def watchdog(self) -> bool:
        """Say whether the watchdog is armed."""
        return self._watchdog_on

    def set_watchdog(self, on: bool) -> None:
        """Arm or disarm the watchdog; either way an expiry is forgotten."""
        with self._world.changing("the supply's watchdog was set"):
            self._watchdog_on = on
            self._watchdog_expired = False
            self._fed_s = self._world.settled_s()

    def watchdog_s(self) -> float:
        """Give how long nobody may speak."""
        return self._watchdog_s

    def set_watchdog_s(self, value: float) -> None:
        """Set how long nobody may speak; counted from the last feeding."""
        minimum, maximum, _ = self.limits("watchdog_s")
        checked = within("watchdog delay", value, minimum, maximum)
        with self._world.changing("the supply's watchdog was set"):
            self._watchdog_s = checked

    def feed_watchdog(self) -> None:
        """Start the watchdog's time anew: somebody has spoken."""
        with self._world.lock:
            self._world.settle()  # it may have expired before this
            self._fed_s = self._world.settled_s()

    def watchdog_expired(self) -> bool:
        """Say whether the watchdog has switched outputs off since it was set."""
        self._settled()
        return self._watchdog_expired

    def watchdog_expires_s(self) -> float:
        """Give the time when outputs go off if nobody speaks; infinite if that will not be."""
        if not self._watchdog_on or not any(output.on for output in self.outputs):
            return math.inf
        return self._fed_s + self._watchdog_s

    def expire_watchdog(self) -> None:
        """Switch every output off; for the bench, at the time of `watchdog_expires_s`."""
        for output in self.outputs:
            output.on = False
        self._watchdog_expired = True

    def voltage_v(self, channel: int) -> float:
        """Give the set voltage, as quantised."""
        return self._channel(channel).set_v

    def set_voltage_v(self, channel: int, value: float) -> None:
        """Set the voltage, rounded to the step of the class."""
        output = self._channel(channel)
        checked = _stepped(within("voltage", value, 0.0, output.highest_v), self.figures.step_v)
        with self._world.changing("the supply's voltage was set"):
            output.set_v = checked

    def current_a(self, channel: int) -> float:
        """Give the set current limit, as quantised."""
        return self._channel(channel).set_a

    def set_current_a(self, channel: int, value: float) -> None:
        """Set the current limit, rounded to the step of the class."""
        output = self._channel(channel)
        checked = _stepped(within("current", value, 0.0, output.highest_a), self.figures.step_a)
        with self._world.changing("the supply's current limit was set"):
            output.set_a = checked

    def over_voltage_v(self, channel: int) -> float:
        """Give the voltage above which the output switches itself off."""
        return self._channel(channel).trip_v

    def set_over_voltage_v(self, channel: int, value: float) -> None:
        """Set the over-voltage protection."""
        output = self._channel(channel)
        minimum, maximum, _ = self.limits("over_voltage_v")
        checked = _stepped(within("protection", value, minimum, maximum), self.figures.step_v)
        with self._world.changing("the supply's protection was set"):
            output.trip_v = checked

    def tripped(self, channel: int) -> bool:
        """Say whether the protection has switched the output off."""
        self._settled()
        return self._channel(channel).tripped

    def clear_trip(self, channel: int) -> None:
        """Forget a trip; the output stays off."""
        output = self._channel(channel)
        with self._world.changing("the supply's protection was cleared"):
            output.tripped = False

    def output(self, channel: int) -> bool:
        """Say whether the output is on."""
        self._settled()
        return self._channel(channel).on

    def set_output(self, channel: int, on: bool) -> None:
        """Switch the output; raise SettingError -221 to switch on while a trip stands."""
        output = self._channel(channel)
        with self._world.changing("the supply's output was switched"):
            if on and output.tripped:
                raise SettingError(-221, "the over-voltage protection has tripped: clear it first")
            output.on = on

    def measure_voltage_v(self, channel: int) -> float:
        """Read the terminal voltage back: own errors, quantised, a negative one reads 0."""
        output = self._channel(channel)
        self._wait()
        with self._world.lock:
            true_v = self._world.terminal_voltage_v(channel)
        return max(_stepped(output.reads_v.apply(true_v), self.figures.step_v), 0.0)

    def measure_current_a(self, channel: int) -> float:
        """Read the regulator's current back: own errors, quantised, a negative one reads 0."""
        output = self._channel(channel)
        self._wait()
        with self._world.lock:
            true_a = self._world.regulator_current_a(channel)
        return max(_stepped(output.reads_a.apply(true_a), self.figures.step_a), 0.0)

    def mode(self, channel: int) -> str:
        """Say which limit decides: "off", "cv" or "cc"."""
        output = self._channel(channel)
        self._settled()
        with self._world.lock:
            stage = output.stage()
            if not stage.on:
                return "off"
            return "cc" if stage.limits_current(output.terminal_v) else "cv"

    def _wait(self) -> None:
        self._world.clock.sleep_s(_READBACK_S)
        self._settled()

    def _settled(self) -> None:
        with self._world.lock:
            self._world.settle()

    def _channel(self, number: int) -> Channel:
        if number not in range(1, self.channels + 1):
            raise SettingError(
                DATA_OUT_OF_RANGE, f"channel {number} is outside 1 to {self.channels}"
            )
        return self.outputs[number - 1]


def _stepped(value: float, step: float) -> float:
    # Multiplying by the step would give 0.30000000000000004 for 300 steps of a millivolt.
    return round(round(value / step) * step, 3 - math.floor(math.log10(step)))
