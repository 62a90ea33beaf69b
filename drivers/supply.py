"""Drive a bench supply. The rules about energy stand in the bench; here is what they rest on."""

from __future__ import annotations

__all__ = ["ScpiSupply"]

import contextlib

from attrs import frozen

from drivers.dialect import DialectFile, Query, fill
from drivers.dialect_roles import SupplyDialect
from drivers.instrument import LinkedInstrument, Opening
from drivers.scpi import Number, format_number
from drivers.session import Session, State
from labbench.errors import InputError, InstrumentError, SafetyError, SettingNotTaken
from labbench.ports import ScalarReading, SupplySetting

_CAUTION = "the output may be on: read it back, or use the supply's own switch"
#: how long a stop path waits for another thread to let the session go (s)
_TAKE_OVER_S = 0.1
#: a watchdog may take its delay in whole seconds (common practice, no source)
_WATCHDOG_STEP_S = 1.0


@frozen
class _Wanted:
    voltage_v: float
    current_a: float
    over_voltage_v: float


class ScpiSupply(LinkedInstrument[SupplyDialect]):
    """Give voltage and current on one or more channels over SCPI."""

    role = "supply"

    def __init__(
        self, resource: str, dialect: DialectFile[SupplyDialect], opening: Opening, *, channels: int
    ) -> None:
        """Connect; check that every channel can be named. Switches nothing."""
        if channels < 1:
            raise InputError(f"a supply has at least one channel, not {channels}")
        if channels > 1 and not dialect.dialect.names_channels:
            raise InputError(
                f"the dialect {dialect.dialect.name!r} cannot tell {channels} channels apart",
                hint="each of its commands needs the place {channel}",
            )
        self._channels = channels
        self._wanted: dict[int, _Wanted] = {}
        # every forced off counts; an "on" needs a program() that began after the last one
        self._stops = 0
        self._stops_when_programmed = 0
        super().__init__(resource, dialect, opening, caution=_CAUTION)

    @property
    def channels(self) -> int:
        """Tell how many channels there are."""
        return self._channels

    def program(
        self, channel: int, *, voltage_v: float, current_a: float, over_voltage_v: float
    ) -> SupplySetting:
        """Set protection, current limit and voltage in that order; return what was read back.

        A voltage that stands above the new protection is lowered first: supplies refuse a
        protection below their setting (-221), or trip. Raises SettingNotTaken: a setting reads back
        differently, or the protection has tripped.
        """
        stops = self._stops
        setting = self._program(channel, _Wanted(voltage_v, current_a, over_voltage_v))
        self._stops_when_programmed = stops
        return setting

    def switch_on(self, channel: int) -> None:
        """Switch the output on (no read back: the caller verifies).

        Raises SafetyError after `force_off` until the supply is programmed anew: a stop must not be
        overtaken by an "on" that was already on its way.
        """
        with self._session.held():
            places = self._places(channel)
            self._refuse_after_stop()
            self._choose(channel)
            self._refuse_after_stop()
            self._send(self._dialect.commands.switch_on, places)

    def switch_off(self, channel: int) -> None:
        """Switch the output off (no read back: the caller verifies)."""
        self._send(self._dialect.commands.switch_off, self._places(channel))

    def is_on(self, channel: int) -> bool:
        """Read the state of the output back."""
        return self._ask(self._dialect.commands.is_on, self._places(channel)).only(bool)

    def read_voltage(self, channel: int) -> ScalarReading:
        """Read the voltage back (V)."""
        return self._reading(self._dialect.commands.read_voltage, channel, "V")

    def read_current(self, channel: int) -> ScalarReading:
        """Read the current back (A)."""
        return self._reading(self._dialect.commands.read_current, channel, "A")

    def in_current_limit(self, channel: int) -> bool | None:
        """Tell whether the channel is in constant current; None where the supply cannot say."""
        condition, bits = self._dialect.commands.condition, self._dialect.condition_bits
        if condition is None or bits is None:
            return None
        register = self._ask(condition, self._places(channel)).only(int)
        constant_current = bool(register >> bits.constant_current & 1)
        constant_voltage = bool(register >> bits.constant_voltage & 1)
        # both: unregulated; neither: output off
        return None if constant_current == constant_voltage else constant_current

    @property
    def has_watchdog(self) -> bool:
        """Tell whether the supply switches itself off when nobody speaks to it any more."""
        return self._dialect.commands.watchdog is not None

    def arm_watchdog(self, seconds: float) -> float:
        """Let the supply switch itself off after so long a silence (s); return the delay read back.

        Raises InputError where the dialect has no watchdog, SettingNotTaken.
        """
        commands = self._dialect.commands
        if (
            commands.set_watchdog_delay is None
            or commands.watchdog_delay is None
            or commands.set_watchdog_on is None
            or commands.watchdog is None
        ):
            raise InputError(f"{self.name}: its dialect has no watchdog")
        with self._session.held():
            self._send(commands.set_watchdog_delay, {"seconds": format_number(seconds)})
            took = self._require_number(
                "watchdog delay (s)", seconds,
                self._setting_number(self._ask(commands.watchdog_delay)),
                relative=self._dialect.readback.relative, resolution=_WATCHDOG_STEP_S,
            )  # fmt: skip
            self._send(commands.set_watchdog_on)
            armed = self._ask(commands.watchdog).only(bool)
            self._require("watchdog", "on", "off", agrees=armed)
            return took

    def disarm_watchdog(self) -> None:
        """Take the watchdog off; read that back. Nothing where the dialect has none."""
        commands = self._dialect.commands
        if commands.set_watchdog_off is None or commands.watchdog is None:
            return
        with self._session.held():
            self._send(commands.set_watchdog_off)
            armed = self._ask(commands.watchdog).only(bool)
            self._require("watchdog", "off", "on", agrees=not armed)

    def protection_tripped(self, channel: int) -> bool | None:
        """Tell whether the over-voltage protection has tripped; None where it cannot say."""
        tripped = self._dialect.commands.over_voltage_tripped
        return None if tripped is None else self._ask(tripped, self._places(channel)).only(bool)

    def clear_trip(self, channel: int) -> None:
        """Switch the output off, then clear a trip of its protection; read both back.

        Off first: some supplies return to their former state when a trip is cleared.
        """
        clear = self._dialect.commands.clear_over_voltage_trip
        if clear is None:
            raise InputError(f"{self.name}: its dialect has no way to clear a trip")
        with self._session.held():
            self.switch_off(channel)
            self._require(f"channel {channel} output", "off", "on", agrees=not self.is_on(channel))
            self._send(clear, self._places(channel))
            self._require(f"channel {channel} output", "off", "on", agrees=not self.is_on(channel))
            self._require(
                f"channel {channel} protection", "cleared", "tripped",
                agrees=not self.protection_tripped(channel),
            )  # fmt: skip

    def force_off(self) -> bool:
        """Switch every channel off on a link opened anew if need be; True when read back off.

        Ends the waits of other threads on this supply, waits for no other instrument and re-applies
        nothing. Never raises, except what a person does (a second Ctrl-C).
        """
        self._stops += 1
        try:
            with self._session.taken_over(_TAKE_OVER_S) as mine:
                if mine:
                    return self._off_over(self._session)
            # Somebody is stuck in a connect: his connection cannot be used, another one may.
            other = self._session.second_link()
            with contextlib.ExitStack() as undo:
                undo.callback(other.close)
                other.open(self._session.identity.raw)
                return self._off_on(other)
        except Exception:  # never raises; the False says that the state is not known
            return False

    # --- pieces ----------------------------------------------------------------------------------

    def _program(self, channel: int, wanted: _Wanted) -> SupplySetting:
        voltage_v, current_a = wanted.voltage_v, wanted.current_a
        over_voltage_v = wanted.over_voltage_v
        if not (voltage_v >= 0 and current_a >= 0 and over_voltage_v > voltage_v):
            raise InputError(
                f"{self.name}: cannot be programmed to {voltage_v} V, {current_a} A with "
                f"protection at {over_voltage_v} V",
                hint="voltage and current are zero or more, the protection above the voltage",
            )
        commands, readback = self._dialect.commands, self._dialect.readback
        places = self._places(channel)
        volts = {**places, "voltage_v": format_number(voltage_v)}
        with self._session.held():
            self._wanted.pop(channel, None)
            self._choose(channel)
            self._refuse_tripped(channel)
            if self._setting(commands.voltage, channel) >= over_voltage_v:
                self._send(commands.set_voltage, volts)
            self._send(
                commands.set_over_voltage,
                {**places, "over_voltage_v": format_number(over_voltage_v)},
            )
            protection = self._require_number(
                f"channel {channel} over-voltage protection (V)", over_voltage_v,
                self._setting(commands.over_voltage, channel),
                relative=readback.relative, resolution=readback.over_voltage,
            )  # fmt: skip
            self._send(commands.set_current, {**places, "current_a": format_number(current_a)})
            current = self._require_number(
                f"channel {channel} current limit (A)", current_a,
                self._setting(commands.current, channel),
                relative=readback.relative, resolution=readback.current,
            )  # fmt: skip
            self._send(commands.set_voltage, volts)
            voltage = self._require_number(
                f"channel {channel} voltage (V)", voltage_v,
                self._setting(commands.voltage, channel),
                relative=readback.relative, resolution=readback.voltage,
            )  # fmt: skip
            self._wanted[channel] = wanted
            return SupplySetting(voltage, current, protection)

    def _reapply(self) -> None:
        """Program again what was programmed. Never touches the state of an output."""
        for channel, wanted in sorted(self._wanted.items()):
            self._program(channel, wanted)

    def _off_over(self, session: Session) -> bool:
        if session.state is State.IN_STEP:
            try:
                return self._off_on(session)
            except InstrumentError:
                pass
        if session.recovers_slowly:
            limit_s = self._dialect.timing.off
            with contextlib.suppress(InstrumentError):
                for channel in range(1, self._channels + 1):
                    off = fill(self._dialect.commands.switch_off, self._places(channel))
                    session.send_regardless(off, timeout_s=limit_s)
        session.recover()
        return self._off_on(session)

    def _off_on(self, session: Session) -> bool:
        """Send off for every channel, then read all back; raise InstrumentError when in doubt."""
        commands, limit_s = self._dialect.commands, self._dialect.timing.off
        for channel in range(1, self._channels + 1):
            session.send(fill(commands.switch_off, self._places(channel)), timeout_s=limit_s)
        states = [
            session.query(
                fill(commands.is_on.send, self._places(channel)),
                commands.is_on.shape,
                timeout_s=limit_s,
                explain=False,
            ).only(bool)
            for channel in range(1, self._channels + 1)
        ]
        # An answer that came twice before would stand for a read back, each one being one late. The
        # identity looks like no other answer: where it is the next one, the read backs are true.
        session.read_identity(timeout_s=limit_s, explain=False)
        return not any(states)

    def _places(self, channel: int) -> dict[str, str]:
        if not 1 <= channel <= self._channels:
            raise InputError(
                f"{self.name}: has no channel {channel}",
                hint=f"channels are 1 to {self._channels}; the bench file says how many",
            )
        return {"channel": str(int(channel))}

    def _choose(self, channel: int) -> None:
        """Choose the channel and read that back: a wrong one must never be switched on.

        A supply that has no such channel would report an error, and still act on the rest of a
        joined message with the channel chosen before.
        """
        commands = self._dialect.commands
        if commands.select_channel is None or commands.selected_channel is None:
            return
        self._send(commands.select_channel, self._places(channel))
        took = self._ask(commands.selected_channel).only(int)
        self._require("channel", channel, took, agrees=took == channel)

    def _refuse_after_stop(self) -> None:
        if self._stops != self._stops_when_programmed:
            raise SafetyError(
                f"{self.name}: was switched off by the stop path and stays off",
                hint="program it anew before it is switched on",
            )

    def _refuse_tripped(self, channel: int) -> None:
        if self.protection_tripped(channel):
            raise SettingNotTaken(
                f"{self.name}: the over-voltage protection of channel {channel} has tripped",
                instrument=self.name,
                hint="find out what drove it; then clear it with clear_trip() or at the supply",
            )

    def _setting(self, query: Query, channel: int) -> float:
        return self._setting_number(self._ask(query, self._places(channel)))

    def _reading(self, query: Query, channel: int, unit: str) -> ScalarReading:
        reply = self._ask(query, self._places(channel), timeout_s=self._dialect.timing.reading)
        number = reply.only(Number)
        return ScalarReading(number.value, unit, number.status, reply.raw, {"channel": channel})
