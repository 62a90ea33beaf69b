"""Say the name of a characteristic as people say it, with what tells it from its like."""

from __future__ import annotations

__all__ = ["characteristic_words", "spoken_name"]

from labbench.parts.stage_steps import STEPS
from labbench.quantities import format_si
from labbench.results import Characteristic

#: conditions that tell characteristics of one name apart: unit, and what stands after the number
_CONDITIONS = (
    ("gate_source_v", "V", " on the gate"),
    ("drain_source_v", "V", ""),
    ("voltage_v", "V", ""),
    ("current_a", "A", ""),
)
#: how the steps of a power stage are told; `{path}` its two pins, `{state}` what was done to it
_STAGE = {
    "short": "resistance {path}",
    "body-diode": "body diode {path}",
    "hs-leak": "leakage of the high side",
    "ls-leak": "leakage of the low side",
    "vin-leak": "leakage {path}",
    "driver-supply": "current of the driver, {state}",
    "undervoltage": "undervoltage threshold, {state}",
    "pwm-open": "voltage of the open pwm",
    "pwm-current": "current into pwm, {state}",
    "on-resistance": "on resistance {path}",
    "tri-state": "resistance {path} with pwm open",
}
_STATES = {"open": "pwm open", "low": "pwm low", "high": "pwm high"}


def spoken_name(name: str) -> str:
    """Return the name as spoken: `dc-resistance` becomes `dc resistance`."""
    for step in STEPS.values():
        for path in step.paths:
            head, state = name[: len(step.name) + len(path) + 1], name[len(step.name + path) + 2 :]
            if head == f"{step.name}-{path}" and step.name in _STAGE:
                return _STAGE[step.name].format(path=path, state=_STATES.get(state, state))
    return name.replace("-", " ")


def characteristic_words(characteristic: Characteristic) -> str:
    """Return its name as spoken, with the condition that tells it from others of its name."""
    name = spoken_name(characteristic.name)
    for key, unit, more in _CONDITIONS:
        if (at := characteristic.conditions.get(key)) is not None:
            return f"{name} at {format_si(at, unit)}{more}"
    return name
