"""Check repaired boards end to end: command line, sockets, simulated boards; nothing is harmed.

A check against our own simulator is not an outside check. Not covered: real boards, boards whose
input capacitors are large beside those of the rail (sim/README.md).
"""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import jsonschema
import pytest

from labbench.schemas import load_schema
from tests.end_to_end.conftest import Workshop


def rail(workshop: Workshop, specimen: str, *more: object) -> tuple[int, dict[str, Any]]:
    name = specimen.split("-")[0]
    said = workshop.labbench(
        "rail", "radar-processor", name, "--serial", specimen, "--position", specimen,
        "--who", "tester", "--bench", workshop.bench_file, "--json", *more,
    )  # fmt: skip
    assert said.out, said.err
    found = json.loads(said.out)
    jsonschema.validate(found, load_schema(found["schema"].replace("/", "-")))
    assert not workshop.is_on()
    return said.code, found


def test_what_the_relays_do_not_reach_is_told_at_once_before_anything_is_fed(
    workshops: Callable[..., Workshop],
) -> None:
    workshop = workshops("boards")
    board = ("rail", "radar-processor", "core", "--bench", workshop.bench_file)
    more = ("--position", "core-good", "--after-fitting")
    said = workshop.labbench(*board, *more, "--phases", 4, "--fitted", 5)
    assert said.code == 2
    assert "do not reach all of 4 phases: 1, 2" in said.err
    assert "phase 5 was fitted, and the rail has 4" in said.err
    for job in ((), ("--after-fitting", "--phases", 2), ("--first-power",)):
        wrong = workshop.labbench(*board, "--position", "core-god", *job)
        assert wrong.code == 2
        assert "did you mean core-good?" in wrong.err
    assert workshop.journals() == []


@pytest.mark.parametrize(
    ("specimen", "word", "says"),
    [
        ("core-good", "alive", "bent like silicon"),
        ("core-shorted", "dead", "at phase 1: its high side is short (the fitted part)"),
        pytest.param("core-leaky", "undecided", "something leaks", marks=pytest.mark.slow),
        pytest.param("core-joint", "undecided", "a poor joint?", marks=pytest.mark.slow),
        ("core-dead", "dead", "no rail in order has so little"),
    ],
)
def test_a_fitted_phase_is_compared_with_its_neighbour(
    workshops: Callable[..., Workshop], specimen: str, word: str, says: str
) -> None:
    workshop = workshops("boards")
    code, found = rail(workshop, specimen, "--after-fitting", "--phases", 2, "--fitted", 1)
    assert (found["word"], code) == (word, {"alive": 0, "dead": 1, "undecided": 3}[word])
    assert says in found["because"]
    assert found["when"] == "after-fitting"
    if specimen != "core-dead":
        coils = workshop.served.truth()[specimen].values["coils_ohm"]
        good = [p["sw_rail_ohm"] for p in found["phases"]][1]
        assert good == pytest.approx(coils[1], rel=0.05)


@pytest.mark.parametrize(
    ("specimen", "word", "stopped"),
    [
        ("memory-good", "quiet", None),
        ("memory-input", "not-quiet", "input-low"),
        pytest.param("memory-stuck", "not-quiet", "rail-rises", marks=pytest.mark.slow),
        pytest.param("core-stuck", "not-quiet", "rail-rises", marks=pytest.mark.slow),
    ],
)
def test_a_first_power_stops_at_what_is_not_as_it_should_be(
    workshops: Callable[..., Workshop], specimen: str, word: str, stopped: str | None
) -> None:
    workshop = workshops("boards")
    code, found = rail(workshop, specimen, "--first-power")
    assert (found["word"], found["stopped"]) == (word, stopped), found
    assert code == {"quiet": 0, "not-quiet": 1}[word]
    highest = max(step["set_v"] for step in found["steps"])
    assert (highest == 5.0) == (stopped is None)


def test_the_input_of_a_board_is_looked_at_alone(workshops: Callable[..., Workshop]) -> None:
    workshop = workshops("boards")
    words = {}
    for specimen in ("memory-good", "memory-input"):
        said = workshop.labbench(
            "rail", "radar-processor", "vin", "--serial", specimen, "--position", specimen,
            "--who", "tester", "--bench", workshop.bench_file, "--json",
        )  # fmt: skip
        found = json.loads(said.out)
        words[specimen] = found["word"]
    assert words == {"memory-good": "alive", "memory-input": "dead"}, found
    assert found["resistance_ohm"]["value"] == pytest.approx(0.5, rel=0.02)


def test_a_board_that_was_found_dead_gets_no_power_and_the_history_shows_both(
    workshops: Callable[..., Workshop],
) -> None:
    workshop = workshops("boards")
    code, _ = rail(workshop, "core-dead", "--after-fitting", "--phases", 2)
    assert code == 1
    refused = workshop.labbench(
        "rail", "radar-processor", "core", "--serial", "core-dead", "--position", "core-dead",
        "--who", "tester", "--bench", workshop.bench_file, "--first-power",
    )  # fmt: skip
    assert refused.code != 0
    assert "found dead when it was checked last: it is not powered" in refused.err
    assert workshop.journals("first-power") == []
    rail(workshop, "memory-input", "--first-power")
    history = workshop.labbench("history")
    assert history.code == 0, history.err
    assert "core-dead" in history.out
    assert "memory-input" in history.out
