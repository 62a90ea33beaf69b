"""Say what would settle a borderline value, each way computed for this bench and this value."""

from __future__ import annotations

__all__ = ["contact_unsure", "settle_text", "sharpened"]

import math
from collections.abc import Callable, Iterator

from attrs import evolve

from labbench.judging.conformity import needed_expanded_uncertainty
from labbench.judging.fixes import Fix, inductance_fixes, resistance_fixes, would_help
from labbench.metrology.expected import BenchAccuracies
from labbench.parts.coil_type import CoilType
from labbench.quantities import format_si
from labbench.results import Characteristic, Judgement, WouldDecide

#: actions that this replaces by what was computed
_GENERAL = ("repeat", "use-multimeter", "better-meter")


def sharpened(
    judgement: Judgement,
    part: CoilType,
    bench: BenchAccuracies,
    *,
    current_for: Callable[[float], float],
    risk: float,
    rejection_risk: float,
    u_temperature_c: float,
) -> Judgement:
    """Return the judgement with computed actions for its borderline values.

    For a bench that has averaged until its floor: "again" is not among them unless it helps.
    """
    computed: list[WouldDecide] = []
    for c in judgement.characteristics:
        if c.verdict != "undecided" or c.value is None or c.expanded_uncertainty is None:
            continue
        fixes: Iterator[Fix]
        if c.name == "dc-resistance" and c.value > 0.0:
            fixes = resistance_fixes(
                c.value, bench, current_a=current_for(c.value),
                to_c=c.conditions.get("temperature_c", 25.0), u_temperature_c=u_temperature_c,
            )  # fmt: skip
        elif c.name == "inductance":
            fixes = inductance_fixes(part, c.conditions["frequency_hz"], bench)
        else:
            continue
        action = _action(c, fixes, risk, rejection_risk)
        if action is not None:
            computed.append(action)
    if not computed or judgement.disposition in ("fit", "unfit"):
        return judgement
    others = tuple(w for w in judgement.would_decide if w.action not in _GENERAL)
    return evolve(judgement, would_decide=(*computed, *others))


def contact_unsure(judgement: Judgement) -> Judgement:
    """Return the judgement of a part whose four-wire contact was unsure: it is pressed in again.

    What was read through such a contact has no value, so nothing was failed for it.
    """
    again = WouldDecide("press-again", "press the part in again: its four contacts were unsure")
    others = tuple(w for w in judgement.would_decide if w.action not in ("wait", "press-again"))
    return evolve(judgement, would_decide=(again, *others))


def settle_text(c: Characteristic, risk: float, rejection_risk: float) -> str | None:
    """Return what uncertainty this value needs to be settled; None without a limit."""
    if c.value is None or c.expanded_uncertainty is None:
        return None
    if c.lower is None and c.upper is None:
        return None
    needed = needed_expanded_uncertainty(
        c.value, c.lower, c.upper, risk=risk, rejection_risk=rejection_risk
    )
    if needed is None or not math.isfinite(needed):
        return "it lies on its limit: no measurement settles that"
    return (
        f"it needs ± {format_si(needed, c.unit, 2)} and has "
        f"± {format_si(c.expanded_uncertainty, c.unit, 2)}"
    )


def _action(
    c: Characteristic, fixes: Iterator[Fix], risk: float, rejection_risk: float
) -> WouldDecide | None:
    text = settle_text(c, risk, rejection_risk)
    if text is None or c.value is None or c.expanded_uncertainty is None:
        return None
    needed = needed_expanded_uncertainty(
        c.value, c.lower, c.upper, risk=risk, rejection_risk=rejection_risk
    )
    if needed is None:
        return WouldDecide("better-meter", f"{c.name.replace('-', ' ')}: {text}")
    tried = list(fixes)
    found = would_help(needed, c.expanded_uncertainty, iter(tried), c.unit)
    if found is not None:
        return found
    best = min((fix.expanded_uncertainty for fix in tried), default=c.expanded_uncertainty)
    return WouldDecide(
        "better-meter",
        f"{c.name.replace('-', ' ')}: {text}; the best that is known here gives "
        f"± {format_si(min(best, c.expanded_uncertainty), c.unit, 2)}",
    )
