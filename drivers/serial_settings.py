"""Hold how a serial line is set: stated by the dialect, never guessed.

A wrong speed shows as silence or as rubbish, so nothing but `quiet` has a default. USB serial
ports of instruments ignore the speed; it is stated all the same.
"""

from __future__ import annotations

__all__ = ["SerialSettings"]

from typing import Literal

from attrs import field, frozen

from labbench.files import MistakeError


def _quiet(value: float) -> None:
    if not 0.02 <= value <= 10:
        raise MistakeError(f"{value:g} is outside 0.02 to 10")


@frozen(kw_only=True)
class SerialSettings:
    """Hold speed (baud), frame and flow control of a serial line.

    quiet: how long (s) the line must be silent before a recovery believes that nothing of an
    earlier reply is on its way: longer than any pause within a reply.
    """

    baud: Literal[300, 600, 1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200, 230400]
    data_bits: Literal[7, 8]
    parity: Literal["none", "even", "odd"]
    stop_bits: Literal[1, 2]
    flow_control: Literal["none", "xon-xoff", "rts-cts"]
    quiet: float = field(default=0.15, metadata={"unit": "s", "check": _quiet})

    def __str__(self) -> str:
        frame = f"{self.data_bits}{self.parity[0].upper()}{self.stop_bits}"
        return f"{self.baud} baud, {frame}, flow control {self.flow_control}"

    def seconds_for(self, count: int) -> float:
        """Tell how long this many bytes take on the line (s): start, data, parity, stop bits."""
        bits = 1 + self.data_bits + (self.parity != "none") + self.stop_bits
        return count * bits / self.baud
