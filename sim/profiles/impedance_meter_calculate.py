"""The impedance meter's commands: ``impedance-calculate-tree``.

SCPI-99 vol. 2 has the sensor function in SENSe:FUNCtion, and CALCulate blocks that format what was
sensed; MLINear, REAL, PHASe and IMAGinary are words of its CALCulate:FORMat, UNIT:ANGLe is its
too. That two blocks give the two numbers of a reading is general trade practice. All from memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from sim.instruments import ImpedanceMeter
from sim.instruments.errors import within
from sim.profiles.settings import number_setting, switch_setting
from sim.profiles.trigger import TriggerModel
from sim.scpi.command import Command
from sim.scpi.errors import ScpiError
from sim.scpi.interpreter import Interpreter
from sim.scpi.numbers import INFINITY, nr3, quoted
from sim.scpi.parameters import Choice, Named

DIALECT = "impedance-calculate-tree"
_DECIMALS = 6
_OVER_RANGE = 1
# What each CALCulate block can make of the complex impedance; the first is the one after *RST.
_FORMATS = {1: ("MLIN", "REAL"), 2: ("PHAS", "IMAG")}


@dataclass(frozen=True)
class _Taken:
    impedance_ohm: complex | None  # None: over range


class _ImpedanceMeter:
    def __init__(self, meter: ImpedanceMeter) -> None:
        self._meter = meter
        self.trigger = TriggerModel(self._measure, self._format, "")
        self._restore()

    def _restore(self) -> None:
        self._formats = {block: formats[0] for block, formats in _FORMATS.items()}
        self._angle = "DEG"
        self._averaging = False
        self._count = self._meter.averages

    def commands(self) -> list[Command]:
        meter, changing = self._meter, self.trigger.changing

        def number(
            header: str,
            put: Callable[[float], None],
            get: Callable[[], float],
            unit: str,
            limits: str,
        ) -> Command:
            return number_setting(
                header, changing(put), get, unit=unit, limits=lambda: meter.limits(limits)
            )

        return [
            Command(
                "[SENSe]:FUNCtion[:ON]",
                do=lambda _: None,  # there is no other function to choose
                takes=(Named({"IMPedance": "impedance"}),),
                answer=lambda: quoted("IMP"),
            ),
            Command(
                "CALCulate<1:2>:FORMat",
                do=self._set_format,
                takes=(Choice(("MLINear", "PHASe", "REAL", "IMAGinary")),),
                answer=lambda block: self._formats[block],
            ),
            Command(
                "UNIT:ANGLe",
                do=self._set_angle,
                takes=(Choice(("DEG", "RAD")),),
                answer=lambda: self._angle,
            ),
            number(
                "[SOURce]:FREQuency[:CW]",
                meter.set_frequency_hz,
                lambda: meter.frequency_hz,
                "HZ",
                "frequency_hz",
            ),
            number(
                "[SOURce]:VOLTage[:LEVel][:IMMediate][:AMPLitude]",
                meter.set_level_v,
                lambda: meter.level_v,
                "V",
                "level_v",
            ),
            number(
                "[SENSe]:APERture",
                meter.set_aperture_s,
                lambda: meter.aperture_s,
                "S",
                "aperture_s",
            ),
            switch_setting(
                "[SENSe]:AVERage[:STATe]", changing(self._set_averaging), lambda: self._averaging
            ),
            number_setting(
                "[SENSe]:AVERage:COUNt",
                changing(self._set_count),
                lambda: self._count,
                limits=lambda: meter.limits("averages"),
                integer=True,
            ),
            switch_setting(
                "[SENSe]:CORRection[:STATe]",
                changing(meter.set_correction_on),
                lambda: meter.correction_on,
            ),
            switch_setting(
                "[SENSe]:IMPedance:RANGe:AUTO",
                changing(meter.set_range_auto),
                lambda: meter.range_auto,
            ),
            number(
                "[SENSe]:IMPedance:RANGe[:UPPer]",
                meter.set_range_ohm,
                lambda: meter.range_ohm,
                "OHM",
                "range_ohm",
            ),
            *self.trigger.commands(),
        ]

    def reset(self) -> None:
        self._meter.reset()
        self.trigger.reset()
        self._restore()

    def _set_format(self, block: int, word: str) -> None:
        if word not in _FORMATS[block]:
            raise ScpiError(-224, f"{word} in CALCulate{block}")
        self._formats[block] = word

    def _set_angle(self, unit: str) -> None:
        self._angle = unit

    def _set_averaging(self, on: bool) -> None:
        self._averaging = on
        self._meter.set_averages(self._count if on else 1)

    def _set_count(self, count: int) -> None:
        least, most, _ = self._meter.limits("averages")
        self._count = int(within("averages", count, least, most))
        self._set_averaging(self._averaging)

    def _measure(self) -> _Taken:
        result = self._meter.measure()
        if result.status == _OVER_RANGE:
            return _Taken(None)
        return _Taken(complex(result.resistance_ohm, result.reactance_ohm))

    def _format(self, taken: _Taken) -> str:
        value = taken.impedance_ohm
        if value is None:
            return f"{nr3(INFINITY, _DECIMALS)},{nr3(INFINITY, _DECIMALS)}"
        phase = math.atan2(value.imag, value.real)
        numbers = {
            "MLIN": abs(value),
            "REAL": value.real,
            "PHAS": phase if self._angle == "RAD" else math.degrees(phase),
            "IMAG": value.imag,
        }
        return ",".join(nr3(numbers[self._formats[block]], _DECIMALS) for block in (1, 2))


def impedance_meter_calculate(meter: ImpedanceMeter, *, identity: str) -> Interpreter:
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
