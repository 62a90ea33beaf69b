"""Verify one specimen: look, sweep, DC resistance, verdict, record."""

from __future__ import annotations

__all__ = ["CONDEMNED", "Outcome", "Request", "check_position", "measure_coil", "verify"]

import math
from collections.abc import Sequence
from typing import Any

from attrs import evolve, frozen

from labbench.bench.bench import Bench
from labbench.bench.opened import OpenBench
from labbench.bench.stop import StopFlag
from labbench.errors import InputError, StepAborted
from labbench.jobs.check_state import standard_remark
from labbench.jobs.compensate import ready_compensation
from labbench.jobs.cooling import left_in_list, now_utc, residual_k
from labbench.jobs.run import BenchRun, bench_run, settle_earlier_runs
from labbench.judging.coil import judge_coil
from labbench.metrology.accuracy import (
    impedance_accuracy,
    multimeter_accuracy,
    supply_accuracy,
)
from labbench.metrology.compensation import Compensation
from labbench.metrology.impedance import compensated
from labbench.metrology.resistance import dc_resistance as known_resistance
from labbench.parts.coil_type import CoilType
from labbench.ports import Event, Operator
from labbench.procedures.contact import wait_for_contact
from labbench.procedures.dc_resistance import best_method
from labbench.procedures.dc_resistance import dc_resistance as measure_resistance
from labbench.procedures.sweep import impedance_sweep, sweep_frequencies, sweep_settings
from labbench.procedures.visual import look
from labbench.records.cooling_file import CoolingPart
from labbench.records.folder import DataFolder
from labbench.records.readings_file import judgement_to_json, readings_from_json, readings_to_json
from labbench.records.store import Store
from labbench.results import (
    Contact,
    DcResistance,
    Estimate,
    Impedance,
    Judgement,
    Readings,
    ResistanceMeasurement,
    Visual,
)

#: what a person saw that condemns a part at once (common practice, no source)
CONDEMNED = ("discoloured", "cracked", "bulged")


@frozen(kw_only=True)
class Request:
    """Say which specimen, what it should be, where it comes from, and at which risk to judge.

    `position` is where a relay switch finds it; None: a person puts it into the jig. Donor and lot
    are what its siblings share.
    """

    part: CoilType
    specimen: str
    who: str
    position: str | None = None
    donor: str | None = None
    lot: str | None = None
    customer_job: str | None = None
    temperature_c: float = 23.0
    u_temperature_c: float = 2.0
    risk: float | None = None
    false_reject: float = 0.01
    with_look: bool = True
    with_supply: bool = True


@frozen
class Outcome:
    """Hold a finished run: its id, what was measured, what is said of it."""

    run: str
    readings: Readings
    judgement: Judgement
    siblings: tuple[str, ...] = ()


def verify(
    opened: OpenBench,
    request: Request,
    *,
    operator: Operator,
    data: DataFolder,
    stop: StopFlag | None = None,
) -> Outcome:
    """Verify a specimen and return what is said of it; its journal is closed when this returns.

    Raises what the bench raises (the output is then off, the journal closed with the reason),
    CompensationError without a usable compensation and nobody to take one, InputError for a bench
    that cannot measure a coil at all.
    """
    flag = stop or StopFlag()
    # before the first question, not only before the first run
    settle_earlier_runs(opened, data, operator=operator, who=request.who)
    meter = opened.impedance_meter
    if meter is None:
        raise InputError(
            f"the bench {opened.file.name} has no impedance meter: a coil cannot be judged on it",
            hint="add [instruments.impedance_meter] to the bench file",
        )
    check_position(opened, request)
    frequencies_hz = sweep_frequencies(request.part, meter.frequency_range_hz)
    compensation = ready_compensation(
        opened, frequencies_hz, who=request.who, operator=operator, data=data, stop=flag
    )
    standard = standard_remark(opened, data)
    if standard:
        operator.tell(Event("check-standard", {"text": standard}))
    # what a part that was just lifted may still be too warm by: a rectangular limit (GUM 4.3.7)
    warm_k = residual_k(data, request.specimen)
    request = evolve(
        request, u_temperature_c=math.hypot(request.u_temperature_c, warm_k / math.sqrt(3.0))
    )
    siblings = _siblings(data, request)
    risk = request.risk if request.risk is not None else opened.file.risk
    with bench_run(
        opened, job="verify", name=request.specimen, who=request.who, operator=operator,
        data=data, stop=flag,
        told={
            "specimen": request.specimen,
            "type": request.part.name,
            "type_description": request.part.description,
            "type_digest": request.part.digest,
            "part": request.part,
            "assumed": request.part.assumed,
            "donor": request.donor,
            "lot": request.lot,
            "customer_job": request.customer_job,
            "position": request.position,
            "siblings": [sibling.specimen for sibling in siblings],
            "risk": risk,
            "false_reject": request.false_reject,
        },
    ) as run:  # fmt: skip
        run.bench.identify()
        readings, more = measure_coil(run, opened, request, compensation, frequencies_hz)
        run.journal.write("measured", readings=readings_to_json(readings), **more)
        judgement = judge_coil(
            readings, request.part, siblings=siblings, risk=risk,
            false_reject=request.false_reject,
        )  # fmt: skip
        judgement = left_in_list(data, judgement, more, part=_cooling_entry(request))
        if standard:
            judgement = evolve(judgement, remarks=(*judgement.remarks, standard))
        run.journal.write(
            "judged",
            **judgement_to_json(judgement),
            remarks=judgement.remarks,
            band=judgement.band,
        )
        return Outcome(run.id, readings, judgement, tuple(s.specimen for s in siblings))


def check_position(opened: OpenBench, request: Request) -> None:
    """Raise InputError for a position that the relay switch of this bench does not have."""
    if opened.switch is None or request.position is None:
        return
    if request.position not in opened.file.positions:
        import difflib

        known = list(opened.file.positions)
        near = difflib.get_close_matches(request.position, known, n=1)
        raise InputError(
            f"the bench {opened.file.name} has no position {request.position!r}; it has "
            + ", ".join(known),
            hint=f"did you mean {near[0]}?" if near else "give --position",
        )


def measure_coil(
    run: BenchRun,
    opened: OpenBench,
    request: Request,
    compensation: Compensation,
    frequencies_hz: Sequence[float],
) -> tuple[Readings, dict[str, Any]]:
    """Take what the plan of this type holds and turn it into the blocks that judging reads."""
    bench = run.bench
    visual = look(bench, request.specimen) if request.with_look else Visual("not-looked")
    impedance: Impedance | None = None
    contact: Contact | None = None
    resistance: DcResistance | None = None
    more: dict[str, Any] = {
        "temperature_c": request.temperature_c,
        "u_temperature_c": request.u_temperature_c,
        "compensation": f"open/short of {compensation.taken_utc}, fixture {compensation.fixture}",
    }
    if visual.seen in CONDEMNED:
        bench.tell(Event("condemned", {"text": f"{visual.seen}: condemned, nothing is measured"}))
    else:
        impedance, contact = _sweep(bench, opened, request, compensation, frequencies_hz)
        begun_s = opened.clock.monotonic_s()
        resistance, estimate, drift = _resistance(bench, opened, request, compensation)
        if drift:
            more |= {**drift, "dc_fall_s": opened.clock.monotonic_s() - begun_s}
        if resistance is not None:
            more["dc_method"] = resistance.method
            more["dc_current_a"] = resistance.current_a
        if estimate is not None:
            more["dc_budget"] = [{"label": line.label, "u": line.u} for line in estimate.influences]
        bench.open_all()
    readings = Readings(
        specimen=request.specimen,
        type=request.part.name,
        lot=request.lot or request.donor,
        temperature_c=request.temperature_c,
        session=compensation.taken_utc,
        impedance=impedance,
        contact=contact,
        dc_resistance=resistance,
        visual=visual,
    )
    return readings, more


def _sweep(
    bench: Bench,
    opened: OpenBench,
    request: Request,
    compensation: Compensation,
    frequencies_hz: Sequence[float],
) -> tuple[Impedance, Contact]:
    entry = opened.file.instruments.impedance_meter
    assert entry is not None
    accuracy = impedance_accuracy(entry.class_, entry.accuracy)
    found = wait_for_contact(bench, request.position)
    text = (
        "contact: sweeping" if found == "contact" else "it does not conduct: sweeping all the same"
    )
    bench.tell(Event("sweep", {"text": text}))
    sweep = impedance_sweep(
        bench, frequencies_hz, position=request.position, settings=sweep_settings(request.part)
    )
    return compensated(sweep, compensation, accuracy)


def _resistance(
    bench: Bench, opened: OpenBench, request: Request, compensation: Compensation
) -> tuple[DcResistance | None, Estimate | None, dict[str, Any]]:
    """Measure the DC resistance the best way that this bench has; None where nothing can.

    Also tells how much it fell while it was read: a part that was just lifted cools.
    """
    method = best_method(bench) if request.with_supply else "impedance-meter"
    entries = opened.file.instruments
    try:
        measurement = measure_resistance(
            bench,
            request.part,
            method=method,
            position=request.position,
            temperature_c=request.temperature_c,
            u_temperature_c=request.u_temperature_c,
        )
    except StepAborted as refused:
        # nobody agreed to switch the supply on: said, and judged without
        bench.tell(Event("skipped", {"text": f"dc resistance not measured: {refused.message}"}))
        return None, None, {}
    supply, meter, lcr = entries.supply, entries.multimeter, entries.impedance_meter
    resistance, estimate = known_resistance(
        measurement,
        multimeter=multimeter_accuracy(meter.class_, meter.accuracy) if meter else None,
        supply=supply_accuracy(supply.class_, supply.accuracy) if supply else None,
        impedance=impedance_accuracy(lcr.class_, lcr.accuracy) if lcr else None,
        supply_leads_ohm=opened.file.fixture.supply_leads_ohm,
        compensation=compensation,
    )
    return resistance, estimate, _drift(measurement)


def _drift(measurement: ResistanceMeasurement) -> dict[str, Any]:
    ohms = [
        (pair.on_v - (pair.off_before_v + pair.off_after_v) / 2) / pair.current_a
        for pair in measurement.pairs
        if pair.current_a
    ]
    if len(ohms) < 2 or ohms[-1] == 0.0:
        return {}
    return {
        "dc_unstable": measurement.reason,
        "dc_fall_share": (ohms[0] - ohms[-1]) / ohms[-1],
    }


def _cooling_entry(request: Request) -> CoolingPart:
    """Return the entry of the cooling list for a part that proves still warm."""
    now = now_utc().isoformat()
    return CoolingPart(
        specimen=request.specimen, type=request.part.name, lifted_utc=now, ready_utc=now,
        position=request.position, donor=request.donor, lot=request.lot,
        customer_job=request.customer_job,
    )  # fmt: skip


def _siblings(data: DataFolder, request: Request) -> list[Readings]:
    """Find earlier specimens of the same type and the same lot or donor, the latest run of each."""
    lot = request.lot or request.donor
    if lot is None or not data.journals.is_dir():
        return []
    try:
        with Store(data.store) as store:
            store.ingest_waiting(data.journals)
            rows = store.search(type=request.part.name, job="verify", with_void=False)
    except InputError:
        # a lost store takes the siblings away, not the measurement
        return []
    found: dict[str, Readings] = {}
    for row in rows:
        if row.measured is None or row.specimen in (None, request.specimen):
            continue
        readings = readings_from_json(row.measured)
        if readings.lot == lot and readings.specimen not in found:
            found[readings.specimen] = readings
    return list(found.values())
