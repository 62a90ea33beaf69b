"""The kinds of link, by name, and which faults a kind cannot have."""

from __future__ import annotations

from typing import Literal, get_args

LinkKind = Literal["socket", "hislip", "serial-pty", "serial-socket"]

KINDS: tuple[LinkKind, ...] = get_args(LinkKind)
USUAL_KIND: LinkKind = "socket"

# A pseudo-terminal has no connection that could be closed: pulling it out would take its name
# away for good, and the next one may be called otherwise.
# Over HiSLIP every reply carries the number of its question: a copy cannot pass for another.
IMPOSSIBLE_FAULTS: dict[str, tuple[str, ...]] = {
    "hislip": ("repeat-later",),
    "serial-pty": ("disconnect", "act-and-disconnect", "vanish"),
}


def impossible(link: str, fault: str) -> bool:
    """Tell whether a kind of link cannot go wrong in this way."""
    return fault in IMPOSSIBLE_FAULTS.get(link, ())
