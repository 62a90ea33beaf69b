"""What the driver of a power stage remembers: thresholds with hysteresis."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from sim.physics.devices.stage_construction import DriverFigures

Drive = Literal["off", "low", "high"]


@dataclass(frozen=True, slots=True)
class Logic:
    """Every comparator's present answer."""

    powered: bool = False
    enabled: bool = False
    pwm_high: bool = False
    pwm_low: bool = True
    boot_ok: bool = False

    def seen(
        self, driver: DriverFigures, *, drive_v: float, enable_v: float, pwm_v: float, boot_v: float
    ) -> Logic:
        """Give the answers once the comparators have seen these voltages."""
        powered = _above(
            drive_v, self.powered, driver.undervoltage_rising_v, driver.undervoltage_falling_v
        )
        if not powered:
            return Logic()
        return Logic(
            powered=True,
            enabled=_above(enable_v, self.enabled, driver.enable_rising_v, driver.enable_falling_v),
            pwm_high=_above(pwm_v, self.pwm_high, driver.high_rising_v, driver.high_falling_v),
            pwm_low=not _above(pwm_v, not self.pwm_low, driver.low_rising_v, driver.low_falling_v),
            boot_ok=_above(boot_v, self.boot_ok, driver.boot_rising_v, driver.boot_falling_v),
        )

    @property
    def active(self) -> bool:
        """Say whether the driver is powered and enabled."""
        return self.powered and self.enabled


def drives(logic: Logic, stuck: Drive | None = None) -> tuple[bool, bool]:
    """Say which switches are on, high side and low side, of a sound or a stuck output."""
    if not logic.active or stuck == "off":
        return False, False
    if stuck == "high":
        return logic.boot_ok, False
    if stuck == "low":
        return False, True
    return logic.pwm_high and logic.boot_ok, logic.pwm_low


def _above(volts: float, before: bool, rising_v: float, falling_v: float) -> bool:
    return volts > (falling_v if before else rising_v)
