"""Plan a gauge study: who measures which part when, in an order that chance sets.

Order matters: a bench drifts, hands get practised and parts warm. A random order turns that into
scatter that the study sees, instead of a difference that it blames on a part or a person. The
parts go by code letters, so that whoever measures does not know what they read before.
"""

from __future__ import annotations

__all__ = [
    "CHARACTERISTICS",
    "Characteristic",
    "GaugePlan",
    "PlanEntry",
    "code_letters",
    "plan_study",
]

import random
from collections.abc import Sequence
from typing import Literal

from attrs import frozen

from labbench.errors import InputError

Characteristic = Literal["inductance", "dc-resistance"]
CHARACTERISTICS: tuple[Characteristic, ...] = ("inductance", "dc-resistance")


@frozen(kw_only=True)
class PlanEntry:
    """Hold one measurement of a plan: its place in the order, and what it measures."""

    number: int
    day: int
    operator: str
    trial: int
    code: str


@frozen(kw_only=True)
class GaugePlan:
    """Hold the plan of a study (gauge-plan/1).

    `codes` says which part hides behind a code letter; the order is that of `entries`. `readings`
    is how often a placement is read, to tell noise from placement.
    """

    study: str
    type: str
    characteristic: Characteristic
    frequency_hz: float | None
    parts: tuple[str, ...]
    operators: tuple[str, ...]
    trials: int
    days: int
    readings: int
    seed: int
    codes: dict[str, str]
    entries: tuple[PlanEntry, ...]


def plan_study(
    *,
    study: str,
    type: str,
    characteristic: Characteristic,
    frequency_hz: float | None,
    parts: Sequence[str],
    operators: Sequence[str],
    trials: int = 3,
    days: int = 1,
    readings: int = 2,
    seed: int,
) -> GaugePlan:
    """Make a plan; the same seed gives the same plan.

    On each day every operator goes through all parts `trials` times: the rounds come in random
    order, and so do the parts in each round. Raises InputError for fewer than two parts or trials,
    or a name that stands twice.
    """
    problems = []
    if len(parts) < 2:
        problems.append("a gauge study needs at least two parts (ten are usual)")
    if not operators:
        problems.append("a gauge study needs at least one operator")
    if trials < 2:
        problems.append("a gauge study needs at least two trials")
    if days < 1 or readings < 1:
        problems.append("days and readings are at least one")
    for what, names in (("part", parts), ("operator", operators)):
        twice = sorted({name for name in names if list(names).count(name) > 1})
        problems += [f"the {what} {name!r} stands twice" for name in twice]
    if problems:
        raise InputError("; ".join(problems))
    chance = random.Random(seed)
    shuffled = list(parts)
    chance.shuffle(shuffled)
    codes = dict(zip(code_letters(len(parts)), shuffled, strict=True))
    entries: list[PlanEntry] = []
    for day in range(1, days + 1):
        # each operator's trials come in ascending order, spread over the day among the others'
        rounds = [operator for operator in operators for _ in range(trials)]
        chance.shuffle(rounds)
        done = dict.fromkeys(operators, 0)
        for operator in rounds:
            done[operator] += 1
            order = list(codes)
            chance.shuffle(order)
            for code in order:
                entries.append(
                    PlanEntry(
                        number=len(entries) + 1, day=day, operator=operator,
                        trial=done[operator], code=code,
                    )
                )  # fmt: skip
    return GaugePlan(
        study=study, type=type, characteristic=characteristic, frequency_hz=frequency_hz,
        parts=tuple(parts), operators=tuple(operators), trials=trials, days=days,
        readings=readings, seed=seed, codes=codes, entries=tuple(entries),
    )  # fmt: skip


def code_letters(count: int) -> list[str]:
    """Return A, B, ... Z, AA, AB, ...: as many codes as there are parts."""
    letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
    codes = list(letters)
    while len(codes) < count:
        codes += [first + second for first in letters for second in letters]
    return codes[:count]
