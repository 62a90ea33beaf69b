"""Verify one specimen, of whichever family: measure, judge, record."""

from __future__ import annotations

__all__ = ["Outcome", "Request", "check_position", "verify"]

import math

from attrs import evolve

from labbench.bench.opened import OpenBench
from labbench.bench.stop import StopFlag
from labbench.errors import InputError
from labbench.jobs.bench_health import overdue
from labbench.jobs.can_decide import accuracies_of, best_word_text, can_decide, current_chooser
from labbench.jobs.check_state import standard_remark
from labbench.jobs.coil_bias import check_insulation, ready_network, wants_bias
from labbench.jobs.coil_measuring import measure_coil
from labbench.jobs.compensate import ready_compensation
from labbench.jobs.cooling import left_in_list, now_utc, residual_k
from labbench.jobs.outcome import Outcome, journalled
from labbench.jobs.request import Request, check_options
from labbench.jobs.run import bench_run, settle_earlier_runs
from labbench.jobs.until_decided import REJECTION_TESTS, final_risks
from labbench.jobs.verify_stage import verify_stage
from labbench.jobs.verify_switch import verify_switch
from labbench.judging.coil import judge_coil
from labbench.judging.reservations import with_reservations
from labbench.judging.would_decide import contact_unsure, sharpened
from labbench.metrology.expected import BenchAccuracies
from labbench.parts.coil_type import CoilType
from labbench.parts.mosfet_type import MosfetType
from labbench.parts.stage_type import StageType
from labbench.ports import Event, Operator
from labbench.procedures.sweep import sweep_frequencies
from labbench.records.cooling_file import CoolingPart
from labbench.records.folder import DataFolder
from labbench.records.readings_file import readings_from_json, readings_to_json
from labbench.records.store import Store
from labbench.results import Readings


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
    that cannot measure this family at all.
    """
    check_options(request)
    flag = stop or StopFlag()
    # before the first question, not only before the first run
    settle_earlier_runs(opened, data, operator=operator, who=request.who)
    if isinstance(request.part, MosfetType):
        check_position(opened, request.position)
        return verify_switch(
            opened, request, operator=operator, data=data, stop=flag,
            siblings=_siblings(data, request),
        )  # fmt: skip
    if isinstance(request.part, StageType):
        check_position(opened, request.position)
        return verify_stage(
            opened, request, operator=operator, data=data, stop=flag,
            siblings=_siblings(data, request),
        )  # fmt: skip
    if not isinstance(request.part, CoilType):
        raise InputError(
            f"{request.part.name}: a {request.part.family.replace('-', ' ')} cannot be verified "
            "at the bench",
            hint="measure it elsewhere and judge a readings file: `labbench judge`",
        )
    meter = opened.impedance_meter
    if meter is None:
        raise InputError(
            f"the bench {opened.file.name} has no impedance meter: a coil cannot be judged on it",
            hint="add [instruments.impedance_meter] to the bench file",
        )
    check_position(opened, request.position)
    # what makes no sense is said before anything is touched
    accuracies = accuracies_of(opened.file)
    with_bias = wants_bias(opened.file, request)
    if request.insulation:
        check_insulation(opened.file)
    risk = request.risk if request.risk is not None else opened.file.risk
    operator.tell(Event("best-word", {"text": _best_word(opened, request, risk)}))
    frequencies_hz = sweep_frequencies(request.coil, meter.frequency_range_hz)
    compensation = ready_compensation(
        opened, frequencies_hz, who=request.who, operator=operator, data=data, stop=flag
    )
    network = (
        ready_network(opened, request, operator=operator, data=data, stop=flag)
        if with_bias
        else None
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
        told={**request.told(siblings, risk), "judged_at_risk": judged_at[0]},
    ) as run:  # fmt: skip
        run.bench.identify()
        readings, more = measure_coil(
            run, opened, request, compensation, frequencies_hz,
            stop_at=(risk, request.false_reject) if request.until_decided else None,
            siblings=siblings, choose_at=judged_at if request.adaptive else None,
            network=network,
        )  # fmt: skip
        run.journal.write("measured", readings=readings_to_json(readings), **more)
        judgement = judge_coil(
            readings, request.coil, siblings=siblings, risk=judged_at[0],
            false_reject=judged_at[1],
        )  # fmt: skip
        judgement = sharpened(
            judgement, request.coil,
            accuracies if request.with_supply else BenchAccuracies(impedance=accuracies.impedance),
            current_for=current_chooser(opened.file, request.coil),
            risk=judged_at[0], rejection_risk=judged_at[1] / REJECTION_TESTS,
            u_temperature_c=request.u_temperature_c,
        )  # fmt: skip
        if more.get("dc_unstable") == "contact-unsure" and judgement.disposition == "undecided":
            judgement = contact_unsure(judgement)
        judgement = with_reservations(judgement, overdue(opened.file, opened.clock.utc().date()))
        judgement = left_in_list(data, judgement, more, part=_cooling_entry(request))
        if standard:
            judgement = evolve(judgement, remarks=(*judgement.remarks, standard))
        return journalled(run, readings, judgement, siblings=siblings, more=more)


def _best_word(opened: OpenBench, request: Request, risk: float) -> str:
    return best_word_text(
        can_decide(
            opened.file, request.coil, with_supply=request.with_supply,
            u_temperature_c=request.u_temperature_c, risk=risk,
            false_reject=request.false_reject,
        )
    )  # fmt: skip


def check_position(opened: OpenBench, position: str | None) -> None:
    """Raise InputError for a position that the relay switch of this bench does not have."""
    if opened.switch is None or position is None:
        return
    if position not in opened.file.positions:
        import difflib

        known = list(opened.file.positions)
        near = difflib.get_close_matches(position, known, n=1)
        raise InputError(
            f"the bench {opened.file.name} has no position {position!r}; it has "
            + ", ".join(known),
            hint=f"did you mean {near[0]}?" if near else "give --position",
        )


def _cooling_entry(request: Request) -> CoolingPart:
    """Return the entry of the cooling list for a part that proves still warm."""
    now = now_utc().isoformat()
    return CoolingPart(
        specimen=request.specimen, type=request.part.name, lifted_utc=now, ready_utc=now,
        position=request.position, donor=request.donor, lot=request.lot,
        customer_job=request.customer_job,
    )  # fmt: skip


def _siblings(data: DataFolder, request: Request) -> list[Readings]:
    """Find earlier specimens of the same type and the same lot or donor, the latest run of each.

    One that was called unfit is no reference for others: of five siblings judging bears one bad
    one, and of a burned board's parts more may be. The sound ones that are lost with them are as
    few as the false reject limit allows.
    """
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
    found: dict[str, Readings | None] = {}
    for row in rows:
        if row.measured is None or row.specimen in (None, request.specimen):
            continue
        readings = readings_from_json(row.measured)
        if readings.lot == lot and readings.specimen not in found:
            unfit = row.disposition == "unfit"
            found[readings.specimen] = None if unfit else readings
    return [readings for readings in found.values() if readings is not None]
