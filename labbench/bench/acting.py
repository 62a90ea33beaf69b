"""Guard and journal every action: the ground that the bench stands on."""

from __future__ import annotations

__all__ = ["OUT_OF_STEP", "Acting"]

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import TypeVar

from labbench.bench.bench_file import BenchLimits
from labbench.bench.connections import ByPerson, BySwitch, Connections, Joined
from labbench.bench.guarded_supply import GuardedSupply
from labbench.bench.steps import Step, Steps, said
from labbench.bench.stop import StopFlag
from labbench.errors import (
    InputError,
    InstrumentError,
    JournalFailed,
    LinkLost,
    OutOfStep,
    ReplyMalformed,
    ReplyTimeout,
    SafetyError,
    StepAborted,
    StoppedByPerson,
)
from labbench.ports import (
    Answer,
    Clock,
    Event,
    ImpedanceMeter,
    Instrument,
    Multimeter,
    Operator,
    Prompt,
    Supply,
    Switch,
)
from labbench.records.journal import Journal

#: errors after which a link has to be brought back into step
OUT_OF_STEP = (ReplyTimeout, ReplyMalformed, OutOfStep, LinkLost)
#: a stop during a settle is seen after this many bench seconds at the latest
_SLICE_S = 0.05

T = TypeVar("T")


class Acting:
    """Hold the instruments, the person, the clock and the journal, and guard each action.

    Every action looks at the stop flag and at the time an output has been on; a reading is on
    disk before the next action.
    """

    def __init__(
        self,
        *,
        impedance_meter: ImpedanceMeter | None,
        supply: Supply | None,
        multimeter: Multimeter | None,
        switch: Switch | None,
        operator: Operator,
        clock: Clock,
        journal: Journal,
        limits: BenchLimits | None,
        hookups: Mapping[str, Sequence[int]],
        positions: Mapping[str, Sequence[int]],
        stop: StopFlag,
        output_capacitance_f: float | None = None,
        supply_leads_ohm: float | None = None,
    ) -> None:
        if supply is not None and limits is None:
            raise InputError("a bench with a supply needs its limits: [limits] in the bench file")
        self.impedance_meter = impedance_meter
        self.supply = supply
        self.multimeter = multimeter
        self.switch = switch
        self.operator = operator
        self.clock = clock
        self.journal = journal
        self.limits = limits
        self.stop = stop
        self.supply_leads_ohm = supply_leads_ohm
        self.joined = Joined()
        self._connections: Connections = (
            BySwitch(switch, hookups, positions)
            if switch is not None
            else ByPerson(self.ask, self.tell)
        )
        self._steps = Steps(journal)
        self._consent = False
        self._consent_stays = False
        self._multimeter_function: str | None = None
        self._guard: GuardedSupply | None = None
        if supply is not None and limits is not None:
            self._guard = GuardedSupply(
                supply,
                limits=limits,
                clock=clock,
                journal=journal,
                stop=stop,
                output_capacitance_f=output_capacitance_f,
            )

    @property
    def instruments(self) -> tuple[Instrument, ...]:
        """Return the instruments that this bench has."""
        all_roles = (self.impedance_meter, self.supply, self.multimeter, self.switch)
        return tuple(instrument for instrument in all_roles if instrument is not None)

    def ask(self, prompt: Prompt) -> Answer:
        """Ask the person and return the answer, one of the prompt's choices where it has any.

        Raises SafetyError while an output is on (a person may take any time), StoppedByPerson.
        """
        self.stop.check()
        self._refuse_while_on(f"ask {prompt.kind} {prompt.name!r}")
        self.journal.write("asked", prompt=prompt)
        try:
            answer = self.operator.ask(prompt)
        except StoppedByPerson:
            self.stop.request("the person asked")
            raise
        self.journal.write("answered", name=prompt.name, prompt_kind=prompt.kind, answer=answer)
        if prompt.choices and answer not in prompt.choices:
            raise InputError(
                f"{prompt.name!r} was answered with {answer!r}; "
                f"it takes {', '.join(prompt.choices)}"
            )
        self.stop.check()
        return answer

    def tell(self, event: Event) -> None:
        """Tell the person; never waits."""
        self.operator.tell(event)

    def settle(self, seconds: float) -> None:
        """Wait that many bench seconds; a stop ends it within 50 ms of them."""
        self._check_time(seconds)
        until = self.clock.monotonic_s() + seconds
        while True:
            self.stop.check()
            left = until - self.clock.monotonic_s()
            if left <= 0:
                return
            self.clock.sleep_s(min(left, _SLICE_S))

    @contextmanager
    def step(self, name: str, **detail: object) -> Iterator[Step]:
        """Enclose readings that count only together.

        Ends with the error queue of every instrument used in it. Readings of a step that did not
        end clean are marked void in the journal.
        """
        self.stop.check()
        try:
            with self._steps.step(name, detail) as step:
                yield step
                # A stop switches off at once: a reading that was under way then saw both states.
                self.stop.check()
        except InstrumentError as error:
            self.stop.instead_of(error)
            raise

    def repeatable(self, name: str, action: Callable[[], T], **detail: object) -> T:
        """Run a step that only reads; repeat it once when a link fell out of step.

        The first readings are void, the links are brought back into step, and both is journalled.
        Never for a step that energises: a set is not repeated blindly.
        """
        self._refuse_while_on(f"repeat {name}")
        try:
            with self.step(name, **detail) as step:
                return action()
        except OUT_OF_STEP as error:
            if self.stop.requested:
                raise
            for instrument in step.instruments:
                try:
                    instrument.recover()
                except InstrumentError as second:
                    error.add_note(f"besides, could not recover {instrument.role}: {second}")
                    raise error from None
                self.journal.write(
                    "recovered", role=instrument.role, step=step.id, error=said(error)
                )
            if self.multimeter in step.instruments:
                self._multimeter_function = None
        with self.step(name, repeats=step.id, **detail):
            return action()

    def _take(self, instrument: Instrument, quantity: str, read: Callable[[], T]) -> T:
        step = self._steps.current(f"read {quantity}")
        with self._acting(instrument):
            reading = read()
        # On disk before the next action; a stop is looked at by that one.
        step.readings.append(
            self.journal.write(
                "reading",
                step=step.id,
                role=instrument.role,
                quantity=quantity,
                hookup=self.joined.hookup.name if self.joined.hookup else None,
                position=self.joined.position,
                reading=reading,
            )
        )
        self.tell(Event("reading", {"step": step.name, "quantity": quantity, "reading": reading}))
        return reading

    @contextmanager
    def _acting(self, instrument: Instrument | None) -> Iterator[None]:
        """Look at the stop flag and the time on, note who is used, journal what goes wrong."""
        self.stop.check()
        self._check_time()
        if instrument is not None:
            self._use(instrument)
        try:
            yield
        except InstrumentError as error:
            try:
                self.journal.write(
                    "instrument-error",
                    role=error.instrument or (instrument.role if instrument else None),
                    asked=error.asked,
                    answered=error.answered,
                    error=said(error),
                )
            except JournalFailed as second:
                error.add_note(f"besides, it could not be journalled: {second}")
            self.stop.instead_of(error)
            raise

    def _use(self, instrument: Instrument) -> None:
        self._steps.use(instrument)

    def _check_time(self, more_s: float = 0.0) -> None:
        if self._guard is not None and self._guard.energised_now is not None:
            self._guard.energised_now.check_time(more_s)

    def _refuse_while_on(self, what: str) -> None:
        if self._guard is not None and self._guard.energised_now is not None:
            raise SafetyError(f"{what}: not while an output is on")

    def _require_guard(self) -> GuardedSupply:
        if self._guard is None:
            raise StepAborted("this needs a supply, and the bench file has none")
        return self._guard

    def _require(self, instrument: T | None, what: str) -> T:
        if instrument is None:
            raise StepAborted(f"this needs {what}, and the bench file has none")
        return instrument
