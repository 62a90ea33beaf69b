"""Take the readings for a compensation: tips open, on a copper strip, on a standard resistor."""

from __future__ import annotations

__all__ = ["PRESS_HOME_S", "REPEATS", "OpenShort", "take_open_short"]

from collections.abc import Sequence

from attrs import evolve, frozen

from labbench.bench.bench import Bench
from labbench.bench.connections import LOAD, OPEN, SHORT
from labbench.ports import Hookup
from labbench.procedures.hookups import COIL_IMPEDANCE
from labbench.procedures.sweep import SweepSettings, impedance_sweep
from labbench.results import Sweep

#: sweeps of each, so that tips that move show
REPEATS = 3

#: bench seconds from a hand's answer to the first reading: an Enter may come with the tips not yet
#: pressed home, which takes some tenths of a second (common practice, no source)
PRESS_HOME_S = 1.0


@frozen
class OpenShort:
    """Hold the raw readings with tips open and with tips shorted, and their time (UTC)."""

    open: Sweep
    short: Sweep
    taken_utc: str
    #: the short placed again, once a sweep
    more_shorts: tuple[Sweep, ...] = ()
    load: Sweep | None = None


def take_open_short(
    bench: Bench,
    frequencies_hz: Sequence[float],
    *,
    settings: SweepSettings | None = None,
    placements: int = 1,
    with_load: bool = False,
    hookup: Hookup = COIL_IMPEDANCE,
) -> OpenShort:
    """Sweep the open and the shorted jig several times each and return the raw readings.

    With `placements` the tips are taken off the strip and put back so often: how far the readings
    then differ is what a contact of this jig is worth. With `with_load` the standard resistor is
    read too.

    They are read with the level of the coil sweeps and twice their time, as their error stays in
    every coil of the session. Judging whether open was open and short was short is metrology's.
    """
    base = settings or SweepSettings(repeats=REPEATS)
    longer = evolve(base, aperture_s=2 * base.aperture_s, repeats=max(base.repeats, REPEATS))

    def sweep(position: str) -> Sweep:
        bench.connect(hookup, position)
        if bench.by_person:
            bench.settle(PRESS_HOME_S)
        return impedance_sweep(
            bench, frequencies_hz, position=position, settings=longer, hookup=hookup
        )

    opened, shorted = sweep(OPEN), sweep(SHORT)
    more = []
    for _ in range(placements - 1):
        bench.connect(hookup, OPEN)  # off the strip, so that the contact is made anew
        more.append(sweep(SHORT))
    load = sweep(LOAD) if with_load else None
    return OpenShort(
        opened, shorted, bench.clock.utc().isoformat(timespec="seconds"), tuple(more), load
    )
