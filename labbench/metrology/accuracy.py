"""Say what an instrument of a class may be assumed to get wrong.

The classes are plain descriptions and their figures are **assumed**: cautious ones, from no data
sheet. Single figures are overridden in the bench file from the instrument's own data sheet or
calibration certificate (`[instruments.ROLE.accuracy]`), and `assumed` then lists what is left.

A figure is a limit (rectangular, GUM 4.3.7: u = figure / sqrt 3) unless it says "standard
deviation".
"""

from __future__ import annotations

__all__ = [
    "IMPEDANCE_CLASSES",
    "MULTIMETER_CLASSES",
    "SUPPLY_CLASSES",
    "ImpedanceAccuracy",
    "MultimeterAccuracy",
    "SupplyAccuracy",
    "figure_count",
    "impedance_accuracy",
    "multimeter_accuracy",
    "supply_accuracy",
]

import difflib
import math
from collections.abc import Mapping
from typing import Any, Final, TypeVar

import attrs
import numpy as np
from attrs import field, frozen
from numpy.typing import NDArray

from labbench.errors import InputError, QuantityError
from labbench.quantities import format_si, parse_quantity

# Below `impedance_low_ohm` the relative error grows as 1/|Z|, but no further than this: from
# there on the zero error (floor) describes the meter. Without the cap a short would get an
# endless relative error.
_LOW_IMPEDANCE_CAP: Final = 4.0

# A figure of an instrument's own papers that is worse than its class by this, or a relative one
# that is better by that, is a slip of a prefix or a forgotten per cent sign.
_ABSURDLY_BAD: Final = 300.0
_ABSURDLY_GOOD: Final = 1000.0

_LOWEST_RANGE_V: Final = 0.1


def _figure(key: str, unit: str, **more: Any) -> Any:
    """Declare a figure that the bench file may override under `key`."""
    return field(metadata={"key": key, "unit": unit}, **more)


@frozen(kw_only=True)
class ImpedanceAccuracy:
    """Hold what an LCR meter with its fixture may get wrong.

    relative limit = basic (1 + |Z|/high + min(low/|Z|, 4) + f/frequency_high), the same complex
    error for all readings of a session (gain); then a zero error that open/short compensation
    does not remove (floor), contacts that differ at every placement, and noise.
    """

    class_name: str
    #: relative error in mid range
    basic_relative: float = _figure("basic", "%")
    #: basic relative error once more at this |Z| on the low side, and on the high side
    impedance_low_ohm: float = _figure("impedance_low", "ohm")
    impedance_high_ohm: float = _figure("impedance_high", "ohm")
    #: an over-range reading means at least this |Z|
    impedance_max_ohm: float = _figure("impedance_max", "ohm")
    #: basic relative error once more at this frequency
    frequency_high_hz: float = _figure("frequency_high", "Hz")
    #: zero error left after a short compensation
    floor_resistance_ohm: float = _figure("floor_resistance", "ohm")
    floor_inductance_h: float = _figure("floor_inductance", "H")
    #: scatter from placement to placement, standard deviation
    contact_resistance_ohm: float = _figure("contact_resistance", "ohm")
    contact_inductance_h: float = _figure("contact_inductance", "H")
    #: change of the fixture's stray capacitance between open tips and a part, standard deviation
    stray_capacitance_f: float = _figure("stray_capacitance", "F")
    #: noise of one reading of 1 s (it falls with the root of the time), standard deviation
    noise_relative: float = _figure("noise", "%")
    noise_resistance_ohm: float = _figure("noise_resistance", "ohm")
    frequency_min_hz: float = _figure("frequency_min", "Hz")
    frequency_max_hz: float = _figure("frequency_max", "Hz")
    #: keys whose figures are assumed (from the class) and not from this instrument's papers
    assumed: tuple[str, ...] = ()

    def relative_limit(self, magnitude_ohm: float, frequency_hz: float) -> float:
        """Return the limit of the relative error of a reading of this |Z| at this frequency."""
        low = min(self.impedance_low_ohm / max(magnitude_ohm, 1e-12), _LOW_IMPEDANCE_CAP)
        high = magnitude_ohm / self.impedance_high_ohm
        return self.basic_relative * (1.0 + low + high + frequency_hz / self.frequency_high_hz)

    def relative_limits(
        self, magnitude_ohm: NDArray[np.float64], frequency_hz: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return `relative_limit` for arrays of one shape."""
        low = np.minimum(
            self.impedance_low_ohm / np.maximum(magnitude_ohm, 1e-12), _LOW_IMPEDANCE_CAP
        )
        high = magnitude_ohm / self.impedance_high_ohm
        return self.basic_relative * (1.0 + low + high + frequency_hz / self.frequency_high_hz)

    def noise_ohm(self, magnitude_ohm: float, time_s: float) -> float:
        """Return the standard deviation of real or imaginary part of one reading of this time.

        High up the current through the part is what is lost in noise, so the relative noise grows
        with |Z| there, as the relative error does.
        """
        relative = self.noise_relative * (1.0 + magnitude_ohm / self.impedance_high_ohm)
        at_1_s = math.hypot(relative * magnitude_ohm, self.noise_resistance_ohm)
        return at_1_s / math.sqrt(time_s)


@frozen(kw_only=True)
class MultimeterAccuracy:
    """Hold what a multimeter may get wrong in DC voltage; figures `of_range` are per range."""

    class_name: str
    #: relative error of the reading
    gain_relative: float = _figure("gain", "%")
    #: zero error of the lowest range (0.1 V); it cancels between an on and an off reading
    offset_of_range: float = _figure("offset", "%")
    #: zero error of the ranges above, where the same microvolts are less of the range
    offset_of_higher_ranges: float = _figure("offset_higher", "%")
    #: noise of one reading, standard deviation
    noise_of_range: float = _figure("noise", "%")
    #: one digit of the display, over the range
    resolution_of_range: float = _figure("resolution", "%")
    #: what a drifting thermal voltage leaves behind between on and off, standard deviation
    thermal_drift_v: float = _figure("thermal_drift", "V")
    assumed: tuple[str, ...] = ()

    def zero_v(self, range_v: float) -> float:
        """Return the limit of the zero error of a range (V)."""
        low = range_v <= _LOWEST_RANGE_V
        return (self.offset_of_range if low else self.offset_of_higher_ranges) * range_v

    def noise_v(self, range_v: float, integration_periods: float = 10.0) -> float:
        """Return the standard deviation of one reading of a range (V), its last digit included.

        The class figure is that of ten mains periods; white noise grows as their root falls.
        """
        noise = self.noise_of_range * math.sqrt(10.0 / integration_periods)
        return range_v * math.hypot(noise, self.resolution_of_range / math.sqrt(12.0))


@frozen(kw_only=True)
class SupplyAccuracy:
    """Hold what a supply may get wrong in its own readback, and its leads in a resistance."""

    class_name: str
    voltage_gain_relative: float = _figure("voltage_gain", "%")
    voltage_offset_v: float = _figure("voltage_offset", "V")
    #: one digit of the voltage readback
    voltage_step_v: float = _figure("voltage_step", "V")
    current_gain_relative: float = _figure("current_gain", "%")
    current_offset_a: float = _figure("current_offset", "A")
    #: one digit of the current readback
    current_step_a: float = _figure("current_step", "A")
    #: scatter of the lead contacts from hookup to hookup, standard deviation
    lead_contact_ohm: float = _figure("lead_contact", "ohm")
    #: how well the resistance of the leads stays what it was, standard deviation, relative
    lead_relative: float = _figure("lead", "%")
    assumed: tuple[str, ...] = ()


def figure_count(accuracy: ImpedanceAccuracy | MultimeterAccuracy | SupplyAccuracy) -> int:
    """Return how many figures this kind of accuracy has."""
    return len(_keys(type(accuracy)))


_Accuracy = TypeVar("_Accuracy", ImpedanceAccuracy, MultimeterAccuracy, SupplyAccuracy)


def _keys(cls: type[Any]) -> dict[str, Any]:
    """Return the overridable figures: key -> attrs attribute."""
    return {a.metadata["key"]: a for a in attrs.fields(cls) if "key" in a.metadata}


def _preset(cls: type[_Accuracy], class_name: str, **figures: float) -> _Accuracy:
    return cls(class_name=class_name, assumed=tuple(_keys(cls)), **figures)


IMPEDANCE_CLASSES: Final[Mapping[str, ImpedanceAccuracy]] = {
    "hand-100kHz": _preset(
        ImpedanceAccuracy, "hand-100kHz",
        basic_relative=3e-3, impedance_low_ohm=10e-3, impedance_high_ohm=1e5, impedance_max_ohm=1e6,
        frequency_high_hz=1e5, floor_resistance_ohm=1e-3, floor_inductance_h=15e-9,
        contact_resistance_ohm=1e-3, contact_inductance_h=3e-9, stray_capacitance_f=0.3e-12,
        noise_relative=1.5e-4, noise_resistance_ohm=6e-5,
        frequency_min_hz=100.0, frequency_max_hz=1e5,
    ),
    "bench-300kHz": _preset(
        ImpedanceAccuracy, "bench-300kHz",
        basic_relative=1e-3, impedance_low_ohm=4e-3, impedance_high_ohm=5e5, impedance_max_ohm=1e6,
        frequency_high_hz=3e5, floor_resistance_ohm=2e-4, floor_inductance_h=3e-9,
        contact_resistance_ohm=4e-4, contact_inductance_h=2e-9, stray_capacitance_f=0.2e-12,
        noise_relative=5e-5, noise_resistance_ohm=3e-5,
        frequency_min_hz=20.0, frequency_max_hz=3e5,
    ),
    "bench-1MHz": _preset(
        ImpedanceAccuracy, "bench-1MHz",
        basic_relative=5e-4, impedance_low_ohm=2e-3, impedance_high_ohm=1e6, impedance_max_ohm=1e6,
        frequency_high_hz=1e6, floor_resistance_ohm=1e-4, floor_inductance_h=1e-9,
        contact_resistance_ohm=2e-4, contact_inductance_h=1e-9, stray_capacitance_f=0.2e-12,
        noise_relative=2e-5, noise_resistance_ohm=2e-5,
        frequency_min_hz=20.0, frequency_max_hz=1e6,
    ),
    "bench-5MHz": _preset(
        ImpedanceAccuracy, "bench-5MHz",
        basic_relative=8e-4, impedance_low_ohm=2e-3, impedance_high_ohm=1e6, impedance_max_ohm=1e6,
        frequency_high_hz=5e6, floor_resistance_ohm=1e-4, floor_inductance_h=1e-9,
        contact_resistance_ohm=2e-4, contact_inductance_h=1e-9, stray_capacitance_f=0.2e-12,
        noise_relative=2e-5, noise_resistance_ohm=2e-5,
        frequency_min_hz=20.0, frequency_max_hz=5e6,
    ),
}  # fmt: skip
"""Assumed, from no data sheet."""

MULTIMETER_CLASSES: Final[Mapping[str, MultimeterAccuracy]] = {
    "4.5-digit": _preset(
        MultimeterAccuracy, "4.5-digit",
        gain_relative=1e-3, offset_of_range=3e-4, offset_of_higher_ranges=3e-4,
        noise_of_range=5e-5, resolution_of_range=1e-4, thermal_drift_v=2e-6,
    ),
    "5.5-digit": _preset(
        MultimeterAccuracy, "5.5-digit",
        gain_relative=3e-4, offset_of_range=1e-4, offset_of_higher_ranges=4e-5,
        noise_of_range=1.5e-5, resolution_of_range=1e-5, thermal_drift_v=1e-6,
    ),
    "6.5-digit": _preset(
        MultimeterAccuracy, "6.5-digit",
        gain_relative=1.5e-4, offset_of_range=5e-5, offset_of_higher_ranges=1e-5,
        noise_of_range=5e-6, resolution_of_range=1e-6, thermal_drift_v=5e-7,
    ),
}  # fmt: skip
"""Assumed, from no data sheet."""

SUPPLY_CLASSES: Final[Mapping[str, SupplyAccuracy]] = {
    "1mV-1mA": _preset(
        SupplyAccuracy, "1mV-1mA",
        voltage_gain_relative=5e-4, voltage_offset_v=2e-3, voltage_step_v=1e-3,
        current_gain_relative=2e-3, current_offset_a=3e-3, current_step_a=1e-3,
        lead_contact_ohm=1e-3, lead_relative=0.03,
    ),
    "1mV-0.1mA": _preset(
        SupplyAccuracy, "1mV-0.1mA",
        voltage_gain_relative=5e-4, voltage_offset_v=2e-3, voltage_step_v=1e-3,
        current_gain_relative=2e-3, current_offset_a=1.5e-3, current_step_a=1e-4,
        lead_contact_ohm=1e-3, lead_relative=0.03,
    ),
    "10mV-10mA": _preset(
        SupplyAccuracy, "10mV-10mA",
        voltage_gain_relative=2e-3, voltage_offset_v=2e-2, voltage_step_v=1e-2,
        current_gain_relative=5e-3, current_offset_a=2e-2, current_step_a=1e-2,
        lead_contact_ohm=1e-3, lead_relative=0.03,
    ),
}  # fmt: skip
"""Assumed, from no data sheet."""


def impedance_accuracy(
    class_name: str, overrides: Mapping[str, str] | None = None
) -> ImpedanceAccuracy:
    """Return the accuracy of an LCR meter class, single figures overridden ("basic": "0.05 %").

    Raises InputError with every unknown class, unknown key and unreadable or impossible figure.
    """
    return _accuracy("impedance meter", IMPEDANCE_CLASSES, class_name, overrides or {})


def multimeter_accuracy(
    class_name: str, overrides: Mapping[str, str] | None = None
) -> MultimeterAccuracy:
    """Return the accuracy of a multimeter class, single figures overridden; as above."""
    return _accuracy("multimeter", MULTIMETER_CLASSES, class_name, overrides or {})


def supply_accuracy(class_name: str, overrides: Mapping[str, str] | None = None) -> SupplyAccuracy:
    """Return the accuracy of a supply class, single figures overridden; as above."""
    return _accuracy("supply", SUPPLY_CLASSES, class_name, overrides or {})


def _accuracy(
    role: str, classes: Mapping[str, _Accuracy], class_name: str, overrides: Mapping[str, str]
) -> _Accuracy:
    preset = classes.get(class_name)
    problems = []
    if preset is None:
        problems.append(
            f"{role}: there is no accuracy class {class_name!r}"
            + _did_you_mean(class_name, classes)
        )
        preset = next(iter(classes.values()))
    keys = _keys(type(preset))
    changes: dict[str, Any] = {}
    for key, text in overrides.items():
        if key not in keys:
            problems.append(f"{role}, accuracy: unknown figure {key!r}" + _did_you_mean(key, keys))
            continue
        attribute = keys[key]
        try:
            value = parse_quantity(text, attribute.metadata["unit"])
        except QuantityError as error:
            problems.append(f"{role}, accuracy.{key}: {error}")
            continue
        if value <= 0.0:
            problems.append(f"{role}, accuracy.{key}: {text!r} is not greater than zero")
            continue
        usual = getattr(preset, attribute.name)
        if _is_absurd(key, value / usual, attribute.metadata["unit"]):
            problems.append(
                f"{role}, accuracy.{key}: {text!r} cannot be right: an instrument of class "
                f"{class_name} has some {_figure_text(usual, attribute.metadata['unit'])}, and "
                f"this is {'more' if value > usual else 'less'} by a factor of "
                f"{max(value / usual, usual / value):.3g}: is the unit right?"
            )
            continue
        changes[attribute.name] = value
    if problems:
        raise InputError(
            "\n".join(problems),
            hint="classes: " + ", ".join(classes) + "; figures: " + ", ".join(keys),
        )
    merged = attrs.evolve(preset, **changes)
    if isinstance(merged, ImpedanceAccuracy) and (
        merged.frequency_min_hz >= merged.frequency_max_hz
    ):
        raise InputError(
            f"{role}, accuracy: frequency_min {merged.frequency_min_hz:g} Hz does not lie below "
            f"frequency_max {merged.frequency_max_hz:g} Hz"
        )
    changes["assumed"] = tuple(key for key in preset.assumed if key not in overrides)
    return attrs.evolve(preset, **changes)


def _is_absurd(key: str, ratio: float, unit: str) -> bool:
    if key.startswith("frequency_"):
        return False
    return ratio > _ABSURDLY_BAD or (unit == "%" and ratio < 1.0 / _ABSURDLY_GOOD)


def _figure_text(value: float, unit: str) -> str:
    return f"{100.0 * value:g} %" if unit == "%" else format_si(value, unit, 2)


def _did_you_mean(word: str, known: Mapping[str, object]) -> str:
    close = difflib.get_close_matches(word, known, n=1, cutoff=0.5)
    return f"; did you mean {close[0]!r}?" if close else ""
