"""Judge coils: verdicts, findings and the one word, from readings and part types alone."""

from __future__ import annotations

__all__ = ["Case", "judge_coil", "judge_coils"]

from collections.abc import Mapping, Sequence
from typing import Any

from attrs import evolve, frozen

from labbench.judging.characteristics import (
    decide_dc_resistance,
    decide_inductance,
    inductance_at,
)
from labbench.judging.coil_band import band_for_plot
from labbench.judging.coil_diagnosis import diagnose, seen_fault, suspicious
from labbench.judging.coil_evidence import (
    Evidence,
    Explanation,
    Shares,
    explain_many,
    highest_visible_corner,
    weigh_many,
)
from labbench.judging.coil_lot_book import LotBook, LotView
from labbench.judging.coil_measured import Measured, believed
from labbench.judging.coil_priors import Prior
from labbench.judging.disposition import dispose
from labbench.judging.insulation import judge_insulation
from labbench.judging.open_questions import questions_about
from labbench.judging.saturation import judge_saturation
from labbench.judging.siblings import learned_resistance, same_lot
from labbench.judging.sweep_points import SweepPoints, usable_points
from labbench.parts.coil_type import CoilType
from labbench.results import Characteristic, Finding, Judgement, Readings

#: ln of the Bayes factor of a loop that no type of coil has
_UNMISTAKABLE = 5.0


@frozen(eq=False)
class Case:
    """Hold what one specimen is judged by.

    `siblings` are readings of parts of the same type and lot. `companions` are other test parts
    of that lot: three or more of them tell whether the siblings are of the same lot at all.
    """

    readings: Readings
    part: CoilType
    siblings: Sequence[Readings] = ()
    companions: Sequence[Readings] = ()


@frozen(eq=False)
class _Open:
    """Hold a case on its way: what was believed of it, and what its lot says."""

    case: Case
    part: CoilType
    measured: Measured
    learned: tuple[str, ...]
    strangers: tuple[str, ...]
    lot: LotView
    shares: Shares
    characteristics: tuple[Characteristic, ...]
    more_findings: tuple[Finding, ...]
    saturation_remark: str | None
    saturation_band: Mapping[str, Any] | None


def judge_coil(
    readings: Readings,
    part: CoilType,
    *,
    siblings: Sequence[Readings] = (),
    risk: float = 0.05,
    false_reject: float = 0.01,
) -> Judgement:
    """Judge one specimen of a coil type.

    `risk` is the largest probability that an accepted characteristic is out of limits;
    `false_reject` the largest probability that a healthy specimen is called unfit, shared
    over all tests made on it. `siblings` are readings of parts of the same type and lot, one of
    which may be bad: the specimen is compared with them, and they give limits of the dc
    resistance where the type has none. Readings that no coil can give are not judged: they make
    the specimen undecided, with a remark. Raises InputError for risks that make no sense.
    """
    case = Case(readings, part, siblings)
    return judge_coils([case], risk=risk, false_reject=false_reject)[0]


def judge_coils(
    cases: Sequence[Case],
    *,
    risk: float = 0.05,
    false_reject: float = 0.01,
    book: LotBook | None = None,
    with_band: bool = True,
) -> list[Judgement]:
    """Judge many specimens together, which is several times faster than one after the other.

    As `judge_coil`; the judgements come in the order of the cases. `book` keeps what was learned
    of lots from one call to the next; without `with_band` nothing is computed for plots.
    """
    book = book if book is not None else LotBook()
    opened = [_open(case, book, risk=risk, false_reject=false_reject) for case in cases]
    swept = [o for o in opened if _has_sweep(o)]
    priors = {id(o): o.measured.prior(o.part) for o in swept}
    evidence = dict(
        zip(
            (id(o) for o in swept),
            weigh_many([o.measured.sweep(priors[id(o)], o.part.material) for o in swept]),
            strict=True,
        )
    )
    doubtful = [
        o for o in swept
        if suspicious(evidence[id(o)], o.lot.evidence, o.characteristics, o.shares)
    ]  # fmt: skip
    explained = dict(
        zip(
            (id(o) for o in doubtful),
            explain_many(
                [
                    (evidence[id(o)], _prior_to_explain(o, evidence[id(o)], priors[id(o)]), o.part)
                    for o in doubtful
                ]
            ),
            strict=True,
        )
    )
    shown = priors if with_band else {}
    return [
        _conclude(
            o, evidence.get(id(o)), explained.get(id(o)), shown.get(id(o)), risk=risk
        )
        for o in opened
    ]  # fmt: skip


def _open(case: Case, book: LotBook, *, risk: float, false_reject: float) -> _Open:
    readings, part = case.readings, case.part
    usable, strangers = same_lot(readings, case.siblings)
    learned: tuple[str, ...] = ()
    if not part.dc_resistance and (found := learned_resistance(usable)) is not None:
        part, learned = evolve(part, dc_resistance=(found[0],)), found[1]
    measured = believed(readings, part)
    lot = book.look(measured, part, usable, case.companions, false_reject=false_reject)
    saturation = judge_saturation(readings.bias, part, _unbiased(measured.points, part), usable)
    shares = Shares.of(
        false_reject,
        sweep=bool(len(measured.points)) and measured.open_winding is None,
        lot=lot.usable,
        characteristics=len(part.inductance) * bool(len(measured.points))
        + len(part.dc_resistance) * (measured.dc_resistance is not None)
        + (saturation.tests if saturation is not None else 0)
        + len(readings.insulation),
    )
    characteristics = _characteristics(measured, part, risk=risk, share=shares.characteristic)
    more_findings: list[Finding] = []
    remark = band = None
    if saturation is not None:
        decided = saturation.decide(risk=risk, rejection_risk=shares.characteristic)
        if decided.characteristic is not None:
            characteristics = (*characteristics, decided.characteristic)
        remark, band = decided.remark, decided.band
        if decided.finding is not None:
            more_findings.append(decided.finding)
    for word in judge_insulation(
        readings.insulation, risk=risk, rejection_risk=shares.characteristic,
        least_ohm=part.least_insulation_ohm,
    ):  # fmt: skip
        characteristics = (*characteristics, word.characteristic)
        if word.finding is not None:
            more_findings.append(word.finding)
    return _Open(
        case, part, measured, learned, strangers, lot, shares, characteristics,
        tuple(more_findings), remark, band,
    )  # fmt: skip


def _prior_to_explain(o: _Open, evidence: Evidence, of_type: Prior) -> Prior:
    """Choose what a fault is a change of: the lot where the change is small, else the type.

    The narrow prior of a lot is of no use beside a fault that changes everything: what the model
    lacks of such a fault would count more than the fault.
    """
    failed = any(c.verdict == "fails" for c in o.characteristics)
    changed = failed or evidence.ln_bayes > _UNMISTAKABLE
    return of_type if changed else o.lot.prior(of_type)


def _has_sweep(o: _Open) -> bool:
    return bool(len(o.measured.points)) and o.measured.open_winding is None


def _unbiased(points: SweepPoints, part: CoilType) -> tuple[float, float] | None:
    return next((inductance_at(points, limit.frequency_hz) for limit in part.inductance), None)


def _conclude(
    o: _Open,
    evidence: Evidence | None,
    explanation: Explanation | None,
    prior: Prior | None,
    *,
    risk: float,
) -> Judgement:
    readings = o.case.readings
    found = o.measured.open_winding
    if found is None:
        found = diagnose(
            evidence, explanation, o.characteristics, o.part, shares=o.shares,
            lot=o.lot.evidence,
        )  # fmt: skip
    seen = seen_fault(readings.visual)
    findings = tuple(f for f in (found, *o.more_findings, seen) if f is not None)
    questions = questions_about(
        readings,
        o.part,
        o.characteristics,
        findings,
        doubts=o.measured.doubts,
        learned=o.learned,
        strangers=o.strangers,
        lot=o.lot,
        visible_corner_hz=highest_visible_corner(
            evidence, shares=o.shares, lot_corner_hz=o.lot.visible_corner_hz(o.shares.lot)
        )
        if evidence is not None
        else None,
        risk=risk,
        saturation_remark=o.saturation_remark,
    )
    disposition = dispose(
        o.characteristics,
        findings,
        open_questions=questions.open,
        reservations=bool(questions.reservations),
    )
    settled = disposition in ("fit", "unfit")
    band = None
    if evidence is not None and prior is not None:
        band = _band(o.lot.prior(prior), o.measured.points, evidence, explanation)
    if o.saturation_band is not None:
        band = {**(band or {}), "bias": o.saturation_band}
    return Judgement(
        specimen=readings.specimen,
        type=readings.type,
        disposition=disposition,
        findings=findings,
        characteristics=o.characteristics,
        would_decide=() if settled else questions.would_decide,
        remarks=(*questions.doubts, *questions.reservations, *questions.remarks),
        band=band,
    )


def _characteristics(
    measured: Measured, part: CoilType, *, risk: float, share: float
) -> tuple[Characteristic, ...]:
    readings, points = measured.readings, measured.points
    impedance = readings.impedance if not measured.doubted("impedance") else None
    # of an open winding only its resistance is meant
    if measured.open_winding is not None:
        points = usable_points(None)
    found = [
        decide_inductance(
            limit,
            points,
            impedance,
            risk=risk,
            rejection_risk=share,
            spread=part.population.inductance if part.population is not None else None,
        )
        for limit in part.inductance
    ]
    found += [
        decide_dc_resistance(
            limit,
            measured.dc_resistance,
            part_temperature_c=readings.temperature_c,
            risk=risk,
            rejection_risk=share,
            spread=part.population.dc_resistance if part.population is not None else None,
        )
        for limit in (part.dc_resistance or (None,))
    ]
    return tuple(found)


def _band(
    prior: Prior, points: SweepPoints, evidence: Evidence, explanation: Explanation | None
) -> dict[str, Any]:
    if explanation is None:
        return band_for_plot(prior, points.frequency_hz, evidence.healthy, "healthy coil, fitted")
    label = explanation.fault.replace("-", " ") + ", fitted"
    return band_for_plot(prior, points.frequency_hz, explanation.fit, label)
