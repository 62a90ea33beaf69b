"""The impedance meter's commands: ``impedance-function-tree``."""

from __future__ import annotations

import math
from dataclasses import dataclass

from sim.instruments import ImpedanceMeter
from sim.profiles.settings import number_setting, switch_setting
from sim.profiles.trigger import TriggerModel
from sim.scpi.command import Command
from sim.scpi.interpreter import Interpreter
from sim.scpi.numbers import INFINITY, nr1, nr3
from sim.scpi.parameters import Choice

DIALECT = "impedance-function-tree"
_DECIMALS = 5
_OVER_RANGE = 1


@dataclass(frozen=True)
class _Taken:
    """A reading with the frequency at which it was taken, so that it can be shown another way."""

    resistance_ohm: float
    reactance_ohm: float
    status: int
    frequency_hz: float


class _ImpedanceMeter:
    def __init__(self, meter: ImpedanceMeter) -> None:
        self._meter = meter
        self._shown_as = "RX"
        self.trigger = TriggerModel(self._measure, self._format, "[:IMPedance]")

    def commands(self) -> list[Command]:
        meter, changing = self._meter, self.trigger.changing
        return [
            number_setting(
                "[SOURce]:FREQuency[:CW]",
                changing(meter.set_frequency_hz),
                lambda: meter.frequency_hz,
                unit="HZ",
                limits=lambda: meter.limits("frequency_hz"),
            ),
            number_setting(
                "[SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]",
                changing(meter.set_level_v),
                lambda: meter.level_v,
                unit="V",
                limits=lambda: meter.limits("level_v"),
            ),
            Command(
                "FUNCtion:IMPedance[:TYPE]",
                do=self._show_as,
                takes=(Choice(("RX", "ZTD", "LSQ", "LSD")),),
                answer=lambda: self._shown_as,
            ),
            number_setting(
                "[SENSe]:APERture",
                changing(meter.set_aperture_s),
                lambda: meter.aperture_s,
                unit="S",
                limits=lambda: meter.limits("aperture_s"),
            ),
            number_setting(
                "[SENSe]:AVERage:COUNt",
                changing(meter.set_averages),
                lambda: meter.averages,
                limits=lambda: meter.limits("averages"),
                integer=True,
            ),
            switch_setting(
                "[SENSe]:CORRection[:STATe]",
                changing(meter.set_correction_on),
                lambda: meter.correction_on,
            ),
            switch_setting(
                "[SENSe]:RANGe:AUTO", changing(meter.set_range_auto), lambda: meter.range_auto
            ),
            number_setting(
                "[SENSe]:RANGe[:UPPer]",
                changing(meter.set_range_ohm),
                lambda: meter.range_ohm,
                unit="OHM",
                limits=lambda: meter.limits("range_ohm"),
            ),
            *self.trigger.commands(),
        ]

    def reset(self) -> None:
        self._meter.reset()
        self._shown_as = "RX"
        self.trigger.reset()

    def _show_as(self, pair: str) -> None:
        self._shown_as = pair

    def _measure(self) -> _Taken:
        frequency_hz = self._meter.frequency_hz
        result = self._meter.measure()
        return _Taken(result.resistance_ohm, result.reactance_ohm, result.status, frequency_hz)

    def _format(self, taken: _Taken) -> str:
        first, second = _pair(taken, self._shown_as)
        return f"{nr3(first, _DECIMALS)},{nr3(second, _DECIMALS)},{nr1(taken.status)}"


def _pair(taken: _Taken, shown_as: str) -> tuple[float, float]:
    """Return the two numbers of a reading; a ratio to nothing is SCPI's infinity."""
    if taken.status == _OVER_RANGE:
        return INFINITY, INFINITY
    resistance, reactance = taken.resistance_ohm, taken.reactance_ohm
    if shown_as == "RX":
        return resistance, reactance
    if shown_as == "ZTD":
        return math.hypot(resistance, reactance), math.degrees(math.atan2(reactance, resistance))
    inductance = reactance / (2.0 * math.pi * taken.frequency_hz)
    above, below = abs(reactance), resistance
    if shown_as == "LSD":
        above, below = resistance, abs(reactance)
    return inductance, above / below if below != 0.0 else INFINITY


def impedance_meter(meter: ImpedanceMeter, *, identity: str) -> Interpreter:
    """Return the interpreter of an impedance meter."""
    profile = _ImpedanceMeter(meter)
    return Interpreter(
        profile.commands(),
        identity=identity,
        reset=profile.reset,
        abort=profile.trigger.abort,
        trigger=profile.trigger.trigger,
        status=profile.trigger.status,
        operations=profile.trigger.operations,
    )
