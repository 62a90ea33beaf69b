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

__all__ = ["METHOD_WORDS", "Reach", "Word", "reaches_of"]

from collections.abc import Callable, Iterator, Mapping
from typing import Literal

from attrs import evolve, frozen

from labbench.judging.characteristics import prior_of
from labbench.judging.conformity import could_accept, decide, typical_value
from labbench.judging.expected_sound import PAIRS, SWEEP_S, expected_inductance
from labbench.judging.fixes import Fix, inductance_fixes, resistance_fixes
from labbench.judging.risks import GlobalRisks, acceptance_limits, global_risks
from labbench.metrology.estimates import expanded_uncertainty
from labbench.metrology.expected import BenchAccuracies, expected_resistance
from labbench.parts.coil_type import (
    CoilType,
    InductanceLimit,
    ResistanceLimit,
    Saturation,
    Spread,
)
from labbench.quantities import format_si
from labbench.results import Estimate, WouldDecide

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
        ohms, bench, method=method, current_a=current_for(ohms), pairs=PAIRS,
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
    known = expected_inductance(part, limit.frequency_hz, bench, SWEEP_S)
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
