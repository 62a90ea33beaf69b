"""Let exchanges of the procedures for switches, stages and rails fail, and look at the end.

What is looked at after each case stands in test_every_exchange.py; here the monitor in the
simulated circuit looks on as well: a floating gate, charge at a re-tie, a missing resistor or too
much energy in the part counts as damage. Which exchanges fail in which way is drawn from a printed
seed; `python -m tests.studies.switch_exchanges` tries every one.

Not covered: two faults in one run, boards and parts with a fault of their own (tests/studies,
safety), instruments read by hand, other links and dialects (test_every_exchange.py). The
instruments are our simulator's: this is no outside check.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from tests.faults.bench_under_fault import Case, Found, Site
from tests.faults.switch_procedures import BY_SCENARIO

SEED = 20261125


def drawn_cases(site: Site, count: int | None, seed: int) -> list[Case]:
    """Draw cases of a bench, the same number of each procedure; None: take every one."""
    chance = random.Random(seed)
    found: list[Case] = []
    for procedure in site.procedures:
        if procedure == "next":
            continue
        cases = site.cases(procedure)
        found += cases if count is None else chance.sample(cases, min(count, len(cases)))
    return found


def try_some(folder: Path, scenario: str, count: int | None, seed: int = SEED) -> Found:
    """Try drawn cases of one bench one after another."""
    folder.mkdir()
    site, found = Site(folder, scenario, BY_SCENARIO[scenario]), Found()
    try:
        for case in drawn_cases(site, count, seed):
            site.try_until_reached(case, found)
    finally:
        site.close()
    return found


def _held(
    tmp_path: Path, say: Callable[[str], None], scenarios: Sequence[str], count: int
) -> Found:
    total = Found()
    for scenario in scenarios:
        found = try_some(tmp_path / scenario, scenario, count)
        say(f"{scenario}, seed {SEED}: {found}")
        total.add(found)
    for trouble in total.troubles:
        print(trouble)
    assert total.troubles == []
    assert total.readings_in_force > 0
    # A sweep whose faults do not strike would show nothing. The exchanges are counted in a run
    # without a fault on the same bench, and runs do not vary.
    assert total.never_reached < 0.05 * total.cases
    assert total.ended_with_an_error > 0
    return total


def test_a_few_exchanges_fail_with_switches_and_nothing_is_left_on_wrong_or_harmed(
    tmp_path: Path, say: Callable[[str], None]
) -> None:
    assert _held(tmp_path, say, ["switches"], 1).cases == len(BY_SCENARIO["switches"]) - 1


@pytest.mark.slow
def test_some_exchanges_fail_with_every_family_and_nothing_is_left_on_wrong_or_harmed(
    tmp_path: Path, say: Callable[[str], None]
) -> None:
    _held(tmp_path, say, list(BY_SCENARIO), 3)
