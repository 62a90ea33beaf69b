"""At start, find runs that broke off while energised, and see the supply off first."""

from __future__ import annotations

__all__ = ["settle_unfinished"]

from pathlib import Path

from labbench.bench.guarded_supply import output_unknown, wait_discharged
from labbench.errors import InstrumentError, SafetyError
from labbench.ports import Clock, Supply
from labbench.records.journal import OFF_CONFIRMED, UnfinishedRun, amend, find_unfinished


def settle_unfinished(
    directory: Path,
    supply: Supply | None,
    *,
    who: str,
    bench: str | None = None,
    clock: Clock | None = None,
) -> list[UnfinishedRun]:
    """Read every channel back off where a run broke off energised, and return those runs.

    Energy rule 5: nothing else happens before. Only runs of the same `bench` (a run's `opened`
    data) are looked at, as several benches may share a folder; None: all. What was seen is written
    beside each journal, so that the next start is not told again. A channel that is still on is
    switched off, and with a `clock` what each output still holds is waited out: relays may have
    stayed as they were. Raises SafetyError where there is no supply to ask, OutputStateUnknown
    where off cannot be read back, StillCharged where the charge does not go.
    """
    runs = [
        run
        for run in find_unfinished(directory)
        if bench is None or run.opened.get("bench", bench) == bench
    ]
    if not runs:
        return []
    names = ", ".join(run.run for run in runs)
    if supply is None:
        raise SafetyError(
            f"a run broke off while its supply was on ({names}), and this bench has no supply "
            "that could be read back",
            hint="look at the supply: is its output off? Then start with the bench file of that "
            "run",
        )
    were_on = [channel for channel in range(1, supply.channels + 1) if _turned_off(supply, channel)]
    if clock is not None:
        for channel in range(1, supply.channels + 1):
            wait_discharged(supply, channel, clock)
    for run in runs:
        amend(
            run.path,
            what=OFF_CONFIRMED,
            who=who,
            why="the supply was read back off at the next start",
            details={"channels": list(run.channels), "were_still_on": were_on},
            readable=run.problem is None,
            clock=clock,
        )
    return runs


def _turned_off(supply: Supply, channel: int) -> bool:
    """See a channel read back off; tell whether it was still on."""
    try:
        if not supply.is_on(channel):
            return False
        trouble = "it read back on"
    except InstrumentError as error:
        trouble = str(error)
    if not supply.force_off():
        raise output_unknown(supply, channel, trouble)
    return True
