"""Judge power stages: verdicts, findings and the one word, from readings and part types alone."""

from __future__ import annotations

__all__ = ["NEEDED_STEPS", "judge_stage"]

import math
from collections.abc import Collection, Iterator, Sequence

from labbench.judging.disposition import dispose
from labbench.judging.siblings import same_lot
from labbench.judging.stage_limits import decide_stage_limits
from labbench.judging.stage_naming import Moved, name_stage_faults
from labbench.judging.stage_quantities import (
    GATE_BALANCE,
    GATE_CURRENT,
    MONITOR_BALANCE,
    StageSiblings,
    stage_quantities,
)
from labbench.judging.switch_evidence import SUSPECT_FACTOR
from labbench.parts.stage_seating import PairReading, seating
from labbench.parts.stage_steps import (
    BODY_DIODE,
    DRIVER_SUPPLY,
    HS_LEAK,
    LS_LEAK,
    ON_RESISTANCE,
    PWM_CURRENT,
    PWM_OPEN,
    SEATING,
    SHORT,
    STEPS,
    UNDERVOLTAGE,
    VIN_LEAK,
)
from labbench.parts.stage_type import StageType
from labbench.results import Characteristic, Finding, Judgement, Readings, WouldDecide

#: without all of these a stage is not called fit
NEEDED_STEPS = (
    SHORT.name, BODY_DIODE.name, HS_LEAK.name, LS_LEAK.name, DRIVER_SUPPLY.name, UNDERVOLTAGE.name,
    ON_RESISTANCE.name,
)  # fmt: skip
#: share of the false-reject rate that the limits of the type have together
_LIMITS_SHARE = 0.1
#: largest resistance that a reading across 100 ohm tells from none (ohm)
_SEEN_OHM = 4e6
#: share of the rest by kind of reading: most to what has to be told from the spread of sound parts
_WEIGHTS = {
    ON_RESISTANCE.name: 0.30, GATE_BALANCE: 0.12, MONITOR_BALANCE: 0.10, GATE_CURRENT: 0.08,
    HS_LEAK.name: 0.08, UNDERVOLTAGE.name: 0.06, DRIVER_SUPPLY.name: 0.06, SHORT.name: 0.05,
    LS_LEAK.name: 0.04, VIN_LEAK.name: 0.04, BODY_DIODE.name: 0.03, PWM_OPEN.name: 0.02,
    PWM_CURRENT.name: 0.02,
}  # fmt: skip
#: one-sided: a leak that is smaller than its siblings' is no fault
_ONE_SIDED = (
    HS_LEAK.name, LS_LEAK.name, VIN_LEAK.name, PWM_CURRENT.name, GATE_CURRENT, MONITOR_BALANCE,
)  # fmt: skip
#: of the share of an on-resistance: what goes to too much of it; too little is no damage
_HIGHER_SHARE = 0.9


def judge_stage(
    readings: Readings,
    part: StageType,
    *,
    siblings: Sequence[Readings] | StageSiblings = (),
    risk: float = 0.05,
    false_reject: float = 0.01,
    beyond: Collection[str] = (),
) -> Judgement:
    """Judge one power stage against its type's limits and its siblings.

    As `judge_mosfet`; `beyond` names steps that this bench or this check cannot make. Raises
    InputError for risks that make no sense.
    """
    strangers: tuple[str, ...] = ()
    if isinstance(siblings, StageSiblings):
        learned = siblings
        if any(s.specimen == readings.specimen for s in siblings.readings):
            learned = StageSiblings.of(same_lot(readings, siblings.readings)[0])
    else:
        usable, strangers = same_lot(readings, siblings)
        learned = StageSiblings.of(usable)
    limit_share = false_reject * _LIMITS_SHARE / max(1, len(part.limits))
    characteristics = decide_stage_limits(readings, part, risk=risk, rejection_risk=limit_share)
    moved = [
        *_by_limits(part, characteristics),
        *_by_siblings(readings, learned, false_reject * (1.0 - _LIMITS_SHARE)),
    ]
    findings = _lies_wrongly(readings, part) or name_stage_faults(readings, moved)
    if any(f.fault == "turned-in-jig" for f in findings):
        # no verdict on a part that lies wrongly: its pins are others
        characteristics = ()
    would = list(_would_decide(readings, characteristics, findings, beyond))
    reservations = list(_reservations(readings, part, learned, beyond))
    disposition = dispose(
        characteristics, findings, open_questions=bool(would), reservations=bool(reservations)
    )
    if strangers:
        reservations.append(f"of another type or lot, not used: {', '.join(strangers)}")
    return Judgement(
        specimen=readings.specimen,
        type=readings.type,
        disposition=disposition,
        findings=findings,
        characteristics=characteristics,
        would_decide=() if disposition in ("fit", "unfit") else tuple(would),
        remarks=tuple(reservations),
    )


def _lies_wrongly(readings: Readings, part: StageType) -> tuple[Finding, ...]:
    """Compare the pattern at 0.2 V with the type's, where more than the named paths was read."""
    if not any(r.step == SEATING.name for r in readings.stage):
        return ()
    found = seating(
        [
            PairReading(
                *_ends(r.path),
                ohm=math.inf if r.value is None else r.value,
                greater_than_ohm=r.greater_than or _SEEN_OHM,
                relative_u=0.02 if not r.u or not r.value else 0.02 + r.u / r.value,
            )
            for r in readings.stage
            if r.step in (SEATING.name, SHORT.name) and r.state.get("polarity", "+") == "+"
        ],
        part,
    )
    if found.how == "as-marked":
        return ()
    because = f"it may lie {found.how}: that fits its resistances at 0.2 V better, or as well"
    confidence = 1.0 / (1.0 + math.exp(max(min(found.margin, 50.0), -50.0)))
    return (
        Finding("turned-in-jig", None, "suspect", confidence, ("not-as-marked",), because),
    )  # fmt: skip


def _ends(path: str) -> tuple[str, str]:
    one, _, other = path.partition("-")
    return one, other


def _by_limits(part: StageType, characteristics: Sequence[Characteristic]) -> Iterator[Moved]:
    for limit, c in zip(part.limits, characteristics, strict=True):
        if c.verdict != "fails":
            continue
        higher = c.upper is not None and (c.value is None or c.value > c.upper)
        expected = limit.nominal or (c.upper if higher else c.lower)
        state = next(iter(limit.state.values()), "")
        limited = "should be below" if higher else "should be above"
        yield Moved(
            limit.step, limit.path, state, higher, True, 0.0, c.value, expected, c.unit,
            "should be" if limit.nominal else limited,
        )  # fmt: skip


def _by_siblings(
    readings: Readings, siblings: StageSiblings, false_reject: float
) -> Iterator[Moved]:
    compared = [
        (q, reference)
        for q in stage_quantities(readings)
        if (reference := siblings.reference(q.key)) is not None
    ]
    if not compared:
        return
    made = [q.step for q, _ in compared]
    total = sum(_WEIGHTS[step] for step in set(made))
    for q, reference in compared:
        share = false_reject * _WEIGHTS[q.step] / total / made.count(q.step)
        higher = q.value > reference.centre
        if q.step in _ONE_SIDED:
            p = reference.above(q.value, q.u)
        elif q.step == ON_RESISTANCE.name:
            side = _HIGHER_SHARE if higher else 1.0 - _HIGHER_SHARE
            p = min(1.0, reference.as_far(q.value, q.u) / (2.0 * side))
        else:
            p = reference.as_far(q.value, q.u)
        if p >= SUSPECT_FACTOR * share:
            continue
        expected = type(q)(
            q.step, q.path, q.state, reference.centre, 0.0, q.logarithmic
        ).shown  # fmt: skip
        unit = STEPS[q.step].unit if q.step in STEPS else "A" if q.step == GATE_CURRENT else ""
        yield Moved(
            q.step, q.path, q.state, higher, p < share, p, q.shown, expected, unit, "its siblings"
        )


def _would_decide(
    readings: Readings,
    characteristics: Sequence[Characteristic],
    findings: Sequence[Finding],
    beyond: Collection[str],
) -> Iterator[WouldDecide]:
    if any(f.fault == "turned-in-jig" for f in findings):
        yield WouldDecide("press-again", "turn the part to its mark and seat it again")
        return
    made = {r.step for r in readings.stage} | ({SHORT.name} if readings.short_check else set())
    for step in NEEDED_STEPS:
        if step not in made and step not in beyond:
            yield WouldDecide(f"measure-{step}", f"measure the {step.replace('-', ' ')}")
    for c in characteristics:
        if c.verdict == "undecided":
            yield WouldDecide("repeat", f"measure the {c.name.replace('-', ' ')} again")
    for finding in findings:
        if finding.grade == "suspect":
            yield WouldDecide("repeat", f"measure again: {finding.because}")


def _reservations(
    readings: Readings, part: StageType, siblings: StageSiblings, beyond: Collection[str]
) -> Iterator[str]:
    made = {r.step for r in readings.stage} | ({SHORT.name} if readings.short_check else set())
    missing = [step.replace("-", " ") for step in beyond if step in STEPS and step not in made]
    if missing:
        yield f"not checked: {', '.join(missing)}"
    if not part.has_limits:
        count = len(siblings.readings)
        yield (
            f"no limits known: compared with {count} siblings"
            if count >= 3
            else "no limits and no siblings: looked at alone"
        )
