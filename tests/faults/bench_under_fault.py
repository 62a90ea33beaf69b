"""Run a procedure over real sockets while one exchange goes wrong, and look at what is left.

One simulated bench serves many cases: a fault is scheduled at exchange N of one instrument,
counted from the opening of its link; the run takes place; then everything is looked at past every
link: the simulated output, what the instruments really answered, the journal. Then the link heals
and the next run has to work.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from attrs import Factory, define, evolve, frozen

from labbench.bench.bench import Bench
from labbench.bench.bench_file import BenchFile, load_bench_file
from labbench.bench.opened import OpenBench
from labbench.bench.stop import StopFlag
from labbench.compose import data_folder, open_bench
from labbench.errors import LabbenchError, OutputStateUnknown
from labbench.jobs.part_types import for_name_or_marking
from labbench.jobs.run import bench_run, settle_earlier_runs
from labbench.jobs.verify import Request, verify
from labbench.parts.coil_type import CoilType
from labbench.ports import Event, ImpedanceReading, Prompt, ScalarReading
from labbench.procedures.bias import inductance_under_bias, take_network_open_short
from labbench.procedures.compensation import take_open_short
from labbench.procedures.contact import wait_for_contact
from labbench.procedures.dc_resistance import Method, dc_resistance
from labbench.procedures.insulation import insulation
from labbench.procedures.sweep import impedance_sweep
from labbench.records.folder import DataFolder
from labbench.records.journal import JournalFile, is_amendment, read_journal
from sim.bench import VirtualBench
from sim.clock import ManualClock
from sim.link_faults import FaultKind, FaultSchedule, LinkFault
from sim.links.kinds import impossible
from sim.served import ServedBench
from tests.faults.from_the_journal import measured_from_journal

#: longest wait for an answer: a time-out costs no more than that (real s)
WAIT_S = 0.12
#: the same where a serial line has to fall silent first
SERIAL_WAIT_S = 0.4

#: every way in which an exchange goes wrong; what has no answer cannot go wrong in the way of one
KINDS: tuple[FaultKind, ...] = (
    "refuse", "silent", "late", "split", "double", "repeat-later", "garble", "disconnect",
    "act-but-lose-reply", "act-and-disconnect",
)  # fmt: skip
KINDS_WITHOUT_REPLY: tuple[FaultKind, ...] = ("refuse", "silent", "disconnect",
                                              "act-and-disconnect")  # fmt: skip

SPECIMEN = "D1"


@frozen
class Case:
    """Name one case: exchange `number` of `role`, counted from its opening, fails in one way."""

    procedure: str
    role: str
    number: int
    kind: FaultKind


@define
class Found:
    """Count what was found after the cases."""

    cases: int = 0
    completed: int = 0
    ended_with_an_error: int = 0
    nothing_opened: int = 0
    never_reached: int = 0
    #: runs that a slow computer ended before their exchange, and that were tried again
    tried_again: int = 0
    state_unknown_and_said: int = 0
    readings_in_force: int = 0
    readings_void: int = 0
    left_on_silently: list[str] = Factory(list)
    wrong_in_force: list[str] = Factory(list)
    journal_trouble: list[str] = Factory(list)
    next_run_failed: list[str] = Factory(list)
    foreign_errors: list[str] = Factory(list)
    damage: list[str] = Factory(list)
    #: bias currents that were cut off though the supply itself answered, and could run them down
    cut_off: list[str] = Factory(list)
    cut_off_with_the_supply: int = 0

    def add(self, other: Found) -> None:
        for name in self.__slots__:  # type: ignore[attr-defined]
            if name != "__weakref__":
                setattr(self, name, getattr(self, name) + getattr(other, name))

    def __str__(self) -> str:
        return (
            f"{self.cases} cases: {self.completed} runs went on to their end, "
            f"{self.ended_with_an_error} ended with an error, {self.nothing_opened} never opened "
            f"(fault not reached: {self.never_reached}; tried again: {self.tried_again})\n"
            f"  left on silently: {len(self.left_on_silently)} "
            f"(said to be unknown: {self.state_unknown_and_said})\n"
            f"  wrong readings in force: {len(self.wrong_in_force)} of {self.readings_in_force} "
            f"(void: {self.readings_void})\n"
            f"  journals in trouble: {len(self.journal_trouble)}, "
            f"next runs that failed: {len(self.next_run_failed)}, "
            f"errors not ours: {len(self.foreign_errors)}, damage: {len(self.damage)}\n"
            f"  bias currents cut off: {len(self.cut_off)} "
            f"(where the supply did not answer: {self.cut_off_with_the_supply})"
        )

    @property
    def troubles(self) -> list[str]:
        return [
            *self.left_on_silently, *self.wrong_in_force, *self.journal_trouble,
            *self.next_run_failed, *self.foreign_errors, *self.damage, *self.cut_off,
        ]  # fmt: skip


class Person:
    """Agree to everything, say nothing, and note the readings that were journalled, in order."""

    interactive = False

    def __init__(self) -> None:
        self.journalled: list[Any] = []
        self.told: list[Event] = []

    def ask(self, prompt: Prompt) -> str:
        # a board that is off, or ready for power, is nothing that Enter alone may say
        agreed = {"look": "fine", "all-off": "yes", "first-power": "yes"}
        return agreed.get(prompt.name, prompt.default or "yes")

    def tell(self, event: Event) -> None:
        self.told.append(event)
        if event.kind == "reading":
            self.journalled.append(event.detail["reading"])


class _Clock:
    """Be the core's clock on the simulated bench, whose time jumps."""

    def __init__(self, simulated: ManualClock) -> None:
        self._simulated = simulated

    def utc(self) -> datetime:
        return datetime.now(UTC)

    def monotonic_s(self) -> float:
        return self._simulated.now_s()

    def sleep_s(self, seconds: float) -> None:
        self._simulated.sleep_s(seconds)


@frozen
class _Answered:
    """Hold one exchange as the simulated instrument had it, and how the bench stood then."""

    message: str
    reply: str | None
    relays: tuple[int, ...]
    frequency_hz: float


@frozen
class _Taken:
    """Hold what a driver gave for a reading, and what the instrument had really answered."""

    role: str
    reading: Any
    truth: str | None
    relays: tuple[int, ...]
    frequency_hz: float


class _Witness:
    """Stand between the core and a driver, and note each reading beside the true answer."""

    def __init__(self, inner: Any, log: list[_Answered], taken: list[_Taken]) -> None:
        self._inner = inner
        self._log = log
        self._taken = taken

    def __getattr__(self, name: str) -> Any:
        return getattr(self._inner, name)

    def read_impedance(self) -> ImpedanceReading:
        return self._noted(self._inner.read_impedance, "READ?", "FETC?")

    def read(self) -> ScalarReading:
        return self._noted(self._inner.read, "READ?", "FETC?")

    def read_voltage(self, channel: int) -> ScalarReading:
        return self._noted(lambda: self._inner.read_voltage(channel), "MEAS:VOLT?")

    def read_current(self, channel: int) -> ScalarReading:
        return self._noted(lambda: self._inner.read_current(channel), "MEAS:CURR?")

    def _noted(self, read: Callable[[], Any], *queries: str) -> Any:
        before = len(self._log)
        reading = read()
        asked = [each for each in self._log[before:] if any(q in each.message for q in queries)]
        last = asked[-1] if asked else _Answered(queries[0], None, (), 0.0)
        self._taken.append(
            _Taken(self._inner.role, reading, last.reply, last.relays, last.frequency_hz)
        )
        return reading


Procedure = Callable[["Site", OpenBench], None]


class Site:
    """Hold one served bench, its data folder and the procedures that are run on it."""

    def __init__(
        self, folder: Path, scenario: str | Path = "one-coil",
        procedures: Mapping[str, Procedure] | None = None,
    ) -> None:  # fmt: skip
        self.procedures = PROCEDURES if procedures is None else procedures
        self.served = ServedBench(scenario, manual_clock=True)
        assert isinstance(self.served.clock, ManualClock)
        self._clock = _Clock(self.served.clock)
        self.data: DataFolder = data_folder(folder / "data")
        path = folder / "bench.toml"
        path.write_text(self.served.bench_toml(), encoding="utf-8")
        self.file: BenchFile = load_bench_file(path)
        self.log: dict[str, list[_Answered]] = {role: [] for role in self.served.servers}
        for role, server in self.served.servers.items():
            server.interpreter.on_exchange = self._noting(role)
        self.part = _part()
        serial = any(server.kind.startswith("serial") for server in self.served.servers.values())
        self.wait_s = SERIAL_WAIT_S if serial else WAIT_S
        self.person = Person()
        self.taken: list[_Taken] = []
        self._damage_known = 0
        self._kicks_known = 0

    def close(self) -> None:
        self.served.close()

    # --- the runs --------------------------------------------------------------------------------

    def run(self, procedure: str, *, longest_wait_s: float | None) -> list[_Taken]:
        """Open the bench and run a procedure; return what the drivers gave."""
        taken: list[_Taken] = []
        self.person = Person()
        self.taken = taken
        with open_bench(
            self.file, self.data, clock=self._clock, log_exchanges=False,
            longest_wait_s=longest_wait_s,
        ) as opened:  # fmt: skip
            witnessed = evolve(
                opened,
                **{
                    role: _Witness(getattr(opened, role), self.log[role], taken)
                    for role in ("impedance_meter", "multimeter", "supply")
                    if getattr(opened, role) is not None
                },
            )
            self.procedures[procedure](self, witnessed)
        return taken

    @contextmanager
    def bench(self, opened: OpenBench, job: str) -> Iterator[Bench]:
        settle_earlier_runs(opened, self.data, operator=self.person, who="tester")
        with bench_run(
            opened, job=job, name=job, who="tester", operator=self.person, data=self.data,
            stop=StopFlag(),
        ) as run:  # fmt: skip
            yield run.bench

    def cases(self, procedure: str) -> list[Case]:
        """List every exchange of a procedure with every way in which it can go wrong."""
        return [
            Case(procedure, role, number, kind)
            for role, answered in self.exchanges(procedure).items()
            for number, has_reply in enumerate(answered, start=1)
            for kind in (KINDS if has_reply else KINDS_WITHOUT_REPLY)
            if not impossible(self.served.servers[role].kind, kind)
        ]

    def exchanges(self, procedure: str) -> dict[str, list[bool]]:
        """Run without a fault; tell for each exchange of each instrument whether it is answered."""
        before = {role: len(log) for role, log in self.log.items()}
        self.run(procedure, longest_wait_s=None)
        return {
            role: [each.reply is not None for each in log[before[role] :]]
            for role, log in self.log.items()
        }

    def look_after(self, procedure: str) -> Found:
        """Run without a fault of a link, and look at what is left all the same."""
        found, known = Found(cases=1), self._journal_paths()
        case, error = Case(procedure, "", 0, "silent"), None
        try:
            self.run(procedure, longest_wait_s=None)
        except LabbenchError as raised:
            error = raised
        for path in self._journal_paths() - known:
            self._look_at(path, case, error, found)
        return found

    # --- one case --------------------------------------------------------------------------------

    def try_case(self, case: Case, found: Found) -> None:
        """Run a case and add to what was found."""
        found.cases += 1
        for log in self.log.values():
            log.clear()
        known = self._journal_paths()
        server = self.served.servers[case.role]
        seconds = 1.4 * self.wait_s if case.kind in ("late", "split") else None
        fault = LinkFault(server.exchanges + case.number, case.kind, seconds)
        server.faults = FaultSchedule([fault])
        error: BaseException | None = None
        try:
            self.run(case.procedure, longest_wait_s=self.wait_s)
        except BaseException as raised:
            error = raised
        finally:
            server.faults = FaultSchedule()
        found.never_reached += server.exchanges < fault.exchange
        supply = self.served.bench.supply
        assert supply is not None
        if error is not None and not isinstance(error, LabbenchError):
            found.foreign_errors.append(f"{case}: {type(error).__name__}: {error}")
        if isinstance(error, OutputStateUnknown):
            found.state_unknown_and_said += 1
        elif any(supply.output(channel + 1) for channel in range(supply.channels)):
            found.left_on_silently.append(f"{case}: {error!r}")
        kicks = self._kicks()[self._kicks_known :]
        self._kicks_known += len(kicks)
        if case.role == "supply" or _supply_failed(error):
            found.cut_off_with_the_supply += len(kicks)
        else:
            found.cut_off += [f"{case}: {text}" for text in kicks]
        journals = sorted(self._journal_paths() - known)
        if error is None:
            found.completed += 1
        elif journals:
            found.ended_with_an_error += 1
        else:
            found.nothing_opened += 1
        for path in journals:
            self._look_at(path, case, error, found)
        self._next_run(case, found)
        damage = self.served.bench.damage
        if len(damage) > self._damage_known:
            found.damage += [f"{case}: {text}" for text in damage[self._damage_known :]]
            self._damage_known = len(damage)
        # Every start looks through all journals, and thousands of cases share this folder.
        for path in self.data.journals.glob("*.jsonl"):
            path.unlink()

    def try_until_reached(self, case: Case, found: Found, attempts: int = 4) -> None:
        """Run a case; again, with twice the time to answer, where it ended before its exchange.

        Runs are the same each time, so only an answer that came too late ends one early: the
        computer was busy. What such a run left is looked at as well.
        """
        usual_s = self.wait_s
        try:
            for left in reversed(range(attempts)):
                one = Found()
                self.try_case(case, one)
                again = one.never_reached > 0 and left > 0
                if again:
                    one.cases, one.never_reached, one.tried_again = 0, 0, 1
                found.add(one)
                if not again:
                    return
                self.wait_s *= 2.0
        finally:
            self.wait_s = usual_s

    def _look_at(self, path: Path, case: Case, error: BaseException | None, found: Found) -> None:
        try:
            journal = read_journal(path)
        except LabbenchError as unreadable:
            found.journal_trouble.append(f"{case}: {unreadable}")
            return
        closed = journal.of_kind("closed")
        if journal.torn or len(closed) != 1:
            found.journal_trouble.append(f"{case}: torn or not closed once")
        elif error is None and closed[0].data["status"] != "done":
            found.journal_trouble.append(f"{case}: closed as {closed[0].data}")
        elif error is not None and not (
            closed[0].data["status"] == "failed"
            and str(closed[0].data["reason"]).startswith(type(error).__name__)
        ):
            found.journal_trouble.append(f"{case}: {error!r} but closed as {closed[0].data}")
        if journal.channels_not_off() and not isinstance(error, OutputStateUnknown):
            found.journal_trouble.append(f"{case}: a channel is not off in the journal")
        found.wrong_in_force += [f"{case}: {text}" for text in self._wrong(journal, found)]
        if error is None and case.procedure == "verify":
            found.wrong_in_force += [
                f"{case}: {text}" for text in measured_from_journal(journal, self.file, self.data)
            ]

    def _wrong(self, journal: JournalFile, found: Found) -> Iterator[str]:
        """Yield what is wrong with the readings in force of a journal."""
        in_force = {event.sequence for event in journal.valid_readings()}
        told = iter(self.person.journalled)
        # In the order in which they were taken: a driver that gives an old reading once more gives
        # the very object, and its second time is not its first.
        taken = iter(self.taken)
        for event in journal.of_kind("reading"):
            role, reading = event.data["role"], event.data["reading"]
            raw = reading["raw"].strip()
            object_told = next(told, None)
            one = next((each for each in taken if each.reading is object_told), None)
            if event.sequence not in in_force:
                found.readings_void += 1
                continue
            found.readings_in_force += 1
            if one is None or (one.role, one.reading.raw.strip()) != (role, raw):
                yield f"{role} {raw!r} was journalled and never read"
            elif one.truth is None or one.truth.strip() != raw:
                yield f"{role} {raw!r} in force, {one.truth!r} was the answer"
            else:
                yield from self._wrong_conditions(event.data, one)

    def _wrong_conditions(self, data: Any, one: _Taken) -> Iterator[str]:
        relays = {
            *self.file.hookups[data["hookup"]],
            *(self.file.positions[data["position"]] if data["position"] else ()),
        }
        if set(one.relays) != relays:
            yield f"{data['role']} read with relays {one.relays}, journalled {sorted(relays)}"
        if data["quantity"] == "impedance":
            frequency_hz = data["reading"]["conditions"]["frequency_hz"]
            if frequency_hz != one.frequency_hz:
                yield f"read at {one.frequency_hz:g} Hz, journalled {frequency_hz:g} Hz"

    def _next_run(self, case: Case, found: Found) -> None:
        """Run on the healed link, with the time that the instruments are given in earnest."""
        for log in self.log.values():
            log.clear()
        known = self._journal_paths()
        try:
            self.run("next", longest_wait_s=None)
        except BaseException as error:
            found.next_run_failed.append(f"{case}: {type(error).__name__}: {error}")
            return
        for path in self._journal_paths() - known:
            journal = read_journal(path)
            if journal.of_kind("closed")[0].data["status"] != "done":
                found.next_run_failed.append(f"{case}: closed as {journal.events[-1].data}")
            for text in self._wrong(journal, found):
                found.next_run_failed.append(f"{case}: {text}")

    def _kicks(self) -> list[str]:
        """Give the currents that were cut off in a coil; switches hold none."""
        bench = self.served.bench
        return bench.kicks if isinstance(bench, VirtualBench) else []

    def _journal_paths(self) -> set[Path]:
        return {path for path in self.data.journals.glob("*.jsonl") if not is_amendment(path)}

    def _noting(self, role: str) -> Callable[[bytes, bytes | None], None]:
        bench, log = self.served.bench, self.log[role]
        assert bench.switch is not None
        switch, meter = bench.switch, bench.impedance_meter

        def note(message: bytes, reply: bytes | None) -> None:
            log.append(
                _Answered(
                    message.decode("ascii", "replace").strip(),
                    reply.decode("ascii") if reply is not None else None,
                    tuple(switch.closed()),
                    0.0 if meter is None else meter.frequency_hz,
                )
            )

        return note


def _supply_failed(error: BaseException | None) -> bool:
    """Tell whether the supply itself did not answer: on a busy computer in a case of another."""
    notes = " ".join(getattr(error, "__notes__", ()))
    return getattr(error, "instrument", None) == "supply" or "could not run the current" in notes


def _part() -> CoilType:
    part, _ = for_name_or_marking("coil-470n", ())
    return part


# --- the procedures ------------------------------------------------------------------------------


def _compensation(site: Site, opened: OpenBench) -> None:
    with site.bench(opened, "compensation") as bench:
        take_open_short(bench, (1e4, 1e5))


def _contact(site: Site, opened: OpenBench) -> None:
    with site.bench(opened, "contact") as bench:
        assert wait_for_contact(bench, SPECIMEN) == "contact"
        bench.open_all()


def _sweep(site: Site, opened: OpenBench) -> None:
    with site.bench(opened, "sweep") as bench:
        assert len(impedance_sweep(bench, (1e3, 1e5), position=SPECIMEN).readings) == 2
        bench.open_all()


def _resistance(method: Method) -> Callable[[Site, OpenBench], None]:
    def run(site: Site, opened: OpenBench) -> None:
        with site.bench(opened, method) as bench:
            found = dc_resistance(
                bench, site.part, temperature_c=23.0, position=SPECIMEN, method=method, pairs=2
            )
            assert found.status == "ok"
            bench.open_all()

    return run


def _verify(site: Site, opened: OpenBench) -> None:
    verify(
        opened,
        Request(part=site.part, specimen=SPECIMEN, position=SPECIMEN, who="tester"),
        operator=site.person,
        data=site.data,
    )


def _bias(site: Site, opened: OpenBench) -> None:
    network = site.file.fixture.bias_network
    assert network is not None
    with site.bench(opened, "bias") as bench:
        found = inductance_under_bias(bench, site.part, network, position=SPECIMEN)
        assert found.status == "ok"
        bench.open_all()


def _network_open_short(site: Site, opened: OpenBench) -> None:
    with site.bench(opened, "network") as bench:
        take_network_open_short(bench, (1e5,))


def _insulation(site: Site, opened: OpenBench) -> None:
    with site.bench(opened, "insulation") as bench:
        assert insulation(bench, position=SPECIMEN).status == "ok"
        bench.open_all()


def _next(site: Site, opened: OpenBench) -> None:
    with site.bench(opened, "next") as bench:
        bench.identify()
        impedance_sweep(bench, (1e5,), position=SPECIMEN)
        dc_resistance(bench, site.part, temperature_c=23.0, position=SPECIMEN, pairs=1)
        bench.open_all()


PROCEDURES: dict[str, Procedure] = {
    "open-short-compensation": _compensation,
    "contact": _contact,
    "impedance-sweep": _sweep,
    "dc-resistance-by-multimeter": _resistance("multimeter-on-off"),
    "dc-resistance-by-supply": _resistance("supply-readback"),
    "dc-resistance-by-impedance-meter": _resistance("impedance-meter"),
    "verify": _verify,
    "bias-network-open-short": _network_open_short,
    "inductance-under-bias": _bias,
    "insulation": _insulation,
    "next": _next,
}
#: what needs a bias network and a probe on the core, which the usual bench has not
WITH_NETWORK = ("bias-network-open-short", "inductance-under-bias", "insulation")
SWEPT = tuple(name for name in PROCEDURES if name not in ("next", *WITH_NETWORK))
