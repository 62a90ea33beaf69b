"""Add to a judgement what its instruments leave open, such as an overdue certificate."""

from __future__ import annotations

__all__ = ["with_reservations"]

from collections.abc import Sequence

from attrs import evolve

from labbench.results import Judgement


def with_reservations(judgement: Judgement, reasons: Sequence[str]) -> Judgement:
    """Return the judgement with the reasons first among its remarks; a `fit` becomes plausible.

    No sign of a fault was found, and what says so is in doubt: that is what plausible means. A
    part that is unfit stays so, with the reason beside it: the doubt is small against a fault.
    """
    if not reasons:
        return judgement
    disposition = "plausible" if judgement.disposition == "fit" else judgement.disposition
    return evolve(judgement, disposition=disposition, remarks=(*reasons, *judgement.remarks))
