"""Check loads end to end: command line, sockets, simulated boards; nothing may be harmed.

A check against our own simulator is not an outside check. Not covered: real boards, the chance of
a wrong word (tests/studies).
"""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

from tests.end_to_end.conftest import Workshop


def rail(workshop: Workshop, specimen: str, *more: str) -> tuple[int, dict[str, Any]]:
    name = specimen.split("-")[0]
    said = workshop.labbench(
        "rail", "radar-processor", name, "--serial", specimen, "--position", specimen,
        "--who", "tester", "--bench", workshop.bench_file, "--json", *more,
    )  # fmt: skip
    assert said.out, said.err
    return said.code, json.loads(said.out)


def test_dead_and_living_loads_are_told_by_the_ratio_to_a_good_board(
    workshops: Callable[..., Workshop],
) -> None:
    workshop = workshops("rails")
    truth = workshop.served.truth()
    names = [specimen.name for specimen in workshop.served.scenario.specimens]
    for name in names:
        more = ["--good"] if name.endswith("-good") else []
        code, said = rail(workshop, name, *more)
        assert said["word"] == truth[name].disposition, name
        assert code == {"alive": 0, "dead": 1}[said["word"]]
        assert (said["ratio"] is None) == bool(more)
    assert {truth[name].disposition for name in names} == {"alive", "dead"}
    assert not workshop.is_on()


def test_without_a_good_board_the_ratio_is_unknown_and_a_short_is_dead_all_the_same(
    workshops: Callable[..., Workshop],
) -> None:
    workshop = workshops("rails")
    code, said = rail(workshop, "core-6")
    assert (code, said["word"], said["ratio"]) == (1, "dead", None)
    # the history tells the word, and a run without a page says so with the word
    assert "core-6     dead " in workshop.labbench("history").out
    report = workshop.labbench("report", "core-6")
    assert report.code == 2
    assert "has no page: dead, " in report.err
    assert "schema" not in report.err
