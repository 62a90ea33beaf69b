"""Judge MOSFETs: verdicts, findings and the one word, from readings and part types alone."""

from __future__ import annotations

__all__ = ["NEEDED_BLOCKS", "judge_mosfet"]

from collections.abc import Collection, Iterator, Sequence

from attrs import evolve

from labbench.judging.disposition import dispose
from labbench.judging.siblings import same_lot
from labbench.judging.switch_dissipation import lossier_than_siblings
from labbench.judging.switch_evidence import deviations
from labbench.judging.switch_limits import decide_limits, limit_count
from labbench.judging.switch_naming import name_faults
from labbench.judging.switch_quantities import (
    PartTemperature,
    SwitchSiblings,
    part_temperature,
)
from labbench.parts.mosfet_type import MosfetType
from labbench.quantities import format_si
from labbench.results import Characteristic, Finding, Judgement, Readings, WouldDecide

#: without all of these a MOSFET is not called fit
NEEDED_BLOCKS = (
    "short_check", "gate_leakage", "drain_leakage", "body_diode", "threshold", "on_resistance",
)  # fmt: skip
#: of these at least one limit has to be decided; a body diode that conducts is sound
_AT_THEIR_CONDITIONS = {"drain-leakage", "gate-leakage", "threshold", "on-resistance"}
_WAIT = WouldDecide("wait", "retest cold: let it cool to the room's temperature")
_CLEAN = WouldDecide(
    "clean", "clean and repeat: wash and dry the part, then measure the leak again"
)


def judge_mosfet(
    readings: Readings,
    part: MosfetType,
    *,
    siblings: Sequence[Readings] | SwitchSiblings = (),
    risk: float = 0.05,
    false_reject: float = 0.01,
    beyond: Collection[str] = (),
) -> Judgement:
    """Judge one MOSFET against its type's limits, its siblings and itself.

    `risk` and `false_reject` as for coils. `siblings` are parts of the same type and lot, of which
    one may be bad; three are needed. `beyond` names blocks that this bench or this quick check
    cannot measure: what is missing there makes the part plausible at best, not undecided. Raises
    InputError for risks that make no sense.
    """
    strangers: tuple[str, ...] = ()
    if isinstance(siblings, SwitchSiblings):
        learned = siblings
        if any(s.specimen == readings.specimen for s in siblings.readings):
            learned = SwitchSiblings.of(same_lot(readings, siblings.readings)[0])
    else:
        usable, strangers = same_lot(readings, siblings)
        learned = SwitchSiblings.of(usable)
    temperature = part_temperature(readings, learned)
    found, limit_share = deviations(
        readings, part, temperature, learned, limits=limit_count(part), false_reject=false_reject
    )
    characteristics = decide_limits(
        readings, part, temperature, risk=risk, rejection_risk=limit_share
    )
    findings, dirty = name_faults(readings, part, found, characteristics, temperature)
    findings += tuple(
        each
        for each in lossier_than_siblings(readings, learned.readings)
        if all(known.path != each.path for known in findings)
    )
    if temperature.warm:
        findings = tuple(_not_for_warmth(f) for f in findings)
    stopped = any(f.grade == "sure" for f in findings)
    would = list(_would_decide(readings, characteristics, findings, temperature, beyond))
    if dirty:
        would.insert(0, _CLEAN)
    reservations = tuple(_reservations(readings, part, learned, characteristics, beyond))
    disposition = dispose(
        characteristics, findings, open_questions=bool(would), reservations=bool(reservations)
    )
    remarks = list(reservations)
    if temperature.warm and not stopped:
        remarks.insert(0, f"{temperature.celsius:.0f} °C warm by its body diode")
    if strangers:
        remarks.append(f"of another type or lot, not used: {', '.join(strangers)}")
    return Judgement(
        specimen=readings.specimen,
        type=readings.type,
        disposition=disposition,
        findings=findings,
        characteristics=characteristics,
        would_decide=() if disposition in ("fit", "unfit") else tuple(would),
        remarks=tuple(remarks),
    )


def _not_for_warmth(finding: Finding) -> Finding:
    """Hold back what warmth alone may do: leakage, threshold and diode of a part not yet cool."""
    by_warmth = finding.fault in ("threshold-shift", "not-as-marked")
    return evolve(finding, grade="suspect") if by_warmth else finding


def _would_decide(
    readings: Readings,
    characteristics: Sequence[Characteristic],
    findings: Sequence[Finding],
    temperature: PartTemperature,
    beyond: Collection[str],
) -> Iterator[WouldDecide]:
    if temperature.warm:
        yield _WAIT
    for block in NEEDED_BLOCKS:
        if not getattr(readings, block) and block not in beyond:
            yield WouldDecide(
                f"measure-{block.replace('_', '-')}", f"measure the {block.replace('_', ' ')}"
            )
    measured = {c.name for c in characteristics if c.verdict != "not-measured"}
    for c in characteristics:
        block = c.name.replace("-", "_")
        if not getattr(readings, block) or _is_blind(readings, c):
            continue
        if c.verdict == "undecided":
            hot = c.name == "drain-leakage" and not temperature.known
            yield _WAIT if hot else WouldDecide(
                "repeat", f"measure the {c.name.replace('-', ' ')} again: it lies near its limit"
            )  # fmt: skip
        elif c.verdict == "not-measured" and c.name in _AT_THEIR_CONDITIONS - measured:
            yield WouldDecide(
                f"measure-{c.name}",
                f"measure the {c.name.replace('-', ' ')} at its limit's {_at(c)}",
            )
    suspect = [f for f in findings if f.grade == "suspect"]
    if suspect:
        leak = suspect[0].fault == "leak" and not temperature.known
        yield _WAIT if leak else WouldDecide(
            "repeat", f"measure again: {suspect[0].fault.replace('-', ' ')} suspected"
        )  # fmt: skip


def _at(c: Characteristic) -> str:
    key = next(iter(c.conditions), "")
    unit = "A" if key.endswith("_a") else "V"
    return format_si(abs(c.conditions[key]), unit) if key else "conditions"


def _is_blind(readings: Readings, c: Characteristic) -> bool:
    """Tell whether a leak was read so that its limit cannot be seen."""
    if c.name not in ("drain-leakage", "gate-leakage") or c.verdict in ("conforms", "fails"):
        return False
    entries = readings.drain_leakage if c.name == "drain-leakage" else readings.gate_leakage
    return any(e.method == "supply-readback" or e.less_than_a is not None for e in entries)


def _reservations(
    readings: Readings,
    part: MosfetType,
    siblings: SwitchSiblings,
    characteristics: Sequence[Characteristic],
    beyond: Collection[str],
) -> Iterator[str]:
    for name, entries in (
        ("drain", readings.drain_leakage), ("gate", readings.gate_leakage),
    ):  # fmt: skip
        blind = [e for e in entries if e.method == "supply-readback"]
        if blind:
            seen = max(e.less_than_a or 2.0 * (e.u_current_a or 0.0) for e in blind)
            below = f" below {format_si(seen, 'A', 2)}" if seen > 0.0 else ""
            yield f"{name} leak not seen{below}: needs a multimeter"
        elif any(_is_blind(readings, c) for c in characteristics if c.name == f"{name}-leakage"):
            yield f"{name} leak not seen down to its limit"
    missing = [
        b.replace("_", " ") for b in beyond if b in NEEDED_BLOCKS and not getattr(readings, b)
    ]
    if missing:
        yield f"not checked: {', '.join(missing)}"
    limited = {
        "drain leakage": part.drain_leakage, "gate leakage": part.gate_leakage,
        "threshold": part.threshold, "on-resistance": part.on_resistance,
    }  # fmt: skip
    unlimited = [name for name, limits in limited.items() if not limits]
    if unlimited:
        count = len(siblings.readings)
        if count >= 3:
            yield f"no limits known for {', '.join(unlimited)}: compared with {count} siblings"
        else:
            yield f"no limits and no siblings for {', '.join(unlimited)}"
