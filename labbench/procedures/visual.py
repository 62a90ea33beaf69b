"""Look at a part before anything is measured."""

from __future__ import annotations

__all__ = ["LOOKS", "look"]

from labbench.bench.bench import Bench
from labbench.ports import Prompt
from labbench.results import Visual

#: what a person may have seen; the last where nobody looked
LOOKS = ("fine", "discoloured", "cracked", "bulged", "not-looked")


def look(bench: Bench, specimen: str) -> Visual:
    """Ask what the specimen looks like; Enter or the pedal means fine."""
    answer = bench.ask(
        Prompt("look", "look", choices=LOOKS, default="fine", detail={"specimen": specimen})
    )
    return Visual(answer)
