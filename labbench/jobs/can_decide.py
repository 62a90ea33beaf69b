"""Say what a bench can decide of a part type, from its file alone: nothing is measured."""

from __future__ import annotations

__all__ = [
    "CanDecide",
    "accuracies_of",
    "best_word_text",
    "can_decide",
    "can_decide_json",
    "can_decide_lines",
    "current_chooser",
]

from collections.abc import Callable, Iterator
from typing import Any

from attrs import frozen

from labbench.bench.bench_file import BY_HAND, BenchFile
from labbench.errors import InputError
from labbench.jobs.until_decided import REJECTION_TESTS
from labbench.judging.coil import judge_coil
from labbench.judging.expected_sound import expected_readings
from labbench.judging.reach import Reach, reaches_of
from labbench.metrology.accuracy import (
    ImpedanceAccuracy,
    MultimeterAccuracy,
    SupplyAccuracy,
    figure_count,
    impedance_accuracy,
    multimeter_accuracy,
    supply_accuracy,
)
from labbench.metrology.expected import BenchAccuracies
from labbench.parts.coil_type import CoilType
from labbench.procedures.bias import highest_bias_a
from labbench.procedures.dc_resistance import MAXIMUM_CURRENT_A, choose_current_a
from labbench.procedures.sweep import sweep_frequencies
from labbench.quantities import format_si
from labbench.results import Disposition


@frozen
class CanDecide:
    """Hold what a bench can decide of a type, and the best word that a sound part can get."""

    type: str
    bench: str
    reaches: tuple[Reach, ...]
    best_word: Disposition
    #: why it is no better
    because: tuple[str, ...]
    assumed: tuple[str, ...]


def accuracies_of(file: BenchFile) -> BenchAccuracies:
    """Read the accuracy of every instrument of a bench file.

    Raises InputError with every unknown class and impossible figure of all instruments at once.
    """
    entries, problems = file.instruments, []
    found: dict[str, Any] = {}
    for role, read in (
        ("impedance_meter", impedance_accuracy),
        ("multimeter", multimeter_accuracy),
        ("supply", supply_accuracy),
    ):
        entry = getattr(entries, role)
        if entry is None:
            continue
        try:
            found[role] = read(entry.class_, entry.accuracy)
        except InputError as error:
            problems.append(str(error))
    if problems:
        raise InputError(
            f"the accuracy of the bench {file.name} cannot be used:\n" + "\n".join(problems)
        )
    return BenchAccuracies(
        impedance=found.get("impedance_meter"),
        multimeter=found.get("multimeter"),
        supply=found.get("supply"),
        supply_leads_ohm=file.fixture.supply_leads_ohm,
    )


def can_decide(
    file: BenchFile,
    part: CoilType,
    *,
    with_supply: bool = True,
    u_temperature_c: float = 2.0,
    risk: float | None = None,
    false_reject: float = 0.01,
) -> CanDecide:
    """Foretell what this bench can decide of a type; raise InputError for its accuracy."""
    bench = accuracies_of(file)
    if not with_supply or file.limits is None:
        bench = BenchAccuracies(impedance=bench.impedance)
    current_for = current_chooser(file, part)

    chosen = file.risk if risk is None else risk
    reaches = reaches_of(
        part, bench, current_for=current_for, risk=chosen,
        rejection_risk=false_reject / REJECTION_TESTS, u_temperature_c=u_temperature_c,
        bias_a=_bias_a(file, part) if with_supply else None,
    )  # fmt: skip
    meter = bench.impedance
    frequencies = (
        sweep_frequencies(part, (meter.frequency_min_hz, meter.frequency_max_hz))
        if meter is not None
        else ()
    )
    readings = expected_readings(
        part, bench, frequencies, current_for=current_for, u_temperature_c=u_temperature_c
    )
    judged = judge_coil(readings, part, risk=chosen, false_reject=false_reject)
    assumed = tuple(
        f"{role} ({accuracy.class_name}): {_figures(accuracy)}"
        for role, accuracy in (
            ("impedance meter", bench.impedance),
            ("multimeter", bench.multimeter),
            ("supply", bench.supply),
        )
        if accuracy is not None and accuracy.assumed
    )
    because = tuple(r for r in judged.remarks if not r.startswith("assumed"))
    return CanDecide(
        type=part.name, bench=file.name, reaches=reaches, best_word=judged.disposition,
        because=() if judged.disposition == "fit" else because, assumed=assumed,
    )  # fmt: skip


def _bias_a(file: BenchFile, part: CoilType) -> float | None:
    """Return the largest current at which this bench reads inductance (A); None for none."""
    network = file.fixture.bias_network
    if network is None or file.limits is None or file.instruments.impedance_meter is None:
        return None
    return highest_bias_a(
        part, network, bench_a=file.limits.current_a, resistance_ohm=part.nominal_resistance_ohm,
        by_hand=file.instruments.impedance_meter.resource == BY_HAND,
    )[0]  # fmt: skip


def current_chooser(file: BenchFile, part: CoilType) -> Callable[[float], float]:
    """Return what chooses the current (A) for a resistance (ohm) on this bench."""
    limit_a = file.limits.current_a if file.limits is not None else MAXIMUM_CURRENT_A

    def current_for(ohms: float) -> float:
        return choose_current_a(ohms, bench_limit_a=limit_a, part_maximum_a=part.maximum_current_a)

    return current_for


def best_word_text(found: CanDecide) -> str:
    """Return the sentence that `verify` says before it starts."""
    text = f"best word that this bench can reach: {found.best_word}"
    if found.because and found.best_word != "fit":
        text += f": {found.because[0]}"
    helps = [
        r.fix.text for r in found.reaches if r.fix is not None and r.word in ("no", "gross only")
    ]
    return text + (f"; {helps[0]}" if helps and found.best_word != "fit" else "")


def can_decide_lines(found: CanDecide) -> Iterator[str]:
    """Yield the table for a terminal."""
    yield f"{found.type} on {found.bench}: best word for a sound part: {found.best_word}"
    for reason in found.because:
        yield f"  {reason}"
    yield f"  {'characteristic':<26} {'U95':>9} {'of tolerance':>13}  can decide"
    for reach in found.reaches:
        size = reach.expanded_uncertainty
        ratio = reach.ratio
        yield (
            f"  {_name(reach):<26} {format_si(size, reach.unit, 2) if size else '-':>9} "
            f"{f'{100 * ratio:.0f} %' if ratio is not None else '-':>13}  {reach.word}: {reach.why}"
        )
        if reach.fix is not None:
            yield f"  {'':<26} {reach.fix.text}"
        if reach.risks is not None:
            yield (
                f"  {'':<26} of 1000 such parts {1e3 * (1 - reach.risks.conforming):.0f} are out "
                f"of limits; {1e3 * reach.risks.consumer:.1f} of those are accepted, "
                f"{1e3 * reach.risks.producer:.0f} good ones are not"
            )
    for line in found.assumed:
        yield f"  assumed from the class, {line}"


def can_decide_json(found: CanDecide) -> dict[str, Any]:
    """Return plain data."""
    return {
        "type": found.type,
        "bench": found.bench,
        "best_word": found.best_word,
        "because": list(found.because),
        "characteristics": [
            {
                "name": r.name,
                "conditions": dict(r.conditions),
                "unit": r.unit,
                "value": r.value,
                "expanded_uncertainty": r.expanded_uncertainty,
                "tolerance": r.tolerance,
                "ratio": r.ratio,
                "can_decide": r.word,
                "why": r.why,
                "global_risks": None
                if r.risks is None
                else {
                    "consumer": r.risks.consumer,
                    "producer": r.risks.producer,
                    "accepted": r.risks.accepted,
                    "conforming": r.risks.conforming,
                },
                "fix": None if r.fix is None else {"action": r.fix.action, "text": r.fix.text},
            }
            for r in found.reaches
        ],
        "assumed": list(found.assumed),
    }


def _figures(accuracy: ImpedanceAccuracy | MultimeterAccuracy | SupplyAccuracy) -> str:
    keys = accuracy.assumed
    return "all figures" if len(keys) == figure_count(accuracy) else ", ".join(keys)


def _name(reach: Reach) -> str:
    name = reach.name.replace("-", " ")
    if (frequency := reach.conditions.get("frequency_hz")) is not None:
        return f"{name} at {format_si(frequency, 'Hz')}"
    if (temperature := reach.conditions.get("temperature_c")) is not None:
        return f"{name} at {temperature:g} °C"
    return name
