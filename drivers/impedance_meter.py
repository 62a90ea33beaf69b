"""Drive an LCR meter: one complex impedance at one frequency at a time."""

from __future__ import annotations

__all__ = ["ScpiImpedanceMeter", "reading_deadline_s"]

from attrs import frozen

from drivers.dialect_roles import ImpedanceMeterDialect
from drivers.impedance_forms import series_form
from drivers.instrument import LinkedInstrument
from drivers.reply_shapes import Reply
from drivers.scpi import Number, format_number
from labbench.errors import InputError, SettingNotTaken
from labbench.ports import (
    ImpedanceConditions,
    ImpedanceReading,
    Status,
)


@frozen
class _Point:
    frequency_hz: float
    level_v: float
    aperture_s: float
    averages: int


def reading_deadline_s(dialect: ImpedanceMeterDialect, conditions: ImpedanceConditions) -> float:
    """Give the longest wait for one reading (s), as it follows from its settings.

    One deadline for everything is a known cause of failed averaged sweeps.
    """
    timing = dialect.timing
    one = conditions.aperture_s + timing.settling_periods / conditions.frequency_hz
    return timing.reading_factor * conditions.averages * one + timing.reading_margin


class ScpiImpedanceMeter(LinkedInstrument[ImpedanceMeterDialect]):
    """Measure complex impedances with an LCR meter over SCPI."""

    role = "impedance_meter"

    _range_hz: tuple[float, float]
    _prepared = False
    _point: _Point | None = None

    @property
    def frequency_range_hz(self) -> tuple[float, float]:
        """Tell the lowest and highest frequency (Hz), as read at opening."""
        return self._range_hz

    def prepare(self) -> None:
        """Set quantity, immediate trigger, own correction off, automatic range; read them back."""
        commands = self._dialect.commands
        with self._session.held():
            self._send(commands.set_trigger_immediate)
            self._send(commands.set_quantity)
            for setting in commands.fixed:
                self._send(setting.set)
            if commands.set_own_correction_off is not None:
                self._send(commands.set_own_correction_off)
            if commands.set_range_automatic is not None:
                self._send(commands.set_range_automatic)
            self._verify_common()
            self._prepared = True

    def set_point(
        self, *, frequency_hz: float, level_v: float, aperture_s: float, averages: int
    ) -> ImpedanceConditions:
        """Set one point and return what was read back; raise SettingNotTaken on a difference."""
        if not (frequency_hz > 0 and level_v > 0 and aperture_s > 0 and averages >= 1):
            raise InputError(
                f"{self.name}: no point to measure at: {frequency_hz=}, {level_v=}, {aperture_s=}, "
                f"{averages=}",
                hint="all of them must be above zero",
            )
        commands = self._dialect.commands
        point = _Point(frequency_hz, level_v, aperture_s, averages)
        with self._session.held():
            self._point = None
            self._send(commands.set_frequency, {"frequency_hz": format_number(frequency_hz)})
            self._send(commands.set_level, {"level_v": format_number(level_v)})
            self._send(commands.set_aperture, {"aperture_s": format_number(aperture_s)})
            self._send(commands.set_averages, {"averages": str(int(averages))})
            conditions = self._verify_point(point)
            self._point = point
            return conditions

    def read_impedance(self) -> ImpedanceReading:
        """Trigger and read one impedance, then read its conditions back.

        Raises SettingNotTaken when they are not those that were set: somebody turned a knob, and
        the reading does not belong to the point. Raises InputError when no point was set.
        """
        if self._point is None or not self._prepared:
            raise InputError(f"{self.name}: prepare() and set_point() come before a reading")
        commands = self._dialect.commands
        with self._session.held():
            point = self._point
            expected = ImpedanceConditions(
                point.frequency_hz, point.level_v, point.aperture_s, point.averages
            )
            reply = self._ask(
                commands.reading, timeout_s=reading_deadline_s(self._dialect, expected)
            )
            self._verify_common()
            conditions = self._verify_point(point)
        resistance, reactance, status = self._converted(reply, conditions.frequency_hz)
        return ImpedanceReading(resistance, reactance, status, reply.raw, conditions)

    def _after_opening(self) -> None:
        commands = self._dialect.commands
        replies = self._ask_many(
            {"lowest": commands.lowest_frequency, "highest": commands.highest_frequency}
        )
        low, high = (self._setting_number(replies[key]) for key in ("lowest", "highest"))
        if not 0 < low < high:
            raise SettingNotTaken(
                f"{self.name} tells a frequency range of {low:g} to {high:g} Hz",
                instrument=self.name,
                hint="check lowest_frequency and highest_frequency in the dialect",
            )
        self._range_hz = (low, high)

    def _reapply(self) -> None:
        if self._prepared:
            self.prepare()
        if (point := self._point) is not None:
            self.set_point(
                frequency_hz=point.frequency_hz,
                level_v=point.level_v,
                aperture_s=point.aperture_s,
                averages=point.averages,
            )

    def _verify_common(self) -> None:
        commands, dialect = self._dialect.commands, self._dialect
        queries = {"quantity": commands.quantity, "trigger": commands.trigger_source}
        if commands.own_correction is not None:
            queries["correction"] = commands.own_correction
        if commands.range_automatic is not None:
            queries["range"] = commands.range_automatic
        queries.update({f"fixed {setting.name}": setting.read for setting in commands.fixed})
        replies = self._ask_many(queries)
        for setting in commands.fixed:
            took = replies[f"fixed {setting.name}"]
            self._require_word(setting.name, took.plain, setting.words)
        self._require_word("quantity", replies["quantity"].only(str), dialect.quantity_words)
        self._require_word("trigger", replies["trigger"].only(str), dialect.immediate_trigger_words)
        if "correction" in replies:
            on = replies["correction"].only(bool)
            self._require("own correction", "off", "on", agrees=not on)
        if "range" in replies:
            automatic = replies["range"].only(bool)
            self._require("range", "automatic", "fixed", agrees=automatic)

    def _verify_point(self, point: _Point) -> ImpedanceConditions:
        commands, readback = self._dialect.commands, self._dialect.readback
        took = {
            key: self._setting_number(reply)
            for key, reply in self._ask_many(
                {
                    "frequency": commands.frequency,
                    "level": commands.level,
                    "aperture": commands.aperture,
                    "averages": commands.averages,
                }
            ).items()
        }
        for what, asked, unit, resolution in (
            ("frequency", point.frequency_hz, "Hz", readback.frequency),
            ("level", point.level_v, "V", readback.level),
            ("aperture", point.aperture_s, "s", readback.aperture),
        ):
            self._require_number(
                f"{what} ({unit})", asked, took[what],
                relative=readback.relative, resolution=resolution,
            )  # fmt: skip
        self._require(
            "averages", point.averages, took["averages"], agrees=took["averages"] == point.averages
        )
        return ImpedanceConditions(
            took["frequency"], took["level"], took["aperture"], int(took["averages"])
        )

    def _converted(
        self, reply: Reply, frequency_hz: float
    ) -> tuple[float | None, float | None, Status]:
        first, second = reply.field(0, Number), reply.field(1, Number)
        status: Status = "ok"
        if len(reply.fields) == 3:
            # an unknown number is no reading: nobody says what it means
            code = str(reply.field(2, int))
            status = self._dialect.reading_status.get(code, "unstable")
        if first.value is None or second.value is None:
            worse = next(number.status for number in (first, second) if number.value is None)
            return None, None, worse if status == "ok" else status
        if status != "ok":
            return None, None, status
        resistance, reactance = series_form(
            self._dialect.quantity, first.value, second.value, frequency_hz
        )
        if resistance is None:
            return None, None, "over-range"
        return resistance, reactance, "ok"
