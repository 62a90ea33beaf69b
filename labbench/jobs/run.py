"""Open a run: its journal, and a bench that writes into it; ingest it when it has ended."""

from __future__ import annotations

__all__ = ["BenchRun", "StopFlag", "bench_run", "settle_earlier_runs"]

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from attrs import frozen

import labbench
from labbench.bench.bench import Bench
from labbench.bench.opened import OpenBench
from labbench.bench.start_up import settle_unfinished
from labbench.bench.stop import StopFlag
from labbench.errors import InputError
from labbench.ports import Event, Operator
from labbench.records.folder import DataFolder
from labbench.records.journal import Journal
from labbench.records.store import Store


@frozen
class BenchRun:
    """Hold a run that is under way."""

    bench: Bench
    journal: Journal

    @property
    def id(self) -> str:
        """Return the run's id: the stem of its journal."""
        return self.journal.path.stem


def settle_earlier_runs(
    opened: OpenBench, data: DataFolder, *, operator: Operator, who: str
) -> None:
    """See the supply off where an earlier run broke off energised, before anything else."""
    if not data.journals.is_dir():
        return
    for run in settle_unfinished(
        data.journals, opened.supply, who=who, bench=opened.file.name, clock=opened.clock
    ):
        text = (
            f"the run {run.run} broke off while its supply was on: "
            "the supply was read back off, and that is written beside its journal"
        )
        operator.tell(Event("settled", {"run": run.run, "text": text}))


@contextmanager
def bench_run(
    opened: OpenBench,
    *,
    job: str,
    name: str,
    who: str,
    operator: Operator,
    data: DataFolder,
    stop: StopFlag,
    told: Mapping[str, Any] | None = None,
) -> Iterator[BenchRun]:
    """Open a run and close it whatever happens: bench made safe, journal closed, store filled.

    Before anything moves, the supply is seen off where an earlier run broke off energised.
    `told` goes into the journal's `opened` event beside tool version, who, digests of bench file
    and part type, accuracy classes, limits and calibration dates. A store that cannot be written
    is said and stops nothing.
    """
    file = opened.file
    settle_earlier_runs(opened, data, operator=operator, who=who)
    journal = Journal.create(
        data.new_journal(opened.clock.utc(), name),
        {
            "job": job,
            "tool": f"labbench {labbench.__version__}",
            "who": who,
            "bench": file.name,
            "bench_file": str(file.path) if file.path else None,
            "bench_digest": file.digest,
            "simulated": opened.simulated,
            "simulation": file.simulation,
            "limits": file.limits,
            "risk": file.risk,
            "instruments": {
                role: {
                    key: value
                    for key, value in {
                        "address": instrument.address,
                        "class": getattr(getattr(file.instruments, role), "class_", None),
                        "dialect": getattr(getattr(file.instruments, role), "dialect", None),
                        "accuracy": getattr(getattr(file.instruments, role), "accuracy", None),
                        "calibrated": getattr(getattr(file.instruments, role), "calibrated", None),
                        "due": getattr(getattr(file.instruments, role), "due", None),
                        "identity": opened.identities[role].raw.strip()
                        if role in opened.identities
                        else None,
                    }.items()
                    if value
                }
                for role, instrument in opened.instruments()
            },
            **dict(told or {}),
        },
        clock=opened.clock,
    )
    supply = file.instruments.supply
    try:
        with (
            journal,
            Bench(
                impedance_meter=opened.impedance_meter,
                supply=opened.supply,
                multimeter=opened.multimeter,
                switch=opened.switch,
                operator=operator,
                clock=opened.clock,
                journal=journal,
                limits=file.limits,
                hookups=file.hookups,
                positions=file.positions,
                stop=stop,
                output_capacitance_f=supply.output_capacitance_f if supply else None,
                supply_leads_ohm=file.fixture.supply_leads_ohm,
            ) as bench,
        ):
            yield BenchRun(bench, journal)
    finally:
        _ingest(data, journal.path, operator)


def _ingest(data: DataFolder, path: Path, operator: Operator) -> None:
    try:
        with Store(data.store) as store:
            store.ingest(path)
    except InputError as error:
        # a lost database never loses a measurement: the journal waits and is ingested later
        operator.tell(Event("store", {"text": f"not in the store yet: {error.message}"}))
