"""The supply's commands: ``supply-channel-list``.

Channel lists behind the value follow SCPI-99 vol. 1, 8.3.2; ISUMmary registers and the bits 0 and
1 in them are SCPI-99's (vol. 1, chapter 9). Bits 9 and 10, the tree of the watchdog and that a
list may end a command are general trade practice. All from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import IntFlag

from sim.instruments import Supply
from sim.profiles.settings import number_setting, switch_setting
from sim.scpi.command import Command
from sim.scpi.errors import ScpiError
from sim.scpi.interpreter import Interpreter
from sim.scpi.messages import Datum
from sim.scpi.numbers import boolean, nr1, nr3
from sim.scpi.parameters import Boolean, ChannelList, Limit, Limits, Number

DIALECT = "supply-channel-list"
_MOST_CHANNELS = 2
_LIST = (ChannelList(),)


class Questionable(IntFlag):
    """Bits of the questionable registers; SUMMARY stands only in the instrument's own."""

    VOLTAGE = 1  # not regulated: constant current
    CURRENT = 2  # not regulated: constant voltage
    OVER_VOLTAGE = 1 << 9
    WATCHDOG = 1 << 10
    SUMMARY = 1 << 13


_MODE_BITS = {"off": 0, "cc": Questionable.VOLTAGE, "cv": Questionable.CURRENT}


@dataclass(frozen=True)
class _LimitOrChannels:
    """The first parameter of a query: MINimum, MAXimum, DEFault, or the channels at once."""

    limits: Limits
    optional: bool = False

    def read(self, datum: Datum) -> float | list[int]:
        if datum.kind == "expression":
            return ChannelList().read(datum)
        return Limit(self.limits).read(datum)


class _Supply:
    """Every command names the channels that it is for."""

    def __init__(self, supply: Supply) -> None:
        self._supply = supply

    def commands(self) -> list[Command]:
        supply = self._supply
        level = "[SOURce]:{}[:LEVel][:IMMediate][:AMPLitude]"
        return [
            self._setting(
                level.format("VOLTage"), supply.set_voltage_v, supply.voltage_v, "V", "voltage_v"
            ),
            self._setting(
                level.format("CURRent"), supply.set_current_a, supply.current_a, "A", "current_a"
            ),
            self._setting(
                "[SOURce]:VOLTage:PROTection[:LEVel]",
                supply.set_over_voltage_v,
                supply.over_voltage_v,
                "V",
                "over_voltage_v",
            ),
            Command(
                "[SOURce]:VOLTage:PROTection:TRIPped",
                answer=self._asking(lambda channel: boolean(supply.tripped(channel))),
                asks=_LIST,
            ),
            Command(
                "[SOURce]:VOLTage:PROTection:CLEar",
                do=lambda channels: self._each(channels, supply.clear_trip),
                takes=_LIST,
            ),
            Command(
                "OUTPut[:STATe]",
                do=lambda on, channels: self._each(
                    channels, lambda channel: supply.set_output(channel, on)
                ),
                takes=(Boolean(), *_LIST),
                answer=self._asking(lambda channel: boolean(supply.output(channel))),
                asks=_LIST,
            ),
            switch_setting("OUTPut:PROTection:WDOG[:STATe]", supply.set_watchdog, supply.watchdog),
            number_setting(
                "OUTPut:PROTection:WDOG:DELay",
                supply.set_watchdog_s,
                supply.watchdog_s,
                unit="S",
                limits=lambda: supply.limits("watchdog_s"),
            ),
            Command(
                "MEASure[:SCALar]:VOLTage[:DC]",
                answer=self._asking(lambda channel: nr3(supply.measure_voltage_v(channel))),
                asks=_LIST,
            ),
            Command(
                "MEASure[:SCALar]:CURRent[:DC]",
                answer=self._asking(lambda channel: nr3(supply.measure_current_a(channel))),
                asks=_LIST,
            ),
            Command(
                f"STATus:QUEStionable:INSTrument:ISUMmary<1:{_MOST_CHANNELS}>:CONDition",
                answer=self._summary,
            ),
        ]

    def questionable(self) -> int:
        """Return the instrument's own register: the watchdog, and whether any channel says so."""
        bits = Questionable.WATCHDOG if self._supply.watchdog_expired() else Questionable(0)
        if any(self._channel_bits(channel) for channel in range(1, self._supply.channels + 1)):
            bits |= Questionable.SUMMARY
        return int(bits)

    def _summary(self, channel: int) -> str:
        if channel > self._supply.channels:
            raise ScpiError(-114, f"ISUMmary{channel}")
        return nr1(self._channel_bits(channel))

    def _channel_bits(self, channel: int) -> int:
        bits = int(_MODE_BITS[self._supply.mode(channel)])
        if self._supply.tripped(channel):
            bits |= Questionable.OVER_VOLTAGE
        if self._supply.watchdog_expired():
            bits |= Questionable.WATCHDOG
        return bits

    def _setting(
        self,
        header: str,
        put: Callable[[int, float], None],
        get: Callable[[int], float],
        unit: str,
        name: str,
    ) -> Command:
        def limits() -> tuple[float, float, float]:
            return self._supply.limits(name)

        def answer(first: float | list[int], channels: list[int] | None = None) -> str:
            if isinstance(first, list):
                if channels is not None:
                    raise ScpiError(-108)
                return ",".join(nr3(get(channel)) for channel in self._known(first))
            if channels is None:
                raise ScpiError(-109)
            return ",".join(nr3(first) for _ in self._known(channels))

        return Command(
            header,
            do=lambda value, channels: self._each(channels, lambda channel: put(channel, value)),
            takes=(Number(unit=unit, limits=limits), *_LIST),
            answer=answer,
            asks=(_LimitOrChannels(limits), ChannelList(optional=True)),
        )

    def _asking(self, ask: Callable[[int], str]) -> Callable[[list[int]], str]:
        return lambda channels: ",".join(ask(channel) for channel in self._known(channels))

    def _each(self, channels: Sequence[int], do: Callable[[int], None]) -> None:
        for channel in self._known(channels):
            do(channel)

    def _known(self, channels: Sequence[int]) -> Sequence[int]:
        """Return the channels if all exist; a command for one that does not changes nothing."""
        unknown = [str(each) for each in channels if not 1 <= each <= self._supply.channels]
        if unknown:
            raise ScpiError(
                -222, f"channel {', '.join(unknown)} is outside 1 to {self._supply.channels}"
            )
        if not channels:
            raise ScpiError(-222, "no channel is named")
        return channels


def supply_channel_list(behaviour: Supply, *, identity: str) -> Interpreter:
    """Return the interpreter of a supply with channel lists and a watchdog."""
    profile = _Supply(behaviour)
    return Interpreter(
        profile.commands(),
        identity=identity,
        reset=behaviour.reset,
        questionable=profile.questionable,
        before_message=behaviour.feed_watchdog,
    )
