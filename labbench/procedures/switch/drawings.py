"""Draw a hookup for a terminal: each lead on a line, from the instrument to the part."""

from __future__ import annotations

__all__ = ["draw_joins"]

from collections.abc import Sequence

_TERMINALS = {
    "D": "drain", "S": "source", "G": "gate", "D'": "drain, sense contact",
    "S'": "source, sense contact", "VIN'": "vin, sense contact", "SW'": "sw, sense contact",
    "PGND'": "pgnd, sense contact",
}  # fmt: skip


def draw_joins(joins: Sequence[str]) -> tuple[str, ...]:
    """Draw the joins of a hookup, a line per lead.

    `supply 1 +  o---[ 100 kΩ ]---o D`. What is tied together comes first: a gate is never open.
    """
    ties = [join for join in joins if join.startswith("tie ")]
    leads = [join for join in joins if not join.startswith("tie ")]
    drawn = [_tie(join) for join in ties] + [_lead(join) for join in leads]
    used = sorted({word for join in joins for word in join.split() if word in _TERMINALS})
    if used:
        drawn.append("(" + ", ".join(f"{word} = {_TERMINALS[word]}" for word in used) + ")")
    return tuple(drawn)


def _tie(join: str) -> str:
    words = join.split()[1:]
    if words[0] == "1k":
        return f"{words[1]} o---[ 1 kΩ ]---o {words[2]}"
    return f"tie together  {' ==== '.join(words)}"


def _lead(join: str) -> str:
    pieces = [piece.strip() for piece in join.split(" > ")]
    start = pieces[0].replace(" plus", " +").replace(" minus", " -")
    if pieces[0] == "multimeter" and pieces[-1].startswith("across "):
        return f"multimeter   across the {_ohms(pieces[-1].removeprefix('across '))} resistor"
    if pieces[0] == "multimeter":
        high, low = pieces[-1].split()
        return f"multimeter + o------------o {high}\nmultimeter - o------------o {low}"
    if len(pieces) == 2:
        end = pieces[-1].replace(" plus", " +").replace(" minus", " -")
        return f"{start:<12} o------------o {end}"
    middle = "multimeter, volts" if pieces[1] == "multimeter" else _ohms(pieces[1])
    return f"{start:<12} o---[ {middle} ]---o {pieces[-1]}"


def _ohms(written: str) -> str:
    number, unit = written, "Ω"
    if written[-1] in "kM":
        number, unit = written[:-1], f"{written[-1]}Ω"
    return f"{number} {unit}"
