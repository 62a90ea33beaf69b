"""Read meters without a link by a person's eyes: the person is asked for what the display shows.

An LCR meter's display holds L with Q or D, |Z| with its phase, or R with X; a multimeter's holds
volts. How many digits were typed is kept: one step of the last digit goes along with the reading
and enters its uncertainty. A supply is never read by hand: nobody could see it off.

A hand-held meter that went to sleep, has a low battery or locked keys is recognised in the answer;
the person wakes it and is asked again.
"""

from __future__ import annotations

__all__ = ["ByHandImpedanceMeter", "ByHandMultimeter"]

import math
import re

from attrs import frozen

from drivers.impedance_forms import series_form
from labbench.errors import InputError, QuantityError, SettingNotTaken, StepAborted
from labbench.ports import (
    STATUS_OK,
    STATUS_OVER_RANGE,
    Identity,
    ImpedanceConditions,
    ImpedanceReading,
    MultimeterConditions,
    Operator,
    Prompt,
    ScalarReading,
)
from labbench.quantities import format_si, parse_quantity

_OVER_RANGE = frozenset({"ol", "o.l", "o.l.", "over", "overload", "over-range", "open"})
_CANNOT = frozenset({"cannot", "c", "no"})
#: what people say of a meter that shows no number, and what is to be done first
_TROUBLES = {
    "asleep": (
        ("asleep", "sleep", "sleeping", "off", "blank", "dark", "dead", "nothing"),
        "Wake the meter, see that mode and frequency are as before, then press the pedal",
    ),
    "low-battery": (
        ("battery", "lowbattery", "lobat", "lowbat", "bat"),
        "Change the meter's battery (what it shows with a low one does not count), wake the meter, "
        "then press the pedal",
    ),
    "locked": (
        ("locked", "lock", "keylock", "keys", "hold"),
        "Unlock the meter's keys (hold off too), see that it measures, then press the pedal",
    ),
}
_NUMBER = re.compile(r"(?P<number>[+-]?(?:\d+\.?\d*|\.\d+))\s*(?P<unit>[^\d\s.+-]*)$")
#: the letter before each number, the unit of the number (empty: none)
_LETTERS = {"L": "H", "Q": "", "D": "", "Z": "ohm", "P": "deg", "R": "ohm", "X": "ohm"}
_PAIRS = {
    ("L", "Q"): "ls-q",
    ("L", "D"): "ls-d",
    ("Z", "P"): "z-phase-degrees",
    ("R", "X"): "r-x",
}
_LETTER = re.compile(r"(?<![A-Za-zµμΩ])([LQDZPRX])(?![A-Za-z])\s*=?\s*", re.IGNORECASE)
_IMPEDANCE_HINT = "such as 'L 470.2n Q 12.3', 'L 0.470u D 0.081', 'Z 1.52 P 78.2' or OL; c = cannot"
_VOLTAGE_HINT = "such as '1.234 mV', '0.0012' (volts) or OL"


@frozen
class _Shown:
    """Hold a number from a display and what one step of its last digit is."""

    value: float
    step: float


def _shown(text: str, unit: str) -> _Shown:
    """Read a number as a display shows it; raise QuantityError."""
    found = _NUMBER.match(text.strip())
    if found is None:
        raise QuantityError(f"{text.strip()!r} is no number as a display shows it")
    number, suffix = found["number"], found["unit"]
    if unit in ("", "deg"):
        if suffix not in ("", "°", "deg"):
            raise QuantityError(f"{text.strip()!r}: {suffix!r} is not expected here")
        scale = 1.0
    else:
        # A lone prefix is enough on a bench: 470n beside L are nanohenry.
        scale = _scale(suffix, unit)
    decimals = len(number.partition(".")[2])
    return _Shown(float(number) * scale, 10.0**-decimals * scale)


def _scale(suffix: str, unit: str) -> float:
    spelled = {"H": "H", "ohm": "Ω", "V": "V"}[unit]
    if suffix == "":
        return 1.0
    try:
        return parse_quantity(f"1 {suffix}", unit)
    except QuantityError as error:
        if len(suffix) > 1:
            raise
        try:
            return parse_quantity(f"1 {suffix}{spelled}", unit)
        except QuantityError:
            raise error from None


def _trouble(answer: str) -> str | None:
    """Return what a person's answer says is the matter with the meter; None for nothing."""
    words = set(re.findall(r"[a-z.]+", answer.lower()))
    words.add(re.sub(r"[^a-z]", "", answer.lower()))
    for name, (spellings, _) in _TROUBLES.items():
        if words & set(spellings) and not re.search(r"\d", answer):
            return name
    return None


class _ByHand:
    """Hold what the meters read by hand have in common; there is no link to lose."""

    role = ""
    #: tells procedures that a person stands between the meter and the number
    by_hand = True

    def __init__(self, operator: Operator) -> None:
        """Take who is asked."""
        self.address = "by-hand"
        self._operator = operator
        self._told = ""

    @property
    def name(self) -> str:
        """Give the name used in errors."""
        return f"{self.role.replace('_', ' ')} (by hand)"

    @property
    def identity(self) -> Identity:
        """Say that a person reads it."""
        return Identity("", "", "", "", "read by hand")

    def identify(self) -> Identity:
        """Say that a person reads it."""
        return self.identity

    def check_errors(self) -> None:
        """Do nothing: a display has no error queue."""

    def recover(self) -> None:
        """Do nothing: there is no link."""

    def close(self) -> None:
        """Do nothing: there is no link."""

    def _ask(self, name: str, text: str, hint: str) -> str:
        """Ask what the display shows until it is a number or over range."""
        again = ""
        while True:
            # Said once, and again where it was not understood: the same words at each reading hide
            # what changes, the frequency.
            told = f" ({hint})" if hint != self._told else ""
            self._told = hint
            prompt = Prompt("text", name, detail={"text": f"{again}{text}{told}"})
            answer = self._operator.ask(prompt).strip()
            trouble = _trouble(answer)
            if trouble is None:
                return answer
            _, what_to_do = _TROUBLES[trouble]
            self._operator.ask(
                Prompt(
                    "confirm", "wake-the-meter", choices=("done",), default="done",
                    detail={"text": what_to_do, "trouble": trouble},
                )
            )  # fmt: skip
            again = "Now: "


class ByHandImpedanceMeter(_ByHand):
    """Ask a person for what an LCR meter's display shows."""

    role = "impedance_meter"

    def __init__(self, operator: Operator, *, frequency_range_hz: tuple[float, float]) -> None:
        """Take who is asked and what the meter reaches (Hz)."""
        super().__init__(operator)
        self._range_hz = frequency_range_hz
        self._point: ImpedanceConditions | None = None

    @property
    def frequency_range_hz(self) -> tuple[float, float]:
        """Tell the lowest and highest frequency (Hz), by the meter's class."""
        return self._range_hz

    def prepare(self) -> None:
        """Do nothing: mode and frequency are asked for with each reading."""

    def set_point(
        self, *, frequency_hz: float, level_v: float, aperture_s: float, averages: int
    ) -> ImpedanceConditions:
        """Note the point; the person sets it when the reading is asked for.

        Nothing can be read back: level and time are those that were asked for.
        """
        self._point = ImpedanceConditions(frequency_hz, level_v, aperture_s, averages)
        return self._point

    def read_impedance(self) -> ImpedanceReading:
        """Ask for what the display shows at the point and turn it into series form.

        Raises SettingNotTaken where the person says that the meter has no such frequency.
        """
        point = self._point
        if point is None:
            raise InputError(f"{self.name}: set_point() comes before a reading")
        at = format_si(point.frequency_hz, "Hz")
        text = f"Set the LCR meter to {at}, series mode. What does it show"
        while True:
            answer = self._ask("impedance-display", text, _IMPEDANCE_HINT)
            if answer.lower() in _CANNOT:
                raise SettingNotTaken(
                    f"{self.name}: cannot be set to {at}",
                    instrument=self.name,
                    hint="give its class the frequencies that it reaches, or a part type whose "
                    "limits stand at one of them",
                )
            if answer.lower() in _OVER_RANGE:
                return ImpedanceReading(None, None, STATUS_OVER_RANGE, answer, point)
            try:
                return self._reading(answer, point)
            except QuantityError as error:
                text = f"{error.message}. At {at}: what does it show"
                self._told = ""

    def _reading(self, answer: str, point: ImpedanceConditions) -> ImpedanceReading:
        first, second, quantity = _two_numbers(answer)

        def series(a: float, b: float) -> tuple[float, float]:
            resistance, reactance = series_form(quantity, a, b, point.frequency_hz)
            return (math.inf if resistance is None else resistance), reactance

        resistance, reactance = series(first.value, second.value)
        if not math.isfinite(resistance):
            return ImpedanceReading(None, None, STATUS_OVER_RANGE, answer, point)
        # What one step of each number changes; both numbers are rounded for themselves.
        steps = [
            tuple(abs(high - low) / 2 for low, high in zip(down, up, strict=True))
            for down, up in (
                (series(first.value - first.step, second.value),
                 series(first.value + first.step, second.value)),
                (series(first.value, second.value - second.step),
                 series(first.value, second.value + second.step)),
            )
        ]  # fmt: skip
        step_ohm = (math.hypot(steps[0][0], steps[1][0]), math.hypot(steps[0][1], steps[1][1]))
        if not all(map(math.isfinite, step_ohm)):
            raise QuantityError(
                f"{answer!r}: Q has too few digits to say how large the resistance is; "
                "switch the meter to D, or to R and X"
            )
        return ImpedanceReading(resistance, reactance, STATUS_OK, answer, point, step_ohm)


def _two_numbers(answer: str) -> tuple[_Shown, _Shown, str]:
    """Read two lettered numbers; raise QuantityError that says what was expected."""
    pieces = _LETTER.split(answer)
    letters = [letter.upper() for letter in pieces[1::2]]
    if pieces[0].strip() or len(letters) != 2:
        raise QuantityError(f"{answer!r} is not two numbers with their letters")
    numbers = {
        letter: _shown(text.strip().rstrip(",;"), _LETTERS[letter])
        for letter, text in zip(letters, pieces[2::2], strict=True)
    }
    for pair, quantity in _PAIRS.items():
        if set(pair) == set(numbers):
            if quantity in ("ls-q", "ls-d") and numbers[pair[1]].value < 0:
                raise QuantityError(f"{pair[1]} is never below zero")
            return numbers[pair[0]], numbers[pair[1]], quantity
    raise QuantityError(f"{' with '.join(letters)} does not say what the impedance is")


class ByHandMultimeter(_ByHand):
    """Ask a person for the volts on a multimeter's display."""

    role = "multimeter"

    def __init__(self, operator: Operator) -> None:
        """Take who is asked."""
        super().__init__(operator)
        self._conditions: MultimeterConditions | None = None

    def set_dc_voltage(
        self, *, range_v: float | None, integration_periods: float
    ) -> MultimeterConditions:
        """Note range and function; the person sets them when a reading is asked for."""
        self._conditions = MultimeterConditions("dc-voltage", range_v, integration_periods)
        return self._conditions

    def set_resistance(
        self, *, range_ohm: float | None, integration_periods: float, four_wire: bool
    ) -> MultimeterConditions:
        """Refuse: no procedure reads a resistance by eye."""
        raise StepAborted(f"{self.name}: only voltages are read by hand")

    def read(self) -> ScalarReading:
        """Ask for the voltage on the display (V), with its sign."""
        conditions = self._conditions
        if conditions is None:
            raise InputError(f"{self.name}: set a function before a reading")
        in_range = f", {format_si(conditions.range, 'V')} range" if conditions.range else ""
        told = {
            "function": conditions.function,
            "range": conditions.range,
            "integration_periods": conditions.integration_periods,
        }
        text = f"Multimeter on DC volts{in_range}. What does it show"
        while True:
            answer = self._ask("voltage-display", text, _VOLTAGE_HINT)
            if answer.lower() in _OVER_RANGE:
                return ScalarReading(None, "V", STATUS_OVER_RANGE, answer, told)
            try:
                shown = _shown(answer, "V")
            except QuantityError as error:
                text = f"{error.message}. What does the multimeter show"
                self._told = ""
                continue
            return ScalarReading(shown.value, "V", STATUS_OK, answer, told, shown.step)
