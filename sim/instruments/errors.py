"""The one way in which a behaviour refuses a setting."""

from __future__ import annotations

import math

DATA_OUT_OF_RANGE = -222
SETTINGS_CONFLICT = -221


class SettingError(Exception):
    """A setting was refused and nothing changed; `code` is the SCPI-99 error number."""

    def __init__(self, code: int, message: str) -> None:
        super().__init__(f"{code}: {message}")
        self.code = code
        self.message = message


def within(name: str, value: float, minimum: float, maximum: float) -> float:
    """Give `value` back when it lies within its limits; raise SettingError -222 otherwise."""
    # A setting sent as 30.000000001 for a limit of 30 is the same setting.
    slack = 1e-9 * max(abs(minimum), abs(maximum))
    if not math.isfinite(value) or not minimum - slack <= value <= maximum + slack:
        raise SettingError(
            DATA_OUT_OF_RANGE, f"{name} {value:g} is outside {minimum:g} to {maximum:g}"
        )
    return min(max(value, minimum), maximum)
