"""Keep together the readings that count only together."""

from __future__ import annotations

__all__ = ["Step", "Steps", "said"]

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from functools import partial

from attrs import Factory, define

from labbench.bench.cleanups import CleanUps
from labbench.errors import StepAborted
from labbench.ports import Instrument
from labbench.records.journal import Journal


@define
class Step:
    """Hold a step under way: its readings' numbers in the journal and the instruments used."""

    id: str
    name: str
    readings: list[int] = Factory(list)
    instruments: list[Instrument] = Factory(list)


class Steps:
    """Begin and end steps, one at a time."""

    def __init__(self, journal: Journal) -> None:
        self._journal = journal
        self._count = 0
        self._current: Step | None = None

    def current(self, what: str) -> Step:
        """Return the step under way; raise StepAborted for a reading outside of one."""
        if self._current is None:
            raise StepAborted(f"{what}: a reading counts only inside a step")
        return self._current

    def use(self, instrument: Instrument) -> None:
        """Note that the step under way used an instrument."""
        step = self._current
        if step is not None and instrument not in step.instruments:
            step.instruments.append(instrument)

    @contextmanager
    def step(self, name: str, detail: Mapping[str, object]) -> Iterator[Step]:
        """Enclose a step: it is clean when the body and every instrument's error queue are."""
        if self._current is not None:
            raise StepAborted(f"the step {name!r} was begun inside {self._current.name!r}")
        self._count += 1
        step = Step(f"{name}#{self._count}", name)
        self._journal.write("step-begun", step=step.id, name=name, detail=detail)
        self._current = step
        try:
            yield step
            # A doubled reply answers the next query before any check can see it, and a refused
            # setting shows only in the error queue: so the step's end decides about all of it.
            for instrument in step.instruments:
                instrument.check_errors()
        except BaseException as error:
            clean_ups = CleanUps()
            clean_ups.add("journal the end of the step", partial(self._end, step, error))
            clean_ups.run(error)
            raise
        else:
            self._journal.write("step-ended", step=step.id, clean=True)
        finally:
            self._current = None

    def _end(self, step: Step, error: BaseException) -> None:
        reason = said(error)
        if step.readings:
            self._journal.write("void", step=step.id, readings=step.readings, reason=reason)
        self._journal.write("step-ended", step=step.id, clean=False, reason=reason)


def said(error: BaseException) -> str:
    """Return what the journal keeps of an error."""
    return f"{type(error).__name__}: {error}"
