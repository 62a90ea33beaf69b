"""Error numbers and their standard texts."""

from __future__ import annotations

import csv
from functools import cache
from importlib import resources


class ScpiError(Exception):
    """Refuse a command with an error number of SCPI-99 vol. 2, chapter 21."""

    def __init__(self, code: int, info: str = "") -> None:
        """Keep the number and the device-dependent information that goes behind the text."""
        super().__init__(code, info)
        self.code = code
        self.info = info

    @property
    def is_command_error(self) -> bool:
        """Tell whether the message could not be read, so that its rest is dropped too."""
        return -200 < self.code <= -100


@cache
def _texts() -> dict[int, str]:
    text = resources.files("sim.scpi").joinpath("errors.csv").read_text(encoding="utf-8")
    return {int(row["code"]): row["message"] for row in csv.DictReader(text.splitlines())}


def error_text(code: int) -> str:
    """Return the standard text of an error number; for a number without one, its class's text."""
    texts = _texts()
    if code in texts:
        return texts[code]
    return texts.get(-(-code // 100) * 100, "Device specific error") if code < 0 else "Device error"
