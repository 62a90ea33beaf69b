"""The multimeter's commands: ``multimeter-scpi99``."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from sim.instruments import Multimeter
from sim.profiles.settings import number_setting, switch_setting
from sim.profiles.trigger import TriggerModel
from sim.scpi.command import Command
from sim.scpi.interpreter import Interpreter
from sim.scpi.messages import Datum
from sim.scpi.numbers import INFINITY, nr3, quoted
from sim.scpi.parameters import Limits, Named, Number, is_word

DIALECT = "multimeter-scpi99"


@dataclass(frozen=True)
class _Function:
    """A function: the behaviour's name for it, its header, its answer and its unit."""

    name: str
    header: str
    short: str
    unit: str


_FUNCTIONS = (
    _Function("voltage", "VOLTage[:DC]", "VOLT", "V"),
    _Function("resistance", "RESistance", "RES", "OHM"),
    _Function("four-wire-resistance", "FRESistance", "FRES", "OHM"),
)


@dataclass(frozen=True)
class _ConfiguredRange:
    """The range that CONFigure may name; DEFault, like none at all, is the automatic range."""

    unit: str
    limits: Limits
    optional: bool = True

    def read(self, datum: Datum) -> float | None:
        if datum.kind == "characters" and is_word(datum.text, "DEFault"):
            return None
        return Number(unit=self.unit, limits=self.limits).read(datum)


class _Multimeter:
    def __init__(self, meter: Multimeter) -> None:
        self._meter = meter
        self.trigger: TriggerModel[float] = TriggerModel(self._measure, nr3, "")

    def commands(self) -> list[Command]:
        meter = self._meter
        answers = {function.name: quoted(function.short) for function in _FUNCTIONS}
        commands = [
            Command(
                "[SENSe]:FUNCtion[:ON]",
                do=self.trigger.changing(meter.set_function),
                takes=(Named({each.header: each.name for each in _FUNCTIONS}),),
                answer=lambda: answers[meter.function],
            )
        ]
        for function in _FUNCTIONS:
            commands += self._commands_of(function)
        return commands + self.trigger.commands()

    def reset(self) -> None:
        self._meter.reset()
        self.trigger.reset()

    def _commands_of(self, function: _Function) -> list[Command]:
        meter, changing, name = self._meter, self.trigger.changing, function.name

        def limits(of: str) -> Limits:
            return lambda: meter.limits(of, name)

        def set_auto(on: bool) -> None:
            if on:
                meter.set_range(None, name)
            else:
                meter.fix_range(name)

        return [
            Command(
                f"CONFigure[:SCALar]:{function.header}",
                do=self._configure(name),
                takes=(_ConfiguredRange(function.unit, limits("range")),),
            ),
            number_setting(
                f"[SENSe]:{function.header}:RANGe[:UPPer]",
                changing(lambda value: meter.set_range(value, name)),
                lambda: meter.range_of(name),
                unit=function.unit,
                limits=limits("range"),
            ),
            switch_setting(
                f"[SENSe]:{function.header}:RANGe:AUTO",
                changing(set_auto),
                lambda: meter.range_auto(name),
            ),
            number_setting(
                f"[SENSe]:{function.header}:NPLCycles",
                changing(lambda value: meter.set_nplc(value, name)),
                lambda: meter.nplc_of(name),
                limits=limits("nplc"),
            ),
        ]

    def _configure(self, name: str) -> Callable[..., None]:
        def configure(upper: float | None = None) -> None:
            # The range is checked by the behaviour before the function changes.
            self._meter.set_range(upper, name)
            self._meter.set_nplc(self._meter.limits("nplc", name)[2], name)
            self._meter.set_function(name)
            self.trigger.abort()
            self.trigger.reset()

        return configure

    def _measure(self) -> float:
        value = self._meter.measure()
        return INFINITY if value is None else value


def multimeter(meter: Multimeter, *, identity: str) -> Interpreter:
    """Return the interpreter of a multimeter."""
    profile = _Multimeter(meter)
    return Interpreter(
        profile.commands(),
        identity=identity,
        reset=profile.reset,
        abort=profile.trigger.abort,
        trigger=profile.trigger.trigger,
        status=profile.trigger.status,
        operations=profile.trigger.operations,
    )
