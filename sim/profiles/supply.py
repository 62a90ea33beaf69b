"""The supply's commands: ``supply-scpi99``."""

from __future__ import annotations

from collections.abc import Callable

from sim.instruments import Supply
from sim.profiles.settings import number_setting
from sim.scpi.command import Command
from sim.scpi.errors import ScpiError
from sim.scpi.interpreter import Interpreter
from sim.scpi.numbers import boolean, nr3
from sim.scpi.parameters import Boolean

DIALECT = "supply-scpi99"

# Which quantity is not regulated: in constant current it is the voltage, and the reverse
# (the usual reading of SCPI-99's VOLTage and CURRent summary bits, from memory).
_QUESTIONABLE = {"off": 0, "cc": 1, "cv": 2}


class _Supply:
    """The selected channel, to which every other command applies."""

    def __init__(self, supply: Supply) -> None:
        self._supply = supply
        self._channel = 1

    def commands(self) -> list[Command]:
        supply = self._supply
        level = "[SOURce]:{}[:LEVel][:IMMediate][:AMPLitude]"
        return [
            number_setting(
                "INSTrument:NSELect",
                self._select,
                lambda: self._channel,
                limits=lambda: (1, supply.channels, 1),
                integer=True,
            ),
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
                answer=lambda: boolean(supply.tripped(self._channel)),
            ),
            Command(
                "[SOURce]:VOLTage:PROTection:CLEar",
                do=lambda: supply.clear_trip(self._channel),
            ),
            Command(
                "OUTPut[:STATe]",
                do=lambda on: supply.set_output(self._channel, on),
                takes=(Boolean(),),
                answer=lambda: boolean(supply.output(self._channel)),
            ),
            Command(
                "MEASure[:SCALar]:VOLTage[:DC]",
                answer=lambda: nr3(supply.measure_voltage_v(self._channel)),
            ),
            Command(
                "MEASure[:SCALar]:CURRent[:DC]",
                answer=lambda: nr3(supply.measure_current_a(self._channel)),
            ),
        ]

    def reset(self) -> None:
        self._channel = 1
        self._supply.reset()

    def questionable(self) -> int:
        return _QUESTIONABLE[self._supply.mode(self._channel)]

    def _select(self, channel: float) -> None:
        if not 1 <= channel <= self._supply.channels:
            raise ScpiError(-222, f"channel {channel:g} is outside 1 to {self._supply.channels}")
        self._channel = int(channel)

    def _setting(
        self,
        header: str,
        put: Callable[[int, float], None],
        get: Callable[[int], float],
        unit: str,
        name: str,
    ) -> Command:
        return number_setting(
            header,
            lambda value: put(self._channel, value),
            lambda: get(self._channel),
            unit=unit,
            limits=lambda: self._supply.limits(name),
        )


def supply(behaviour: Supply, *, identity: str) -> Interpreter:
    """Return the interpreter of a supply."""
    profile = _Supply(behaviour)
    return Interpreter(
        profile.commands(),
        identity=identity,
        reset=profile.reset,
        questionable=profile.questionable,
    )
