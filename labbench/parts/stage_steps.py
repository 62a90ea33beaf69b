"""Name the steps, paths and states of a power stage, as its readings and its limits say them.

One list for part types, procedures, readings files and judging. A path is two of the pins vin, sw,
pgnd, vdrv, boot, pwm, en, or an inside place (`hs-gate`, `ls-gate`).
"""

from __future__ import annotations

__all__ = [
    "BODY_DIODE",
    "DRIVER_SUPPLY",
    "HS_LEAK",
    "LS_LEAK",
    "ON_RESISTANCE",
    "PATHS",
    "PIN_ROLES",
    "PWM_CURRENT",
    "PWM_OPEN",
    "SEATING",
    "SHORT",
    "STEPS",
    "TRI_STATE",
    "UNDERVOLTAGE",
    "VIN_LEAK",
    "Step",
]

from collections.abc import Mapping
from typing import Final, Literal

from attrs import field, frozen


@frozen
class Step:
    """Hold what a step reads: its unit, its paths, and the states that belong to it."""

    name: str
    unit: Literal["A", "V", "ohm"]
    paths: tuple[str, ...]
    #: key of the state -> what it may be; the step has one reading for each
    states: Mapping[str, tuple[str, ...]] = field(factory=dict)


#: 0.2 V through 100 ohm, others open; `polarity` "-" has the second pin positive
SHORT: Final = Step(
    "short", "ohm",
    ("vin-sw", "sw-pgnd", "vin-pgnd", "vdrv-pgnd", "boot-sw", "pwm-pgnd", "en-pgnd"),
    {"polarity": ("+", "-")},
)  # fmt: skip
#: the other pairs of terminals at 0.2 V: with the paths of `short` they tell how the part lies
SEATING: Final = Step(
    "seating", "ohm",
    (
        "vin-vdrv", "vin-boot", "vin-pwm", "vin-en", "sw-vdrv", "sw-pwm", "sw-en", "pgnd-boot",
        "vdrv-boot", "vdrv-pwm", "vdrv-en", "boot-pwm", "boot-en", "pwm-en",
    ),
)  # fmt: skip
#: 10 mA, from sw to vin (high side) and from pgnd to sw (low side)
BODY_DIODE: Final = Step("body-diode", "V", ("vin-sw", "sw-pgnd"))
#: vin at its test voltage, sw over 10 kohm to pgnd, boot tied to sw
HS_LEAK: Final = Step("hs-leak", "A", ("vin-sw",))
#: vin, sw and boot together at the test voltage, against pgnd
LS_LEAK: Final = Step("ls-leak", "A", ("sw-pgnd",))
#: vin at the test voltage, sw and pgnd together
VIN_LEAK: Final = Step("vin-leak", "A", ("vin-pgnd",))
#: current into vdrv at 5 V, vin and sw tied to pgnd: standby (en 0), or en 1 with pwm as said
DRIVER_SUPPLY: Final = Step(
    "driver-supply", "A", ("vdrv-pgnd",), {"drive": ("standby", "open", "low", "high")}
)
#: vdrv at which the low side begins (rising) and ceases (falling) to conduct
UNDERVOLTAGE: Final = Step("undervoltage", "V", ("vdrv-pgnd",), {"edge": ("rising", "falling")})
#: voltage that pwm takes when nothing drives it
PWM_OPEN: Final = Step("pwm-open", "V", ("pwm",))
#: current into pwm when it is held low or high
PWM_CURRENT: Final = Step("pwm-current", "A", ("pwm",), {"pwm": ("low", "high")})
#: of a switch that is commanded on
ON_RESISTANCE: Final = Step("on-resistance", "ohm", ("vin-sw", "sw-pgnd"))
#: of both switches with pwm open: neither conducts
TRI_STATE: Final = Step("tri-state", "ohm", ("vin-sw", "sw-pgnd"))

STEPS: Final[Mapping[str, Step]] = {
    step.name: step
    for step in (
        SEATING, SHORT, BODY_DIODE, HS_LEAK, LS_LEAK, VIN_LEAK, DRIVER_SUPPLY, UNDERVOLTAGE,
        PWM_OPEN, PWM_CURRENT, ON_RESISTANCE, TRI_STATE,
    )
}  # fmt: skip

PATHS: Final = (
    "vin-sw", "sw-pgnd", "vin-pgnd", "vdrv-pgnd", "boot-sw", "pwm-pgnd", "en-pgnd", "pwm", "en",
    "hs-gate", "ls-gate", "vin", "sw", "pgnd",
)  # fmt: skip

#: what a pin may be; those that no step uses are named so that the jig knows them
PIN_ROLES: Final = (
    "vin", "sw", "pgnd", "agnd", "vdrv", "boot", "phase", "pwm", "en", "temperature",
    "current-report", "fault", "unused",
)  # fmt: skip
