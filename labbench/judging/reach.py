"""Say what a bench can decide of a part type before anything is measured, and what would help.

For each characteristic the expanded uncertainty that the bench will state is foretold
(`labbench.metrology.expected`) and set against the tolerance:

- *yes*: at most a third of the tolerance (three to one: common practice, no source);
- *marginal*: the best part would be accepted, many good ones left undecided;
- *gross only*: no part could be accepted, but one of twice or half its value is rejected;
- *no*: not even that.

The fix is the first of the things that could be done that reaches a better word, each computed in
the same way and never taken from a list of sayings.
"""

from __future__ import annotations

__all__ = [
    "METHOD_WORDS",
    "Fix",
    "Reach",
    "Word",
    "expected_readings",
    "inductance_fixes",
    "reaches_of",
    "resistance_fixes",
    "would_help",
]

import math
from collections.abc import Callable, Iterator, Mapping
from typing import Literal

import numpy as np
from attrs import evolve, frozen

from labbench.judging import coil_model
from labbench.judging.characteristics import prior_of
from labbench.judging.coil_priors import healthy_prior
from labbench.judging.conformity import could_accept, decide, typical_value
from labbench.judging.risks import GlobalRisks, acceptance_limits, global_risks
from labbench.metrology.accuracy import IMPEDANCE_CLASSES, MULTIMETER_CLASSES, SUPPLY_CLASSES
from labbench.metrology.estimates import expanded_uncertainty
from labbench.metrology.expected import (
    BenchAccuracies,
    expected_impedance,
    expected_resistance,
)
from labbench.parts.coil_type import (
    CoilType,
    InductanceLimit,
    ResistanceLimit,
    Saturation,
    Spread,
)
from labbench.quantities import format_si
from labbench.results import (
    Contact,
    DcResistance,
    Estimate,
    Impedance,
    Readings,
    Visual,
    WouldDecide,
)

#: how a dc resistance is measured, as people read it (`ResistanceMeasurement.method`)
METHOD_WORDS: Mapping[str, str] = {
    "multimeter-on-off": "multimeter, current on and off",
    "supply-readback": "the supply's own readback, leads included",
    "impedance-meter": "LCR meter at its lowest frequency",
}

Word = Literal["yes", "marginal", "gross only", "no"]
_ORDER: Mapping[str, int] = {"yes": 3, "marginal": 2, "gross only": 1, "no": 0}
#: a third of the tolerance decides well (three to one: common practice, no source)
_WELL = 1.0 / 3.0
#: of the saturation current: from here on a core of 0.7 of it shows beside its siblings
_SHOWS_SMALL_CORE = 0.35
_SWEEP_S = 0.2
_LONGER_S = 3.2
_PLACEMENTS = 4
_PAIRS = 4
#: what any bench of this kind may drive through a coil
_HIGHEST_CURRENT_A = 3.0
#: leads of a usual size, once they are known at all
_LEADS_OHM = 30e-3
#: winding resistance per inductance of a power coil of which nothing is known (3 mΩ per µH;
#: common practice, no source), and of a coil of which not even the inductance is
_GUESS_OHM_PER_H = 3e3
_GUESS_H = 1e-6


@frozen
class Fix:
    """Hold something that could be done, and the expanded uncertainty that it would bring."""

    action: str
    text: str
    expanded_uncertainty: float


@frozen
class Reach:
    """Hold what a bench can decide of one characteristic; `fix` is None where nothing is needed."""

    name: str
    conditions: Mapping[str, float]
    unit: str
    value: float | None
    expanded_uncertainty: float | None
    tolerance: float | None
    word: Word
    why: str
    fix: WouldDecide | None = None
    #: what this plan does to the type's population, where that is known
    risks: GlobalRisks | None = None

    @property
    def ratio(self) -> float | None:
        """Tell the expanded uncertainty over the tolerance; None where one is not known."""
        if self.expanded_uncertainty is None or not self.tolerance:
            return None
        return self.expanded_uncertainty / self.tolerance


def reaches_of(
    part: CoilType,
    bench: BenchAccuracies,
    *,
    current_for: Callable[[float], float],
    risk: float,
    rejection_risk: float,
    u_temperature_c: float = 2.0,
    bias_a: float | None = None,
) -> tuple[Reach, ...]:
    """Return what this bench can decide of every limit of a type, in the type's order.

    `current_for` gives the current (A) that the bench would drive through a resistance (ohm);
    `bias_a` is the largest direct current at which it measures inductance, None for none.
    """
    found = [
        _inductance(part, limit, bench, risk=risk, rejection_risk=rejection_risk)
        for limit in part.inductance
    ]
    found += [
        _resistance(
            limit, bench, current_for=current_for, risk=risk, rejection_risk=rejection_risk,
            u_temperature_c=u_temperature_c,
            spread=part.population.dc_resistance if part.population is not None else None,
        )
        for limit in part.dc_resistance
    ]  # fmt: skip
    if not part.dc_resistance:
        found.append(
            Reach(
                "dc-resistance", {}, "ohm", None, None, None, "no",
                "the type has no limit for it",
                WouldDecide("more-siblings", "measure three parts from the same board"),
            )
        )  # fmt: skip
    if part.saturation is not None:
        found.append(_saturation(part.saturation, bias_a))
    return tuple(found)


def _saturation(limit: Saturation, bias_a: float | None) -> Reach:
    conditions = {"current_a": limit.current_a}
    word: Word = "no"
    if bias_a is None:
        why = "no bias current is applied in this measurement"
    elif bias_a >= limit.lowest_a:
        word, why = "yes", f"inductance is read up to {format_si(bias_a, 'A')}"
    elif bias_a >= _SHOWS_SMALL_CORE * limit.current_a:
        word = "gross only"
        why = f"read up to {format_si(bias_a, 'A')}: a core a third too small shows"
    else:
        why = f"read up to {format_si(bias_a, 'A')}, where it has hardly fallen"
    fix = None
    if word != "yes" and bias_a is not None:
        fix = WouldDecide("more-bias", f"a supply and a bias network for {limit.lowest_a:.3g} A")
    return Reach("saturation", conditions, "A", None, None, None, word, why, fix)


def expected_readings(
    part: CoilType,
    bench: BenchAccuracies,
    frequencies_hz: tuple[float, ...],
    *,
    current_for: Callable[[float], float],
    temperature_c: float = 23.0,
    u_temperature_c: float = 2.0,
) -> Readings:
    """Return the readings of a sound part that is exactly as its type says, on this bench.

    Judged like any other, they tell the best word that the bench can reach.
    """
    z = _sound_impedance(part, temperature_c)
    impedance, contact = None, None
    if bench.impedance is not None:
        points = expected_impedance(z, frequencies_hz, bench.impedance, time_s=_SWEEP_S)
        kept = [p for p in points if p.resistance is not None and p.reactance is not None]
        gains = [bench.impedance.relative_limit(abs(z(p.frequency_hz)), p.frequency_hz)
                 / math.sqrt(3.0) for p in kept]  # fmt: skip
        impedance = Impedance(
            frequency_hz=tuple(p.frequency_hz for p in kept),
            resistance_ohm=tuple(p.resistance.value for p in kept if p.resistance is not None),
            reactance_ohm=tuple(p.reactance.value for p in kept if p.reactance is not None),
            u_resistance_ohm=tuple(p.resistance.u for p in kept if p.resistance is not None),
            u_reactance_ohm=tuple(p.reactance.u for p in kept if p.reactance is not None),
            u_gain_relative=tuple(gains),
        )
        contact = Contact(
            math.sqrt(2.0) * bench.impedance.contact_resistance_ohm,
            math.sqrt(2.0) * bench.impedance.contact_inductance_h,
        )
    ohms = part.nominal_resistance_ohm or _guess_ohm(part)
    method = bench.resistance_method
    dc = None
    if method is not None:
        known = expected_resistance(
            ohms, bench, method=method, current_a=current_for(ohms), pairs=_PAIRS,
            temperature_c=25.0, u_temperature_c=1e-6,
        )  # fmt: skip
        if known is not None:
            dc = DcResistance(
                ohms, known.u, 25.0, u_temperature_c, known.dof, method, current_for(ohms)
            )
    return Readings(
        specimen="expected", type=part.name, temperature_c=temperature_c, impedance=impedance,
        contact=contact, dc_resistance=dc, visual=Visual("fine"),
    )  # fmt: skip


def _with_risks(
    found: Reach,
    known: Estimate | None,
    nominal: float | None,
    lower: float | None,
    upper: float | None,
    spread: Spread | None,
    risk: float,
) -> Reach:
    """Add the global risks of measuring every part of the population with this uncertainty."""
    prior = prior_of(nominal, lower, upper, spread)
    if prior is None or known is None:
        return found
    from scipy import stats  # half a second to import: only where a population is known

    accept_lower, accept_upper = acceptance_limits(lower, upper, known.u, risk=risk)
    if accept_lower is not None and accept_upper is not None and accept_lower >= accept_upper:
        return found
    risks = global_risks(
        stats.norm(prior.mean, prior.sd), known.u,
        lower=lower, upper=upper, accept_lower=accept_lower, accept_upper=accept_upper,
    )  # fmt: skip
    return evolve(found, risks=risks)


def would_help(
    needed_expanded: float, now_expanded: float, fixes: Iterator[Fix], unit: str
) -> WouldDecide | None:
    """Return the first fix that brings the uncertainty that a value needs; None without one."""
    for fix in fixes:
        if fix.expanded_uncertainty <= needed_expanded:
            return WouldDecide(
                fix.action,
                f"{fix.text}: ± {format_si(fix.expanded_uncertainty, unit, 2)} instead of "
                f"± {format_si(now_expanded, unit, 2)}",
            )
    return None


# --- dc resistance -------------------------------------------------------------------------------


def _resistance(
    limit: ResistanceLimit,
    bench: BenchAccuracies,
    *,
    current_for: Callable[[float], float],
    risk: float,
    rejection_risk: float,
    u_temperature_c: float,
    spread: Spread | None,
) -> Reach:
    conditions = {"temperature_c": limit.temperature_c}
    if limit.lower_ohm is None and limit.upper_ohm is None:
        return Reach("dc-resistance", conditions, "ohm", None, None, None, "no", "no limit")
    ohms = limit.nominal_ohm or typical_value(limit.lower_ohm, limit.upper_ohm)
    method = bench.resistance_method
    if method is None:
        return Reach(
            "dc-resistance", conditions, "ohm", ohms, None, None, "no",
            "no instrument of this bench measures it",
        )  # fmt: skip
    known = expected_resistance(
        ohms, bench, method=method, current_a=current_for(ohms), pairs=_PAIRS,
        u_temperature_c=u_temperature_c, to_c=limit.temperature_c,
    )  # fmt: skip
    how = METHOD_WORDS.get(method, method)
    found = _reach(
        "dc-resistance", conditions, "ohm", ohms, known, limit.lower_ohm, limit.upper_ohm,
        how if method == "impedance-meter" else f"{how}, {format_si(current_for(ohms), 'A', 2)}",
        risk, rejection_risk,
    )  # fmt: skip
    found = _with_risks(
        found, known, limit.nominal_ohm, limit.lower_ohm, limit.upper_ohm, spread, risk
    )
    fixes = resistance_fixes(
        ohms, bench, current_a=current_for(ohms), to_c=limit.temperature_c,
        u_temperature_c=u_temperature_c,
    )  # fmt: skip
    return _with_fix(found, fixes, limit.lower_ohm, limit.upper_ohm, risk, rejection_risk)


def resistance_fixes(
    ohms: float,
    bench: BenchAccuracies,
    *,
    current_a: float,
    to_c: float = 25.0,
    u_temperature_c: float = 2.0,
) -> Iterator[Fix]:
    """Yield what could lower the uncertainty of a dc resistance, the easiest first."""

    def fix(action: str, text: str, other: BenchAccuracies, **changed: float) -> Iterator[Fix]:
        method = other.resistance_method
        if method is None:
            return
        known = expected_resistance(
            ohms, other, method=method, pairs=_PAIRS, to_c=to_c,
            current_a=changed.get("current_a", current_a),
            u_temperature_c=changed.get("u_temperature_c", u_temperature_c),
        )  # fmt: skip
        if known is not None:
            yield Fix(action, text, expanded_uncertainty(known))

    if u_temperature_c > 0.5:
        yield from fix(
            "measure-temperature", "measure the temperature of the part to 0.5 K", bench,
            u_temperature_c=0.5,
        )  # fmt: skip
    if bench.supply is not None and bench.multimeter is None and bench.supply_leads_ohm is None:
        yield from fix(
            "measure-leads", "short the jig once and enter the resistance of the supply leads",
            evolve(bench, supply_leads_ohm=_LEADS_OHM),
        )  # fmt: skip
    gentle_a = max(current_a, min(_HIGHEST_CURRENT_A, math.sqrt(30e-3 / ohms)))
    if bench.supply is not None and gentle_a > 1.05 * current_a:
        yield from fix(
            "higher-current", f"measure at {format_si(gentle_a, 'A', 2)}", bench,
            current_a=gentle_a,
        )  # fmt: skip
    if bench.supply is not None:
        names = list(MULTIMETER_CLASSES)
        have = bench.multimeter.class_name if bench.multimeter is not None else ""
        better = names[names.index(have) + 1 :] if have in names else names
        for name in better:
            yield from fix(
                "use-multimeter", f"measure with a {name} multimeter at the part's own terminals",
                evolve(bench, multimeter=MULTIMETER_CLASSES[name]), current_a=gentle_a,
            )  # fmt: skip
    if bench.supply is None:
        yield from fix(
            "use-multimeter",
            f"measure at {format_si(gentle_a, 'A', 2)} from a bench supply, with a multimeter at "
            "the part's own terminals",
            evolve(
                bench, supply=SUPPLY_CLASSES["1mV-1mA"],
                multimeter=bench.multimeter or MULTIMETER_CLASSES["5.5-digit"],
            ),
            current_a=gentle_a,
        )  # fmt: skip
        for name in _better_meters(bench):
            yield from fix(
                "better-meter", f"measure with an LCR meter of class {name}",
                evolve(bench, impedance=IMPEDANCE_CLASSES[name]),
            )  # fmt: skip


# --- inductance ----------------------------------------------------------------------------------


def _inductance(
    part: CoilType,
    limit: InductanceLimit,
    bench: BenchAccuracies,
    *,
    risk: float,
    rejection_risk: float,
) -> Reach:
    conditions = {"frequency_hz": limit.frequency_hz}
    at = format_si(limit.frequency_hz, "Hz")
    if limit.lower_h is None and limit.upper_h is None:
        return Reach("inductance", conditions, "H", None, None, None, "no", "no limit")
    henry = limit.nominal_h or typical_value(limit.lower_h, limit.upper_h)
    known = _expected_inductance(part, limit.frequency_hz, bench, _SWEEP_S)
    if bench.impedance is None:
        why = "this bench has no impedance meter"
    elif known is None:
        why = f"the impedance meter does not reach {at}"
    else:
        why = f"{bench.impedance.class_name} at {at}"
    found = _reach(
        "inductance", conditions, "H", henry, known, limit.lower_h, limit.upper_h, why,
        risk, rejection_risk,
    )  # fmt: skip
    spread = part.population.inductance if part.population is not None else None
    found = _with_risks(found, known, limit.nominal_h, limit.lower_h, limit.upper_h, spread, risk)
    fixes = inductance_fixes(part, limit.frequency_hz, bench)
    return _with_fix(found, fixes, limit.lower_h, limit.upper_h, risk, rejection_risk)


def inductance_fixes(part: CoilType, frequency_hz: float, bench: BenchAccuracies) -> Iterator[Fix]:
    """Yield what could lower the uncertainty of an inductance, the easiest first."""

    def fix(
        action: str, text: str, other: BenchAccuracies, time_s: float = _SWEEP_S
    ) -> Iterator[Fix]:
        known = _expected_inductance(part, frequency_hz, other, time_s)
        if known is not None:
            yield Fix(action, text, expanded_uncertainty(known))

    meter = bench.impedance
    if meter is not None:
        yield from fix("repeat", f"average {_LONGER_S:g} s a point", bench, _LONGER_S)
        root = math.sqrt(_PLACEMENTS)
        yield from fix(
            "repeat-placements",
            f"place the part and take the sweep {_PLACEMENTS} times, and average",
            evolve(
                bench,
                impedance=evolve(
                    meter,
                    contact_resistance_ohm=meter.contact_resistance_ohm / root,
                    contact_inductance_h=meter.contact_inductance_h / root,
                ),
            ),
        )
    for name in _better_meters(bench):
        yield from fix(
            "better-meter", f"measure with an LCR meter of class {name}",
            evolve(bench, impedance=IMPEDANCE_CLASSES[name]),
        )  # fmt: skip


def _expected_inductance(
    part: CoilType, frequency_hz: float, bench: BenchAccuracies, time_s: float
) -> Estimate | None:
    meter = bench.impedance
    if meter is None or not meter.frequency_min_hz <= frequency_hz <= meter.frequency_max_hz:
        return None
    z = _sound_impedance(part, 23.0)
    return expected_impedance(z, [frequency_hz], meter, time_s=time_s)[0].inductance


def _better_meters(bench: BenchAccuracies) -> list[str]:
    names = list(IMPEDANCE_CLASSES)
    have = bench.impedance.class_name if bench.impedance is not None else ""
    return names[names.index(have) + 1 :] if have in names else names


def _guess_ohm(part: CoilType) -> float:
    return _GUESS_OHM_PER_H * (part.nominal_inductance_h or _GUESS_H)


def _sound_impedance(part: CoilType, temperature_c: float) -> Callable[[float], complex]:
    prior = healthy_prior(
        part,
        temperature_c=temperature_c,
        contact_resistance_ohm=1e-6,
        contact_inductance_h=1e-12,
        guess_inductance_h=part.nominal_inductance_h or _GUESS_H,
        guess_resistance_ohm=part.nominal_resistance_ohm or _guess_ohm(part),
    )
    theta = prior.mean.copy()
    limit = next(
        (m for m in part.inductance if m.lower_h is not None or m.upper_h is not None), None
    )
    if limit is not None:
        # the field inside the wire adds a little below its skin frequency: the sum is the nominal
        henry = limit.nominal_h or typical_value(limit.lower_h, limit.upper_h)
        at = np.array([limit.frequency_hz])
        seen = coil_model.impedance(theta[None, :], at, False)[0, 0].imag
        missing_h = henry - float(seen) / (2.0 * math.pi * limit.frequency_hz)
        inside_h = math.exp(theta[coil_model.L0])
        theta[coil_model.L0] = math.log(max(inside_h + missing_h, 0.1 * inside_h))

    def z(frequency_hz: float) -> complex:
        return complex(coil_model.impedance(theta[None, :], np.array([frequency_hz]), False)[0, 0])

    return z


# --- words ---------------------------------------------------------------------------------------


def _reach(
    name: str,
    conditions: Mapping[str, float],
    unit: str,
    value: float,
    known: Estimate | None,
    lower: float | None,
    upper: float | None,
    why: str,
    risk: float,
    rejection_risk: float,
) -> Reach:
    tolerance = (
        0.5 * (upper - lower)
        if lower is not None and upper is not None
        else abs(typical_value(lower, upper) - (upper if upper is not None else lower or 0.0))
    )
    if known is None:
        return Reach(name, conditions, unit, value, None, tolerance, "no", why)
    expanded = expanded_uncertainty(known)
    word = _word(known, expanded, tolerance, lower, upper, risk, rejection_risk)
    return Reach(name, conditions, unit, value, expanded, tolerance, word, why)


def _word(
    known: Estimate,
    expanded: float,
    tolerance: float,
    lower: float | None,
    upper: float | None,
    risk: float,
    rejection_risk: float,
) -> Word:
    dof = max(1.0, known.dof)
    if could_accept(known.u, lower, upper, risk=risk, dof=dof):
        return "yes" if expanded <= _WELL * tolerance else "marginal"
    best = typical_value(lower, upper)
    # a value twice (half) as large has an uncertainty that grew no more than the value did
    wrong = 2.0 * best if upper is not None else 0.5 * best
    grown = known.u * (2.0 if upper is not None and known.u > 0.5 * best else 1.0)
    gross = decide(wrong, grown, lower, upper, risk=risk, rejection_risk=rejection_risk, dof=dof)
    return "gross only" if gross.verdict == "fails" else "no"


def _with_fix(
    found: Reach,
    fixes: Iterator[Fix],
    lower: float | None,
    upper: float | None,
    risk: float,
    rejection_risk: float,
) -> Reach:
    """Add the fix that reaches the best word, the easiest of those that reach the same."""
    if found.word == "yes" or found.tolerance is None:
        return found
    now = "" if found.expanded_uncertainty is None else (
        f" instead of ± {format_si(found.expanded_uncertainty, found.unit, 2)}"
    )  # fmt: skip
    best: tuple[int, WouldDecide] | None = None
    for fix in fixes:
        known = Estimate(found.value or 0.0, fix.expanded_uncertainty / 1.96, found.unit)
        word = _word(
            known, fix.expanded_uncertainty, found.tolerance, lower, upper, risk, rejection_risk
        )
        rank = _ORDER[word]
        if rank > _ORDER[found.word] and (best is None or rank > best[0]):
            size = format_si(fix.expanded_uncertainty, found.unit, 2)
            best = rank, WouldDecide(fix.action, f"{fix.text}: ± {size}{now}, then {word}")
            if word == "yes":
                break
    return evolve(found, fix=best[1]) if best is not None else found
