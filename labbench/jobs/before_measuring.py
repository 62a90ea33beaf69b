"""Do what stands before the measurement of every part: look at it, ask whether it is clean."""

from __future__ import annotations

__all__ = ["CONDEMNED", "cleaned", "looked_at"]

from labbench.bench.bench import Bench
from labbench.jobs.request import Request
from labbench.ports import Event, Prompt
from labbench.procedures.visual import look
from labbench.results import Visual

#: what a person saw that condemns a part at once (common practice, no source)
CONDEMNED = ("discoloured", "cracked", "bulged")


def looked_at(bench: Bench, request: Request) -> tuple[Visual, bool]:
    """Return what the part looks like and whether that condemns it, which is then said."""
    visual = look(bench, request.specimen) if request.with_look else Visual("not-looked")
    condemned = visual.seen in CONDEMNED
    if condemned:
        bench.tell(Event("condemned", {"text": f"{visual.seen}: condemned, nothing is measured"}))
    return visual, condemned


def cleaned(bench: Bench, specimen: str) -> bool:
    """Ask whether flux and water are off: a film of either leaks more than a switch does."""
    prompt = Prompt("confirm", "cleaned-and-dry", ("yes", "no"), "yes", {"specimen": specimen})
    return bench.ask(prompt) == "yes"
