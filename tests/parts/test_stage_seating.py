"""Telling how a stage lies from resistances at 0.2 V, on star networks summed by hand.

Every terminal but boot hangs on pgnd over one resistor, boot on sw: what lies between two is the
sum of what lies on the way. Not covered: how stages really conduct at 0.2 V (the simulator's own
network is another), reading the resistances (tests/procedures).
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import pytest

from labbench.parts.library import shipped_directory
from labbench.parts.stage_seating import TERMINALS, PairReading, all_pairs, seating
from labbench.parts.stage_type import StageType, read_stage_type

SOUND = {"vin": 2.0e6, "sw": 360e3, "vdrv": 420e3, "boot": 80e3, "pwm": 170e3, "en": 190e3}
AS_MARKED = dict(zip(TERMINALS, TERMINALS, strict=True))
TURNED = dict(zip(TERMINALS, reversed(TERMINALS), strict=True))


@pytest.fixture(scope="module")
def part() -> StageType:
    return read_stage_type(shipped_directory() / "stage-25v-50a.toml")


def way(name: str, ohms: Mapping[str, float]) -> dict[str, float]:
    """Give the resistors from a terminal to pgnd."""
    if name == "pgnd":
        return {}
    return {name: ohms[name], **(way("sw", ohms) if name == "boot" else {})}


def between(one: str, other: str, ohms: Mapping[str, float]) -> float:
    first, second = way(one, ohms), way(other, ohms)
    return sum(ohm for name, ohm in (first | second).items() if name not in first.keys() & second)


def readings(lies: Mapping[str, str], ohms: Mapping[str, float]) -> list[PairReading]:
    """Give what the jig reads; a line on which nothing lies reads nothing."""
    found = []
    for one, other in all_pairs():
        open_line = not lies[one] or not lies[other]
        ohm = math.inf if open_line else between(lies[one], lies[other], ohms)
        found.append(PairReading(one, other, ohm, 4e6))
    return found


def test_a_part_that_lies_as_marked_is_seen_to(part: StageType) -> None:
    found = seating(readings(AS_MARKED, SOUND), part)
    assert found.how == "as-marked"
    assert found.margin > 5.0


@pytest.mark.parametrize("scale", [0.75, 1.0, 1.3])
def test_a_turned_part_is_seen_in_any_lot(part: StageType, scale: float) -> None:
    ohms = {name: scale * ohm for name, ohm in SOUND.items()}
    assert seating(readings(AS_MARKED, ohms), part).how == "as-marked"
    assert seating(readings(TURNED, ohms), part).how == "turned"


@pytest.mark.parametrize("moved", [1, -1])
def test_a_part_that_lies_one_place_along_is_seen(part: StageType, moved: int) -> None:
    names = ["", *TERMINALS[:-1]] if moved > 0 else [*TERMINALS[1:], ""]
    lies = dict(zip(TERMINALS, names, strict=True))
    assert seating(readings(lies, SOUND), part).how == "shifted"


def test_a_part_shifted_by_one_pin_joins_what_lies_side_by_side(part: StageType) -> None:
    # by the type's pins: vin, sw and pgnd touch each other, boot lies on sw, vdrv on pgnd
    ohms = dict.fromkeys(all_pairs(), 0.1)
    for one, other in all_pairs():
        if "en" in (one, other):
            ohms[one, other] = math.inf
        elif "pwm" in (one, other):
            ohms[one, other] = SOUND["en"]
    found = seating([PairReading(a, b, ohm, 4e6) for (a, b), ohm in ohms.items()], part)
    assert found.how == "shifted"


@pytest.mark.parametrize(
    ("name", "ohm"),
    [("vin", 1.0), ("sw", 5e-3), ("sw", 1e4), ("vdrv", 2e3), ("pwm", 5e3), ("en", 500.0)],
)
def test_a_fault_is_not_taken_for_a_wrong_lie(part: StageType, name: str, ohm: float) -> None:
    faulty = SOUND | {name: ohm}
    assert seating(readings(AS_MARKED, faulty), part).how == "as-marked"
    assert seating(readings(TURNED, faulty), part).how != "as-marked"


def test_both_switches_molten_are_not_a_shift(part: StageType) -> None:
    molten = SOUND | {"vin": 0.01, "sw": 0.01}
    assert seating(readings(AS_MARKED, molten), part).how == "as-marked"


def test_a_type_that_says_too_little_tells_nothing() -> None:
    found = seating(readings(TURNED, SOUND), StageType(name="bare"))
    assert not found.known


def test_every_two_terminals_stand_once_in_the_words_of_the_steps() -> None:
    pairs = all_pairs()
    assert len({frozenset(pair) for pair in pairs}) == len(pairs) == 21
    assert ("boot", "sw") in pairs
    assert ("vdrv", "pgnd") in pairs
