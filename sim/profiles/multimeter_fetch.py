"""The multimeter's commands: ``multimeter-sense-fetch``.

SENSe:FUNCtion, RANGe, APERture, INITiate and FETCh? are SCPI-99's (vol. 2), from memory. The
meter has neither CONFigure nor READ?, sets its integration time in seconds, and ends its replies
with carriage return and line feed, as many do (common practice, no source).
"""

from __future__ import annotations

from sim.instruments import Multimeter
from sim.instruments.errors import within
from sim.profiles.settings import number_setting, switch_setting
from sim.profiles.trigger import TriggerModel
from sim.scpi.command import Command
from sim.scpi.interpreter import Interpreter
from sim.scpi.numbers import INFINITY, nr3, quoted
from sim.scpi.parameters import Named

DIALECT = "multimeter-sense-fetch"
_TERMINATOR = b"\r\n"
_DECIMALS = 7
# Header, the behaviour's name, what a query answers, and the unit of the range.
_FUNCTIONS = (
    ("VOLTage[:DC]", "voltage", "VOLT", "V"),
    ("RESistance", "resistance", "RES", "OHM"),
    ("FRESistance", "four-wire-resistance", "FRES", "OHM"),
)


class _Multimeter:
    def __init__(self, meter: Multimeter) -> None:
        self._meter = meter
        self.trigger: TriggerModel[float] = TriggerModel(
            self._measure, lambda value: nr3(value, _DECIMALS), ""
        )

    def commands(self) -> list[Command]:
        words = {name: quoted(word) for _, name, word, _ in _FUNCTIONS}
        function = Command(
            "[SENSe]:FUNCtion[:ON]",
            do=self.trigger.changing(self._meter.set_function),
            takes=(Named({header: name for header, name, _, _ in _FUNCTIONS}),),
            answer=lambda: words[self._meter.function],
        )
        trigger = [each for each in self.trigger.commands() if each.header != "READ"]
        settings = [
            command
            for header, name, _, unit in _FUNCTIONS
            for command in self._settings(f"[SENSe]:{header}", name, unit)
        ]
        return [function, *settings, *trigger]

    def reset(self) -> None:
        self._meter.reset()
        self.trigger.reset()

    def _settings(self, header: str, name: str, unit: str) -> list[Command]:
        meter, changing = self._meter, self.trigger.changing
        mains_hz = meter.mains_hz

        def ranges() -> tuple[float, float, float]:
            return meter.limits("range", name)

        def apertures() -> tuple[float, float, float]:
            least, most, usual = meter.limits("nplc", name)
            return least / mains_hz, most / mains_hz, usual / mains_hz

        def set_aperture(seconds: float) -> None:
            shortest, longest, _ = apertures()
            checked = within("aperture", seconds, shortest, longest)
            # The way to periods and back may end a rounding beside the limit.
            least, most, _ = meter.limits("nplc", name)
            meter.set_nplc(min(max(checked * mains_hz, least), most), name)

        def set_auto(on: bool) -> None:
            if on:
                meter.set_range(None, name)
            else:
                meter.fix_range(name)

        return [
            number_setting(
                f"{header}:APERture",
                changing(set_aperture),
                lambda: meter.nplc_of(name) / mains_hz,
                unit="S",
                limits=apertures,
            ),
            number_setting(
                f"{header}:RANGe[:UPPer]",
                changing(lambda value: meter.set_range(value, name)),
                lambda: meter.range_of(name),
                unit=unit,
                limits=ranges,
            ),
            switch_setting(
                f"{header}:RANGe:AUTO", changing(set_auto), lambda: meter.range_auto(name)
            ),
        ]

    def _measure(self) -> float:
        value = self._meter.measure()
        return INFINITY if value is None else value


def multimeter_fetch(meter: Multimeter, *, identity: str) -> Interpreter:
    """Return the interpreter of a multimeter that is read with FETCh? only."""
    profile = _Multimeter(meter)
    return Interpreter(
        profile.commands(),
        identity=identity,
        reset=profile.reset,
        abort=profile.trigger.abort,
        trigger=profile.trigger.trigger,
        status=profile.trigger.status,
        operations=profile.trigger.operations,
        reply_terminator=_TERMINATOR,
    )
