"""Drive a multimeter: DC voltage and resistance."""

from __future__ import annotations

__all__ = [
    "DC_VOLTAGE",
    "FOUR_WIRE_RESISTANCE",
    "RESISTANCE",
    "ScpiMultimeter",
    "reading_deadline_s",
]

from attrs import frozen

from drivers.dialect import DialectFile
from drivers.dialect_roles import FunctionCommands, MultimeterDialect
from drivers.instrument import LinkedInstrument, Opening
from drivers.scpi import Number, format_number
from labbench.errors import InputError
from labbench.ports import MultimeterConditions, ScalarReading

DC_VOLTAGE = "dc-voltage"
RESISTANCE = "resistance"
FOUR_WIRE_RESISTANCE = "four-wire-resistance"


@frozen
class _Wanted:
    function: str
    range: float | None
    integration_periods: float


def reading_deadline_s(
    dialect: MultimeterDialect, integration_periods: float, mains_hz: float
) -> float:
    """Give the longest wait for one reading (s): input and zero are integrated once each."""
    one = 2 * integration_periods / mains_hz
    return dialect.timing.reading_factor * one + dialect.timing.reading_margin


class ScpiMultimeter(LinkedInstrument[MultimeterDialect]):
    """Measure DC voltage and resistance with a multimeter over SCPI."""

    role = "multimeter"

    def __init__(
        self,
        resource: str,
        dialect: DialectFile[MultimeterDialect],
        opening: Opening,
        *,
        mains_hz: float,
    ) -> None:
        """Connect. Changes no setting."""
        if not 40 <= mains_hz <= 70:
            raise InputError(f"the mains have 50 or 60 Hz, not {mains_hz:g}")
        self._mains_hz = mains_hz
        self._wanted: _Wanted | None = None
        super().__init__(resource, dialect, opening)

    def set_dc_voltage(
        self, *, range_v: float | None, integration_periods: float
    ) -> MultimeterConditions:
        """Set DC voltage, its range (None: automatic) and integration; return the read back.

        The smallest range that holds `range_v` is chosen.
        """
        ranges = self._dialect.ranges.dc_voltage
        return self._set(
            _Wanted(DC_VOLTAGE, self._fitting(range_v, ranges, "V"), integration_periods)
        )

    def set_resistance(
        self, *, range_ohm: float | None, integration_periods: float, four_wire: bool
    ) -> MultimeterConditions:
        """Set resistance, two- or four-wire; return the read back."""
        ranges = self._dialect.ranges.resistance
        function = FOUR_WIRE_RESISTANCE if four_wire else RESISTANCE
        return self._set(
            _Wanted(function, self._fitting(range_ohm, ranges, "ohm"), integration_periods)
        )

    def read(self) -> ScalarReading:
        """Trigger and read one value of the function set, then read its conditions back.

        Raises SettingNotTaken when they are not those that were set: somebody turned a knob.
        Raises InputError when no function was set.
        """
        with self._session.held():
            wanted = self._wanted
            if wanted is None:
                raise InputError(f"{self.name}: set a function before a reading")
            deadline_s = reading_deadline_s(
                self._dialect, wanted.integration_periods, self._mains_hz
            )
            reply = self._ask(self._dialect.commands.reading, timeout_s=deadline_s)
            conditions = self._verify(wanted)
        number = reply.only(Number)
        return ScalarReading(
            number.value,
            "V" if wanted.function == DC_VOLTAGE else "ohm",
            number.status,
            reply.raw,
            {
                "function": conditions.function,
                "range": conditions.range,
                "integration_periods": conditions.integration_periods,
            },
        )

    def _set(self, wanted: _Wanted) -> MultimeterConditions:
        if not wanted.integration_periods > 0:
            raise InputError(
                f"{self.name}: {wanted.integration_periods} mains periods are no integration time"
            )
        commands = self._commands(wanted.function)
        with self._session.held():
            self._wanted = None
            self._send(commands.configure)
            if wanted.range is None:
                self._send(commands.set_range_automatic)
            else:
                self._send(commands.set_range, {"range": format_number(wanted.range)})
            place, factor = self._integration(commands)
            self._send(
                commands.set_integration,
                {place: format_number(wanted.integration_periods * factor)},
            )
            self._send(self._dialect.commands.set_trigger_immediate)
            conditions = self._verify(wanted)
            self._wanted = wanted
            return conditions

    def _reapply(self) -> None:
        if self._wanted is not None:
            self._set(self._wanted)

    def _verify(self, wanted: _Wanted) -> MultimeterConditions:
        common, commands = self._dialect.commands, self._commands(wanted.function)
        relative = self._dialect.readback.relative
        replies = self._ask_many(
            {
                "function": common.function,
                "trigger": common.trigger_source,
                "range": commands.range,
                "automatic": commands.range_automatic,
                "integration": commands.integration,
            }
        )
        self._require_word("function", replies["function"].only(str), commands.words)
        self._require_word(
            "trigger", replies["trigger"].only(str), self._dialect.immediate_trigger_words
        )
        automatic = replies["automatic"].only(bool)
        shown = {True: "automatic", False: "fixed"}
        self._require(
            "range", shown[wanted.range is None], shown[automatic],
            agrees=automatic == (wanted.range is None),
        )  # fmt: skip
        if wanted.range is not None:
            self._require_number(
                "range", wanted.range, self._setting_number(replies["range"]),
                relative=relative, resolution=0.0,
            )  # fmt: skip
        integration = self._require_number(
            "integration (mains periods)", wanted.integration_periods,
            self._setting_number(replies["integration"]) / self._integration(commands)[1],
            relative=relative, resolution=0.0,
        )  # fmt: skip
        return MultimeterConditions(wanted.function, wanted.range, integration)

    def _commands(self, function: str) -> FunctionCommands:
        commands = self._dialect.commands
        return {
            DC_VOLTAGE: commands.dc_voltage,
            RESISTANCE: commands.resistance,
            FOUR_WIRE_RESISTANCE: commands.four_wire_resistance,
        }[function]

    def _integration(self, commands: FunctionCommands) -> tuple[str, float]:
        """Name the place of the integration time, and what one mains period is in its unit."""
        return ("seconds", 1 / self._mains_hz) if commands.integrates_in_seconds else ("periods", 1)

    def _fitting(self, wanted: float | None, ranges: tuple[float, ...], unit: str) -> float | None:
        if wanted is None:
            return None
        for each in ranges:
            if abs(wanted) <= each * (1 + 1e-9):
                return each
        raise InputError(
            f"{self.name}: has no range for {wanted:g} {unit}",
            hint=f"the largest is {ranges[-1]:g}",
        )
