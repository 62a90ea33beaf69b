"""Turn verdicts and findings into the one word for a specimen."""

from __future__ import annotations

__all__ = ["dispose"]

from collections.abc import Sequence

from labbench.results import Characteristic, Disposition, Finding


def dispose(
    characteristics: Sequence[Characteristic],
    findings: Sequence[Finding],
    *,
    open_questions: bool,
    reservations: bool,
) -> Disposition:
    """Choose the disposition.

    *unfit*: a characteristic fails, or a finding is sure. *undecided*: else, a finding is suspect
    or there are open questions that more work on this bench would settle. *plausible*: no sign of
    a fault, but with reservations (limits learned or assumed; something that matters lies below
    what this bench can see). *fit*: everything else.
    """
    if any(c.verdict == "fails" for c in characteristics):
        return "unfit"
    if any(f.grade == "sure" for f in findings):
        return "unfit"
    if findings or open_questions:
        return "undecided"
    return "plausible" if reservations else "fit"
