"""Judge a coil: verdicts, findings and the one word, from readings and part type alone."""

from __future__ import annotations

__all__ = ["judge_coil"]

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from attrs import evolve, field, frozen

from labbench.judging.characteristics import (
    decide_dc_resistance,
    decide_inductance,
    decide_saturation,
    inductance_at,
    resistance_at,
)
from labbench.judging.coil_band import band_for_plot
from labbench.judging.coil_diagnosis import diagnose, open_winding, seen_fault, suspicious
from labbench.judging.coil_evidence import (
    TEST_WEIGHTS,
    Evidence,
    Explanation,
    explain,
    highest_visible_corner,
    weigh,
)
from labbench.judging.coil_priors import Prior, healthy_prior
from labbench.judging.conformity import expanded_uncertainty
from labbench.judging.disposition import dispose
from labbench.judging.input_doubts import Doubt, doubts_about
from labbench.judging.open_questions import questions_about
from labbench.judging.siblings import learned_resistance, same_lot
from labbench.judging.sweep_points import SweepPoints, usable_points
from labbench.parts.coil_type import CoilType
from labbench.results import (
    Characteristic,
    DcResistance,
    Finding,
    Judgement,
    Readings,
)

# Without a contact block: what a jig of tips leaves after compensation (assumed, cautious).
_CONTACT_OHM = 2e-4
_CONTACT_H = 1e-9


@frozen(eq=False)
class _Measured:
    """Hold what of the readings is believed."""

    readings: Readings
    points: SweepPoints
    dc_resistance: DcResistance | None
    doubts: tuple[Doubt, ...]
    open_winding: Finding | None


@frozen(eq=False)
class _Diagnosis:
    """Hold what the model says of a sweep."""

    evidence: Evidence | None = None
    explanation: Explanation | None = None
    band: Mapping[str, Any] | None = field(default=None)


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
    over all tests made on it. `siblings` are readings of parts of the same type and lot; they
    give limits of the dc resistance where the type has none. Readings that no coil can give are
    not judged: they make the specimen undecided, with a remark. Raises InputError for risks that
    make no sense.
    """
    usable, strangers = same_lot(readings, siblings)
    learned: tuple[str, ...] = ()
    if not part.dc_resistance and (found := learned_resistance(usable)) is not None:
        part, learned = evolve(part, dc_resistance=(found[0],)), found[1]

    measured = _believed(readings, part)
    share = false_reject / _test_weights(measured, part)
    characteristics = _characteristics(measured, part, risk=risk, share=share)
    diagnosis = _diagnose_sweep(measured, part, characteristics, share=share)
    findings = _findings(measured, diagnosis, characteristics, part, share=share)
    questions = questions_about(
        readings,
        part,
        characteristics,
        findings,
        doubts=measured.doubts,
        learned=learned,
        strangers=strangers,
        visible_corner_hz=highest_visible_corner(diagnosis.evidence, share=share)
        if diagnosis.evidence is not None
        else None,
        risk=risk,
    )
    disposition = dispose(
        characteristics,
        findings,
        open_questions=questions.open,
        reservations=bool(questions.reservations),
    )
    settled = disposition in ("fit", "unfit")
    return Judgement(
        specimen=readings.specimen,
        type=readings.type,
        disposition=disposition,
        findings=findings,
        characteristics=characteristics,
        would_decide=() if settled else questions.would_decide,
        remarks=(*questions.reservations, *questions.remarks),
        band=diagnosis.band,
    )


def _believed(readings: Readings, part: CoilType) -> _Measured:
    points = usable_points(readings.impedance)
    dc = readings.dc_resistance
    found = open_winding(readings.impedance, points, dc, part)
    # what an open winding leaves to measure is noise and stray capacitance
    doubts = () if found is not None else doubts_about(points, dc, part)
    blocks = {block for doubt in doubts for block in doubt.blocks}
    return _Measured(
        readings=readings,
        points=usable_points(None) if "impedance" in blocks else points,
        dc_resistance=None if "dc-resistance" in blocks else dc,
        doubts=doubts,
        open_winding=found,
    )


def _test_weights(measured: _Measured, part: CoilType) -> float:
    """Sum the weights of the tests that can call a healthy specimen unfit."""
    count = 0.0
    if len(measured.points):
        count += len(part.inductance) + TEST_WEIGHTS
    if measured.dc_resistance is not None:
        count += len(part.dc_resistance)
    if part.saturation is not None and measured.readings.bias:
        count += 1
    return max(count, 1.0)


def _characteristics(
    measured: _Measured, part: CoilType, *, risk: float, share: float
) -> tuple[Characteristic, ...]:
    readings, points = measured.readings, measured.points
    impedance = readings.impedance if not _doubted(measured, "impedance") else None
    # of an open winding only its resistance is meant
    if measured.open_winding is not None:
        points = usable_points(None)
    found = [
        decide_inductance(limit, points, impedance, risk=risk, rejection_risk=share)
        for limit in part.inductance
    ]
    found += [
        decide_dc_resistance(
            limit,
            measured.dc_resistance,
            part_temperature_c=readings.temperature_c,
            risk=risk,
            rejection_risk=share,
        )
        for limit in (part.dc_resistance or (None,))
    ]
    if part.saturation is not None:
        unbiased = next(
            (inductance_at(points, limit.frequency_hz) for limit in part.inductance), None
        )
        biased = decide_saturation(
            part.saturation, readings.bias, unbiased, risk=risk, rejection_risk=share
        )
        if biased is not None:
            found.append(biased)
    return tuple(found)


def _doubted(measured: _Measured, block: str) -> bool:
    return any(block in doubt.blocks for doubt in measured.doubts)


def _diagnose_sweep(
    measured: _Measured,
    part: CoilType,
    characteristics: Sequence[Characteristic],
    *,
    share: float,
) -> _Diagnosis:
    points, readings = measured.points, measured.readings
    if not len(points) or measured.open_winding is not None:
        return _Diagnosis()
    contact = readings.contact
    contact_ohm = contact.u_resistance_ohm if contact is not None else _CONTACT_OHM
    contact_h = contact.u_inductance_h if contact is not None else _CONTACT_H
    dc = _dc_datum(measured)
    prior = healthy_prior(
        part,
        temperature_c=_sweep_temperature(readings),
        contact_resistance_ohm=contact_ohm,
        contact_inductance_h=contact_h,
        guess_inductance_h=max(float(np.median(points.inductance_h)), 1e-10),
        guess_resistance_ohm=max(dc[0] if dc else float(points.resistance_ohm[0]), 1e-5),
    )
    evidence = weigh(
        points,
        prior,
        contact_resistance_ohm=contact_ohm,
        contact_inductance_h=contact_h,
        dc_resistance_ohm=dc[0] if dc else None,
        u_dc_ohm=dc[1] if dc else None,
    )
    explanation = None
    if suspicious(evidence, characteristics, share=share):
        explanation = explain(
            evidence,
            prior,
            part=part,
            contact_resistance_ohm=contact_ohm,
            contact_inductance_h=contact_h,
        )
    return _Diagnosis(evidence, explanation, _band(prior, points, evidence, explanation))


def _band(
    prior: Prior, points: SweepPoints, evidence: Evidence, explanation: Explanation | None
) -> dict[str, Any]:
    if explanation is None:
        return band_for_plot(prior, points.frequency_hz, evidence.healthy, "healthy coil, fitted")
    label = explanation.fault.replace("-", " ") + ", fitted"
    return band_for_plot(prior, points.frequency_hz, explanation.fit, label)


def _sweep_temperature(readings: Readings) -> float | None:
    if readings.temperature_c is not None:
        return readings.temperature_c
    return readings.dc_resistance.temperature_c if readings.dc_resistance is not None else None


def _dc_datum(measured: _Measured) -> tuple[float, float] | None:
    """Find the dc resistance (ohm) at the temperature of the sweep and its uncertainty.

    None also where the LCR meter gave it: that reading is part of the sweep already.
    """
    dc, readings = measured.dc_resistance, measured.readings
    if dc is None or dc.method == "impedance-meter":
        return None
    to_c = _sweep_temperature(readings)
    at = resistance_at(
        dc, to_c if to_c is not None else 25.0, part_temperature_c=readings.temperature_c
    )
    if at is None:
        return None
    # few degrees of freedom count as a wider normal distribution of the same 95 % interval
    return at.value_ohm, expanded_uncertainty(at.u_ohm, at.dof) / expanded_uncertainty(1.0)


def _findings(
    measured: _Measured,
    diagnosis: _Diagnosis,
    characteristics: Sequence[Characteristic],
    part: CoilType,
    *,
    share: float,
) -> tuple[Finding, ...]:
    found = measured.open_winding
    if found is None:
        found = diagnose(
            diagnosis.evidence, diagnosis.explanation, characteristics, part, share=share
        )
    seen = seen_fault(measured.readings.visual)
    return tuple(finding for finding in (found, seen) if finding is not None)
