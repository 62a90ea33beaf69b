"""What an instrument defines for each of its commands."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from sim.scpi.parameters import Parameter


@dataclass(frozen=True)
class Command:
    """One header with what it does as a command and as a query; either may be missing.

    ``do`` and ``answer`` get the suffixes of the numbered nodes first, then the values of the
    parameters that were sent. An overlapped command is carried out while a measurement runs; any
    other waits for its end, so that the numbers never depend on who was faster.
    """

    header: str
    do: Callable[..., None] | None = None
    takes: Sequence[Parameter] = ()
    answer: Callable[..., str] | None = None
    asks: Sequence[Parameter] = ()
    overlapped: bool = False
    last_in_message: bool = False  # its reply has no definite end (`*IDN?`)
