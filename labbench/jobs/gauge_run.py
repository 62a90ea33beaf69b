"""Walk through the plan of a gauge study on the bench: a run a measurement, stop and go on."""

from __future__ import annotations

__all__ = ["JOB", "StudyProgress", "progress", "run_study", "study_readings"]

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from attrs import frozen

from labbench.bench.opened import OpenBench
from labbench.bench.stop import StopFlag
from labbench.errors import InputError
from labbench.jobs.compensate import ready_compensation
from labbench.jobs.gauge_measure import measure_one
from labbench.jobs.run import bench_run
from labbench.lots.plans import GaugePlan, PlanEntry
from labbench.lots.study_data import StudyReading
from labbench.parts.coil_type import CoilType
from labbench.ports import Answer, Event, Operator, Prompt
from labbench.records.folder import DataFolder
from labbench.records.journal import read_journal
from labbench.records.store import Store

JOB = "gauge"


@frozen
class StudyProgress:
    """Hold what of a plan is measured: its readings, and the entries still to do, in order."""

    readings: tuple[StudyReading, ...]
    waiting: tuple[PlanEntry, ...]
    unit: str
    simulated: bool = False


def progress(plan: GaugePlan, data: DataFolder) -> StudyProgress:
    """Find what was measured of a plan: runs that ended well and were not struck."""
    done, simulated = study_readings(plan, data)
    return StudyProgress(
        readings=tuple(reading for _, reading in sorted(done.items())),
        waiting=tuple(entry for entry in plan.entries if entry.number not in done),
        unit="H" if plan.characteristic == "inductance" else "ohm",
        simulated=simulated,
    )


def study_readings(plan: GaugePlan, data: DataFolder) -> tuple[dict[int, StudyReading], bool]:
    """Read the runs of a plan from their journals, by number; the latest of each counts.

    Also tells whether any was measured on a simulated bench.

    Raises InputError where the study was measured with another plan of the same name.
    """
    if not data.journals.is_dir():
        return {}, False
    with Store(data.store) as store:
        store.ingest_waiting(data.journals)
        rows = store.search(job=JOB, lot=plan.study, with_void=False)
    entries = {entry.number: entry for entry in plan.entries}
    found: dict[int, StudyReading] = {}
    simulated = False
    for row in rows:
        if row.status != "done":
            continue
        told: dict[str, Any] = {}
        taken: dict[str, Any] = {}
        for event in read_journal(Path(row.journal)).events:
            if event.kind == "opened":
                told = dict(event.data.get("gauge", {}))
            elif event.kind == "measured":
                taken = dict(event.data.get("gauge", {}))
        if not told or not taken:
            continue
        entry = entries.get(int(told["number"]))
        if told["seed"] != plan.seed or entry is None or entry.code != told["code"]:
            raise InputError(
                f"the study {plan.study!r} was begun with another plan (seed {told['seed']})",
                hint="use that plan, or give the new study another name",
            )
        simulated = simulated or row.simulated
        if entry.number not in found:
            found[entry.number] = StudyReading(
                part=plan.codes[entry.code], operator=entry.operator, day=str(entry.day),
                trial=str(entry.trial), value=float(taken["value"]),
                noise_sd=float(taken["noise_sd"]), noise_df=int(taken["noise_df"]),
                where=row.run,
            )  # fmt: skip
    return found, simulated


def run_study(
    opened: OpenBench,
    plan: GaugePlan,
    part: CoilType,
    *,
    measured_by: str,
    operator: Operator,
    data: DataFolder,
    stop: StopFlag | None = None,
    day: int | None = None,
    everybody: bool = False,
    temperature_c: float = 23.0,
) -> StudyProgress:
    """Measure what of the plan falls to this person (and day), in order; return where it stands.

    With `everybody` the whole plan is walked through (a simulated bench has no hands). Each
    measurement is a run of its own, so a stop loses nothing and the next call goes on. Values are
    not shown: who knows what they read before reads it again. Raises InputError for a name that
    is not in the plan, and what the bench raises.
    """
    if not everybody and measured_by not in plan.operators:
        raise InputError(
            f"{measured_by!r} is no operator of the study; it has {', '.join(plan.operators)}",
            hint="give --operator NAME",
        )
    flag = stop or StopFlag()
    operator = _PlacedAnew(operator)
    now = progress(plan, data)
    mine = [
        entry for entry in now.waiting
        if (everybody or entry.operator == measured_by) and day in (None, entry.day)
    ]  # fmt: skip
    if opened.impedance_meter is None:
        raise InputError(
            f"the bench {opened.file.name} has no impedance meter: contact cannot be seen"
        )
    _check_positions(opened, plan)
    frequencies = (plan.frequency_hz,) if plan.frequency_hz else ()
    for count, entry in enumerate(mine, start=1):
        text = f"{count} of {len(mine)}: part {entry.code}, {entry.operator}, trial {entry.trial}"
        operator.tell(Event("gauge", {"text": text}))
        _measure(
            opened, plan, entry, part, frequencies,
            operator=operator, data=data, stop=flag, temperature_c=temperature_c,
        )  # fmt: skip
    return progress(plan, data)


def _measure(
    opened: OpenBench,
    plan: GaugePlan,
    entry: PlanEntry,
    part: CoilType,
    frequencies_hz: Sequence[float],
    *,
    operator: Operator,
    data: DataFolder,
    stop: StopFlag,
    temperature_c: float,
) -> None:
    # asked for before each: a study may go over days, a compensation is for one
    compensation = ready_compensation(
        opened, frequencies_hz, who=entry.operator, operator=operator, data=data, stop=stop
    )
    specimen = plan.codes[entry.code]
    with bench_run(
        opened, job=JOB, name=f"{plan.study}-{entry.number}", who=entry.operator,
        operator=operator, data=data, stop=stop,
        told={
            "specimen": specimen,
            "type": part.name,
            "type_digest": part.digest,
            "lot": plan.study,
            "gauge": {
                "study": plan.study, "seed": plan.seed, "number": entry.number,
                "code": entry.code, "day": entry.day, "trial": entry.trial,
                "characteristic": plan.characteristic, "frequency_hz": plan.frequency_hz,
            },
        },
    ) as run:  # fmt: skip
        run.bench.identify()
        taken = measure_one(
            run.bench, opened, part, plan.characteristic,
            frequency_hz=plan.frequency_hz, readings=plan.readings,
            # a person is told the code letter, a relay switch the position
            position=specimen if opened.switch is not None else entry.code,
            compensation=compensation, temperature_c=temperature_c,
        )  # fmt: skip
        run.bench.open_all()
        run.journal.write(
            "measured",
            gauge={
                "value": taken.value, "unit": taken.unit, "noise_sd": taken.noise_sd,
                "noise_df": taken.noise_df, "readings": taken.readings,
            },
            temperature_c=temperature_c,
        )  # fmt: skip


class _PlacedAnew:
    """Be the person of a study, who takes every part out before it is measured again.

    A part that stays in the jig would be read twice in one placement, and the study would miss
    what placing it does.
    """

    def __init__(self, person: Operator) -> None:
        self._person = person
        self._hookup = ""

    @property
    def interactive(self) -> bool:
        """Tell whether somebody is there to answer."""
        return self._person.interactive

    def ask(self, prompt: Prompt) -> Answer:
        """Ask; what conducts in the jig before the part was asked for is the one before."""
        if prompt.name == "already-in-the-jig":
            self.tell(Event("gauge", {"text": "take the part out of the jig first"}))
            return "no"
        if prompt.kind == "hookup":
            instruments = prompt.detail.get("instruments", ())
            # the meter's leads stay from part to part; those of the supply are always asked for
            with_supply = isinstance(instruments, tuple) and "supply" in instruments
            if prompt.name == self._hookup and not with_supply and prompt.default is not None:
                return prompt.default
            self._hookup = prompt.name
        return self._person.ask(prompt)

    def tell(self, event: Event) -> None:
        """Show an event."""
        self._person.tell(event)


def _check_positions(opened: OpenBench, plan: GaugePlan) -> None:
    if opened.switch is None:
        return
    missing = [part for part in plan.parts if part not in opened.file.positions]
    if missing:
        raise InputError(
            f"the bench {opened.file.name} has no position for {', '.join(missing)}; it has "
            + ", ".join(opened.file.positions),
            hint="the parts of a study are named as their positions",
        )
