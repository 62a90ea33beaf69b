"""Commands that set one thing and answer what it is."""

from __future__ import annotations

from collections.abc import Callable

from sim.scpi.command import Command
from sim.scpi.numbers import boolean, nr1, nr3
from sim.scpi.parameters import Boolean, Limit, Limits, Number


def number_setting(
    header: str,
    put: Callable[[float], None],
    get: Callable[[], float],
    *,
    unit: str = "",
    limits: Limits | None = None,
    integer: bool = False,
) -> Command:
    """Return a numeric setting; with limits it takes and answers MINimum, MAXimum and DEFault."""

    def answer(limit: float | None = None) -> str:
        value = get() if limit is None else limit
        return nr1(int(value)) if integer else nr3(value)

    return Command(
        header,
        do=put,
        takes=(Number(unit=unit, limits=limits, integer=integer),),
        answer=answer,
        asks=(Limit(limits),) if limits is not None else (),
    )


def switch_setting(header: str, put: Callable[[bool], None], get: Callable[[], bool]) -> Command:
    """Return a setting that is on or off."""
    return Command(header, do=put, takes=(Boolean(),), answer=lambda: boolean(get()))
