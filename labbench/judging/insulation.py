"""Judge the insulation between winding and core."""

from __future__ import annotations

__all__ = ["LEAST_INSULATION_OHM", "InsulationWord", "judge_insulation"]

from collections.abc import Sequence

from attrs import evolve, frozen
from scipy.special import ndtr

from labbench.judging.conformity import decide
from labbench.quantities import format_si
from labbench.results import Characteristic, Finding, Insulation

#: sound enamel has hundreds of megohm and more; a leak that will grow has less than this (common
#: practice, no source)
LEAST_INSULATION_OHM = 10e6
_CLEAR = 2.0


@frozen
class InsulationWord:
    """Hold what is said of one insulation."""

    characteristic: Characteristic
    finding: Finding | None


def judge_insulation(
    blocks: Sequence[Insulation],
    *,
    risk: float,
    rejection_risk: float,
    least_ohm: float | None = None,
) -> tuple[InsulationWord, ...]:
    """Decide each insulation against the type's least one, else 10 megohm; a leak is a finding.

    A film of flux or water leaks as rubbed enamel does: the finding holds for a clean, dry part.
    """
    least = LEAST_INSULATION_OHM if least_ohm is None else least_ohm
    return tuple(_judge(block, least, risk, rejection_risk) for block in blocks)


def _far_beyond(block: Insulation, least_ohm: float) -> bool:
    """Tell whether a bound lies so far beyond the least resistance that it decides.

    A bound is V over a current and two of its standard uncertainties: at twice the least
    resistance the current that counts is four of them or more away.
    """
    bound = block.greater_than_ohm
    return block.status == "over-range" and bound is not None and bound >= _CLEAR * least_ohm


def _judge(
    block: Insulation, least_ohm: float, risk: float, rejection_risk: float
) -> InsulationWord:
    decision = decide(
        block.resistance_ohm, block.u_ohm, least_ohm, None, risk=risk,
        rejection_risk=rejection_risk, status=block.status,
        greater_than=block.greater_than_ohm, less_than=block.less_than_ohm,
    )  # fmt: skip
    if _far_beyond(block, least_ohm):
        decision = evolve(decision, verdict="conforms", probability_conforming=float(ndtr(4.0)))
    characteristic = Characteristic(
        name="insulation",
        conditions={"voltage_v": block.voltage_v},
        value=block.resistance_ohm,
        unit="ohm",
        expanded_uncertainty=decision.expanded_uncertainty,
        coverage=decision.coverage,
        lower=least_ohm,
        upper=None,
        verdict=decision.verdict,
        probability_conforming=decision.probability_conforming,
        status=block.status,
    )
    if decision.verdict != "fails":
        return InsulationWord(characteristic, None)
    shown = block.resistance_ohm if block.resistance_ohm is not None else block.less_than_ohm
    assert shown is not None
    below = "" if block.resistance_ohm is not None else "below "
    finding = Finding(
        fault="winding-to-core-leak",
        path=block.path,
        grade="sure",
        probability=1.0 - (decision.probability_conforming or 0.0),
        alternatives=(),
        because=f"{below}{format_si(shown, 'Ω', 2)} between winding and core at "
        f"{format_si(block.voltage_v, 'V', 2)}",
        details={"resistance_ohm": block.resistance_ohm, "voltage_v": block.voltage_v},
    )
    return InsulationWord(characteristic, finding)
