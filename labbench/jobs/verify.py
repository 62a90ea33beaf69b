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
from labbench.jobs.bench_health import overdue
from labbench.jobs.can_decide import accuracies_of, best_word_text, can_decide, current_chooser
from labbench.jobs.check_state import standard_remark
from labbench.jobs.compensate import ready_compensation
from labbench.jobs.cooling import left_in_list, now_utc, residual_k
from labbench.jobs.run import BenchRun, bench_run, settle_earlier_runs
from labbench.jobs.until_decided import (
    MOST_PAIRS,
    REJECTION_TESTS,
    final_risks,
    next_point_of_sweep,
    resistance_enough,
)
from labbench.judging.coil import judge_coil
from labbench.judging.reservations import with_reservations
from labbench.judging.would_decide import contact_unsure, sharpened
from labbench.metrology.accuracy import impedance_accuracy
from labbench.metrology.budgets import Budget, budget_from_json, budget_of, budget_to_json
from labbench.metrology.compensation import Compensation
from labbench.metrology.expected import BenchAccuracies
from labbench.metrology.impedance import compensated, impedance_budget
from labbench.metrology.resistance import at_temperature
from labbench.metrology.resistance import dc_resistance as known_resistance
from labbench.parts.coil_type import CoilType
from labbench.ports import Event, Operator
from labbench.procedures.contact import wait_for_contact
from labbench.procedures.dc_resistance import PAIRS, best_method
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
    #: repeat points and pairs until the verdict is settled; else the fixed numbers
    until_decided: bool = True
    #: it is in the cooling list: its warmth is watched in any case
    lately_lifted: bool = False


@frozen
class Outcome:
    """Hold a finished run: its id, what was measured, what is said of it."""

    run: str
    readings: Readings
    judgement: Judgement
    siblings: tuple[str, ...] = ()
    budgets: tuple[Budget, ...] = ()


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
    # what makes no sense is said before anything is touched
    accuracies = accuracies_of(opened.file)
    risk = request.risk if request.risk is not None else opened.file.risk
    operator.tell(Event("best-word", {"text": _best_word(opened, request, risk)}))
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
        request, u_temperature_c=math.hypot(request.u_temperature_c, warm_k / math.sqrt(3.0)),
        lately_lifted=warm_k > 0.0,
    )  # fmt: skip
    siblings = _siblings(data, request)
    # the early looks have spent their share of the risk: the last word is judged at what is left
    judged_at = (
        final_risks(risk, request.false_reject)
        if request.until_decided
        else (risk, request.false_reject)
    )
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
            "judged_at_risk": judged_at[0],
        },
    ) as run:  # fmt: skip
        run.bench.identify()
        readings, more = measure_coil(
            run, opened, request, compensation, frequencies_hz,
            stop_at=(risk, request.false_reject) if request.until_decided else None,
        )  # fmt: skip
        run.journal.write("measured", readings=readings_to_json(readings), **more)
        judgement = judge_coil(
            readings, request.part, siblings=siblings, risk=judged_at[0],
            false_reject=judged_at[1],
        )  # fmt: skip
        judgement = sharpened(
            judgement, request.part,
            accuracies if request.with_supply else BenchAccuracies(impedance=accuracies.impedance),
            current_for=current_chooser(opened.file, request.part),
            risk=judged_at[0], rejection_risk=judged_at[1] / REJECTION_TESTS,
            u_temperature_c=request.u_temperature_c,
        )  # fmt: skip
        if more.get("dc_unstable") == "contact-unsure" and judgement.disposition == "undecided":
            judgement = contact_unsure(judgement)
        judgement = with_reservations(judgement, overdue(opened.file, opened.clock.utc().date()))
        judgement = left_in_list(data, judgement, more, part=_cooling_entry(request))
        if standard:
            judgement = evolve(judgement, remarks=(*judgement.remarks, standard))
        run.journal.write(
            "judged",
            **judgement_to_json(judgement),
            remarks=judgement.remarks,
            band=judgement.band,
        )
        return Outcome(
            run.id, readings, judgement, tuple(s.specimen for s in siblings),
            tuple(budget_from_json(item) for item in more.get("budgets", ())),
        )  # fmt: skip


def _best_word(opened: OpenBench, request: Request, risk: float) -> str:
    return best_word_text(
        can_decide(
            opened.file, request.part, with_supply=request.with_supply,
            u_temperature_c=request.u_temperature_c, risk=risk,
            false_reject=request.false_reject,
        )
    )  # fmt: skip


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
    *,
    stop_at: tuple[float, float] | None = None,
) -> tuple[Readings, dict[str, Any]]:
    """Take what the plan of this type holds and turn it into the blocks that judging reads.

    `stop_at` are the risks of acceptance and of a false reject within which points and pairs are
    repeated until the verdict is settled; None: the fixed numbers of each.
    """
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
        impedance, contact, budgets = _sweep(
            bench, opened, request, compensation, frequencies_hz, stop_at
        )
        begun_s = opened.clock.monotonic_s()
        resistance, estimate, drift = _resistance(
            bench, opened, request, compensation, stop_at
        )
        if drift:
            more |= {**drift, "dc_fall_s": opened.clock.monotonic_s() - begun_s}
        if resistance is not None:
            more["dc_method"] = resistance.method
            more["dc_current_a"] = resistance.current_a
        if estimate is not None:
            more["dc_budget"] = [{"label": line.label, "u": line.u} for line in estimate.influences]
            assert resistance is not None
            budgets += [
                budget_of(
                    at_temperature(resistance, to_c, estimate=estimate), "dc-resistance",
                    {"temperature_c": to_c},
                )
                for to_c in {m.temperature_c for m in request.part.dc_resistance} or {25.0}
            ]  # fmt: skip
        more["budgets"] = [budget_to_json(budget) for budget in budgets]
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
    stop_at: tuple[float, float] | None,
) -> tuple[Impedance, Contact, list[Budget]]:
    entry = opened.file.instruments.impedance_meter
    assert entry is not None
    accuracy = impedance_accuracy(entry.class_, entry.accuracy)
    found = wait_for_contact(bench, request.position)
    text = (
        "contact: sweeping" if found == "contact" else "it does not conduct: sweeping all the same"
    )
    bench.tell(Event("sweep", {"text": text}))
    next_point = None
    if stop_at is not None:
        next_point = next_point_of_sweep(
            request.part, lambda taken: impedance_budget(taken, compensation, accuracy),
            risk=stop_at[0], rejection_risk=stop_at[1] / REJECTION_TESTS,
        )  # fmt: skip
    sweep = impedance_sweep(
        bench, frequencies_hz, position=request.position, settings=sweep_settings(request.part),
        next_point=next_point,
    )  # fmt: skip
    budgets = []
    for point in impedance_budget(sweep, compensation, accuracy):
        at = {"frequency_hz": point.frequency_hz}
        if point.resistance is not None and point.inductance is not None:
            budgets.append(budget_of(point.resistance, "resistance", at))
            budgets.append(budget_of(point.inductance, "inductance", at))
    return *compensated(sweep, compensation, accuracy), budgets


def _resistance(
    bench: Bench,
    opened: OpenBench,
    request: Request,
    compensation: Compensation,
    stop_at: tuple[float, float] | None,
) -> tuple[DcResistance | None, Estimate | None, dict[str, Any]]:
    """Measure the DC resistance the best way that this bench has; None where nothing can.

    Also tells how much it fell while it was read: a part that was just lifted cools.
    """
    method = best_method(bench) if request.with_supply else "impedance-meter"
    accuracies = accuracies_of(opened.file)

    def known(measurement: ResistanceMeasurement) -> tuple[DcResistance, Estimate | None]:
        return known_resistance(
            measurement,
            multimeter=accuracies.multimeter,
            supply=accuracies.supply,
            impedance=accuracies.impedance,
            supply_leads_ohm=accuracies.supply_leads_ohm,
            compensation=compensation,
        )

    enough = None
    if stop_at is not None:
        enough = resistance_enough(
            request.part, known, risk=stop_at[0], rejection_risk=stop_at[1] / REJECTION_TESTS,
            watch=request.lately_lifted,
        )  # fmt: skip
    try:
        measurement = measure_resistance(
            bench,
            request.part,
            method=method,
            position=request.position,
            temperature_c=request.temperature_c,
            u_temperature_c=request.u_temperature_c,
            pairs=PAIRS if enough is None else MOST_PAIRS,
            enough=enough,
        )
    except StepAborted as refused:
        # nobody agreed to switch the supply on: said, and judged without
        bench.tell(Event("skipped", {"text": f"dc resistance not measured: {refused.message}"}))
        return None, None, {}
    return *known(measurement), _drift(measurement)


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
