"""From verified coils to a repaired board by the command line: match, reserve, fit, outcome.

The coils are those of the harbour buoys on the simulated bench. Does not cover refusals one by one
(tests/records/test_part_life) nor other kinds of sharing (tests/jobs/test_match).
"""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import jsonschema
import pytest

from labbench.compose import data_folder
from labbench.records.journal import read_journal
from labbench.schemas import load_schema
from sim.served import ServedBench
from tests.end_to_end.conftest import Workshop
from tests.shelf_records import ShelfRecords, coil

RAIL = """
schema = 1
board = "radar-supply"
rail = "core"
current = "40 A"
[[phases]]
name = "1"
coil = "14.6 mΩ ±0.5 %"
[[phases]]
name = "2"
coil = "14.9 mΩ ±0.5 %"
"""


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Be the data folder of a bench that verified two good coils three times, a bad one once."""
    folder = tmp_path_factory.mktemp("runs")
    with (
        pytest.MonkeyPatch.context() as patch,
        ServedBench("harbour-buoys", manual_clock=True) as bench,
    ):
        bench_file = folder / "bench.toml"
        bench_file.write_text(bench.bench_toml(), encoding="utf-8")
        workshop = Workshop(bench, bench_file, data_folder(folder / "data"), patch)
        for _ in range(3):
            for specimen in ("D4", "D11"):
                said = workshop.verify("coil-4u7", specimen, "--donor", "radio board 4")
                assert said.code == 0, said
        assert workshop.verify("coil-4u7", "D2", "--donor", "radio board 4").code == 1
        assert bench.bench.damage == []
    return workshop.data.root


@pytest.fixture
def verified(workshop: Workshop, runs: Path) -> Workshop:
    shutil.copytree(runs, workshop.data.root, ignore=shutil.ignore_patterns("store.sqlite*"))
    return workshop


def test_the_shelf_lists_what_is_fit_and_at_hand(verified: Workshop) -> None:
    said = verified.labbench("shelf", "list")
    assert said.code == 0
    assert [line.split()[:3] for line in said.out.splitlines()] == [
        ["D4", "fit", "coil-4u7"], ["D11", "fit", "coil-4u7"],
    ]  # fmt: skip
    assert max(map(len, said.out.splitlines())) <= 80
    assert re.search(r"1[45]\.\d mΩ ±1\.\d %", said.out)
    assert "simulated bench" in said.err
    rows = verified.labbench("shelf", "list", "--all", "--json").rows
    assert {row["specimen"]: row["disposition"] for row in rows} == {
        "D2": "unfit", "D4": "fit", "D11": "fit",
    }  # fmt: skip
    assert {row["state"] for row in rows} == {"at-hand"}
    other = verified.labbench("shelf", "list", "coil-470n")
    assert other.out.startswith("no fit part of type coil-470n at hand")
    assert "types on the shelf: coil-4u7" in other.err


def test_a_coil_goes_from_the_shelf_into_a_board_and_its_record_says_what_became_of_it(
    verified: Workshop, tmp_path: Path
) -> None:
    rail = tmp_path / "core.toml"
    rail.write_text(RAIL, encoding="utf-8")
    said = verified.labbench("shelf", "match", "--rail", rail)
    assert said.code == 0, said
    assert max(map(len, said.out.splitlines())) <= 80
    assert "left out: D2: unfit" in said.out
    assert "currents with D" in said.out
    ranked = verified.labbench("shelf", "match", "--rail", rail, "--json").rows[0]
    jsonschema.validate(ranked, load_schema("match-1"))
    take = ranked["take"]
    # three placements each: 1.3 % of one are 0.8 % of their mean
    best = ranked["candidates"][0]
    assert best["specimen"] == take
    assert best["expanded_uncertainty_ohm"] < 0.01 * best["resistance_ohm"]
    assert abs(best["share_error"]) < 0.02
    other = next(c["specimen"] for c in ranked["candidates"] if c["specimen"] != take)

    assert verified.labbench("shelf", "reserve", take, "--for", "radar-supply 12").code == 0
    elsewhere = verified.labbench("shelf", "fit", take, "--board", "radio-supply", "--serial", 3,
                                  "--rail", "core")  # fmt: skip
    assert elsewhere.code == 2
    assert "reserved for radar-supply 12" in elsewhere.err
    fitted = verified.labbench(
        "shelf", "fit", take, "--board", "radar-supply", "--serial", 12, "--rail", "core",
        "--phase", 3, "--who", "anna",
    )  # fmt: skip
    assert fitted.code == 0, fitted
    assert fitted.out == f"{take} fitted in radar-supply 12, core phase 3\n"
    assert "labbench rail radar-supply core --serial 12" in fitted.err
    beside = verified.labbench("shelf", "match", "--rail", "radar-supply/core", "--json").rows[0]
    assert [phase["name"] for phase in beside["phases"]] == ["3"]
    assert beside["take"] == other

    outcome = verified.labbench(
        "shelf", "outcome", "radar-supply", "--serial", 12, "works", "--json"
    )
    assert outcome.rows[0]["parts"] == [take]
    assert "load survives in" in verified.labbench("shelf", "survival", "radar-supply").out
    (survival,) = verified.labbench("shelf", "survival", "--json").rows
    assert (survival["own_alive"], survival["own_boards"]) == (1, 1)

    history = verified.labbench("history", take).out
    assert "fitted in radar-supply 12, core phase 3 (anna)" in history
    assert history.splitlines()[-1].startswith(f"{take} now: fitted in radar-supply 12")
    page = Path(verified.labbench("report", take, "--json").rows[0]["page"])
    assert "core phase 3" in page.read_text(encoding="utf-8")
    assert "the board works" in page.read_text(encoding="utf-8")

    before = verified.labbench("shelf", "list", "--all", "--json").rows
    for path in verified.data.root.glob("store.sqlite*"):
        path.unlink()
    assert verified.labbench("shelf", "list", "--all", "--json").rows == before
    assert verified.labbench("history", "--rebuild", "--json").code == 0
    assert verified.labbench("shelf", "list", "--all", "--json").rows == before


def test_a_part_lifted_off_a_board_is_offered_after_it_was_verified_anew(
    workshop: Workshop,
) -> None:
    assert workshop.verify("coil-470n", "D1").code == 0
    place = ("--board", "radar-supply", "--serial", 12, "--rail", "core")
    assert workshop.labbench("shelf", "fit", "D1", *place).code == 0
    assert workshop.labbench("shelf", "list").out.startswith("no fit part")
    too_early = workshop.verify("coil-470n", "D1")
    assert "by the records D1 is fitted in radar-supply 12, core" in too_early.err
    back = workshop.labbench("shelf", "return", "D1", "--why", "board given up")
    assert "heated twice" in back.err
    again = workshop.labbench("shelf", "fit", "D1", *place)
    assert again.code == 2
    assert "not verified since" in again.err
    assert workshop.verify("coil-470n", "D1").code == 0
    assert workshop.labbench("shelf", "list").out.startswith("D1 ")
    scrapped = workshop.labbench("shelf", "scrap", "D1", "--why", "torn pad", "--json").rows[0]
    assert workshop.labbench("void", scrapped["run"], "--why", "wrong part").code == 0
    assert workshop.labbench("shelf", "list").out.startswith("D1 ")


def test_verdicts_of_judge_are_matched_as_they_come(workshop: Workshop, tmp_path: Path) -> None:
    assert workshop.verify("coil-470n", "D1").code == 0
    (row,) = workshop.labbench("history", "D1", "--json").rows
    readings = read_journal(Path(row["journal"])).of_kind("measured")[0].data["readings"]
    file = tmp_path / "readings.jsonl"
    other = {**readings, "specimen": "D9"}
    file.write_text("\n".join([json.dumps(readings), "{", json.dumps(other)]), encoding="utf-8")
    verdicts = workshop.labbench("judge", file, "--json").out
    neighbours = tmp_path / "neighbours.jsonl"
    neighbours.write_text(json.dumps({**readings, "specimen": "P1"}), encoding="utf-8")
    said = workshop.labbench("shelf", "match", "--from", "-", "--rail", neighbours, "--json",
                             input=verdicts)  # fmt: skip
    # one placement of a coil of 1.5 mohm is too coarse to choose by
    assert said.code == 3, said
    (ranked,) = said.rows
    assert {c["specimen"] for c in ranked["candidates"]} == {"D1", "D9"}
    assert all(c["share_error"] == pytest.approx(0.0, abs=1e-6) for c in ranked["candidates"])
    assert all(c["too_coarse"] for c in ranked["candidates"])
    assert any("holds a problem" in text for text in ranked["remarks"])


def test_a_rail_that_is_no_file_says_what_one_looks_like(workshop: Workshop) -> None:
    said = workshop.labbench("shelf", "match", "--rail", "core")
    assert said.code == 2
    assert "BOARD/RAIL looks like radar-supply/core" in said.err
    both = workshop.labbench("shelf", "match", "--rail", "a/b", "--neighbour", "D1")
    assert both.code == 2
    assert workshop.labbench("shelf", "outcome", "radar-supply", "--serial", 1, "wroks").code == 2
    nothing = workshop.labbench("shelf", "survival")
    assert nothing.code == 0
    assert "nothing is known yet" in nothing.out


def test_a_rail_check_tells_beside_its_reading_how_often_such_loads_survived(
    workshops: Callable[..., Workshop],
) -> None:
    workshop = workshops("rails")
    check = ("rail", "radar-processor", "core", "--serial", "core-6", "--position", "core-6",
             "--who", "tester", "--bench", workshop.bench_file)  # fmt: skip
    assert "survives" not in workshop.labbench(*check).err
    for serial, outcome in (("A1", "works"), ("A2", "works"), ("A3", "load-dead")):
        told = workshop.labbench("shelf", "outcome", "radar-processor", "--serial", serial, outcome)
        assert told.code == 0
    said = workshop.labbench(*check)
    assert said.code == 1
    # the board in question, dead as it was found, says nothing about itself
    line = r"      radar-processor: load survives in \d+ % \(\d+-\d+ %\); 2 of 3$"
    assert re.search(line, said.err, re.M), said.err
    assert "survives" not in said.out


@pytest.mark.slow
def test_after_fitting_the_coil_that_the_shelf_knows_is_compared_with_its_own_verdict(
    workshops: Callable[..., Workshop],
) -> None:
    workshop = workshops("boards")
    ohms = workshop.served.truth()["core-good"].values["coils_ohm"][0]
    ShelfRecords(workshop.data).verified(coil("D4", ohms))
    place = ("--board", "radar-processor", "--serial", "core-good", "--rail", "core")
    assert workshop.labbench("shelf", "fit", "D4", *place, "--phase", 1).code == 0
    said = workshop.labbench(
        "rail", "radar-processor", "core", "--serial", "core-good", "--position", "core-good",
        "--who", "tester", "--bench", workshop.bench_file, "--after-fitting", "--phases", 2,
    )  # fmt: skip
    assert said.code == 0, said
    assert workshop.journals("after-fitting")[-1].events[0].data["coil"] == "D4"
