"""Write the page for several specimens: a line each, linked to their own pages."""

from __future__ import annotations

__all__ = ["overview_page"]

from collections.abc import Sequence

from labbench.reports.pages import SIGNS, fill
from labbench.reports.words import next_action, reason
from labbench.results import Judgement


def overview_page(
    title: str,
    entries: Sequence[tuple[Judgement, str, str]],
    *,
    note: str = "",
    simulated: bool = False,
) -> str:
    """Return the page (HTML) for judgements given as (judgement, donor, link to its page)."""
    counts: dict[str, int] = {}
    for judgement, _, _ in entries:
        counts[judgement.disposition] = counts.get(judgement.disposition, 0) + 1
    words = ("fit", "plausible", "undecided", "unfit")
    return fill(
        "overview.html",
        title=title,
        summary=", ".join(f"{counts[word]} {word}" for word in words if word in counts) + ".",
        rows=[
            {
                "specimen": judgement.specimen,
                "type": judgement.type,
                "donor": donor,
                "link": link,
                "disposition": judgement.disposition,
                "sign": SIGNS[judgement.disposition],
                "reason": reason(judgement),
                "action": next_action(judgement),
            }
            for judgement, donor, link in entries
        ],
        note=note,
        simulated=simulated,
    )
