"""Judge a specimen of any family."""

from __future__ import annotations

__all__ = ["judge"]

from collections.abc import Collection, Sequence

from labbench.judging.coil import judge_coil
from labbench.judging.stage import judge_stage
from labbench.judging.switch import judge_mosfet
from labbench.parts.mosfet_type import MosfetType
from labbench.parts.part_type import PartType
from labbench.parts.stage_type import StageType
from labbench.results import Judgement, Readings


def judge(
    readings: Readings,
    part: PartType,
    *,
    siblings: Sequence[Readings] = (),
    risk: float = 0.05,
    false_reject: float = 0.01,
    beyond: Collection[str] = (),
) -> Judgement:
    """Judge one specimen by the rules of its family.

    `risk` is the largest probability that an accepted characteristic is out of limits;
    `false_reject` the largest probability that a healthy specimen is called unfit, shared over all
    tests made on it. `siblings` are parts of the same type and lot, one of which may be bad.
    `beyond` names what this bench or this quick check cannot measure: blocks of a MOSFET, steps of
    a power stage; of a coil nothing. Raises InputError for risks that make no sense.
    """
    risks = {"risk": risk, "false_reject": false_reject}
    if isinstance(part, MosfetType):
        return judge_mosfet(readings, part, siblings=siblings, beyond=beyond, **risks)
    if isinstance(part, StageType):
        return judge_stage(readings, part, siblings=siblings, beyond=beyond, **risks)
    return judge_coil(readings, part, siblings=siblings, **risks)
