"""What is left of the runs: history, pages, struck runs, a store rebuilt from the journals.

Does not cover the store's own rules (tests/records/test_store) nor how a page looks
(tests/reports).
"""

from __future__ import annotations

import csv
import shutil
from pathlib import Path

import pytest

from labbench.compose import data_folder
from sim.served import ServedBench
from tests.end_to_end.conftest import Workshop


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Be the data folder of a bench that has measured one coil under three names."""
    folder = tmp_path_factory.mktemp("runs")
    with pytest.MonkeyPatch.context() as patch, ServedBench("one-coil", manual_clock=True) as bench:
        bench_file = folder / "bench.toml"
        bench_file.write_text(bench.bench_toml(), encoding="utf-8")
        workshop = Workshop(bench, bench_file, data_folder(folder / "data"), patch)
        for specimen in ("D1", "D2", "D3"):
            said = workshop.verify("R47", specimen, "--position", "D1", "--donor", "radar board 12")
            assert said.code == 3, said
        assert bench.bench.damage == []
    return workshop.data.root


@pytest.fixture
def measured(workshop: Workshop, runs: Path) -> Workshop:
    """Be a bench with those runs: journals and compensation moved here, the store left behind."""
    shutil.copytree(runs, workshop.data.root, ignore=shutil.ignore_patterns("store.sqlite*"))
    workshop.data.write_last_used(bench=str(workshop.bench_file))
    return workshop


def siblings_of_next(workshop: Workshop) -> list[str]:
    said = workshop.labbench(
        "verify", "R47", "--specimen", "D4", "--position", "D1", "--look", "fine", "--no-supply",
        "--donor", "radar board 12",
    )  # fmt: skip
    assert said.code == 3
    opened = workshop.journals("verify")[-1].events[0].data
    return sorted(opened["siblings"])


def test_void_keeps_who_and_why_and_takes_the_run_out_of_the_siblings(measured: Workshop) -> None:
    assert siblings_of_next(measured) == ["D1", "D2", "D3"]
    said = measured.labbench("void", "D2", "--why", "wrong part in the jig", "--who", "tester")
    assert said.code == 0
    assert "is void: wrong part in the jig" in said.out
    assert siblings_of_next(measured) == ["D1", "D3"]
    listed = measured.labbench("history").out
    assert "struck by tester: wrong part in the jig" in listed
    (row,) = measured.labbench("history", "D2", "--json").rows
    assert row["void"]["who"] == "tester"
    assert row["void"]["why"] == "wrong part in the jig"
    assert Path(row["journal"]).exists(), "nothing is deleted"
    again = measured.labbench("void", "D2", "--why", "once more", "--who", "tester")
    assert again.code == 2
    assert "struck already, by tester: wrong part in the jig" in again.err


def test_void_as_json(measured: Workshop) -> None:
    said = measured.labbench("void", "D3", "--why", "slipped", "--who", "tester", "--json")
    (row,) = said.rows
    assert row["run"].split("-")[1] == "D3"
    assert row["void"]["why"] == "slipped"


def test_void_needs_a_reason(measured: Workshop) -> None:
    assert measured.labbench("void", "D3").code == 2
    assert measured.labbench("void", "D3", "--why", "").code == 2
    assert measured.labbench("void", "D3", "--why", "  ").code == 2
    assert "struck" not in measured.labbench("history").out


def test_history_finds_by_what_a_repair_that_came_back_is_known_by(measured: Workshop) -> None:
    assert len(measured.labbench("history", "--json").rows) == 4
    assert len(measured.labbench("history", "--donor", "radar board 12", "--json").rows) == 3
    assert len(measured.labbench("history", "--disposition", "unfit", "--json").rows) == 0
    assert len(measured.labbench("history", "--limit", 2, "--json").rows) == 2
    runs = [row["opened_utc"] for row in measured.labbench("history", "--json").rows]
    assert runs == sorted(runs, reverse=True)
    assert "nothing found" in measured.labbench("history", "D9").out


def test_history_writes_a_table_for_other_programs(measured: Workshop, tmp_path: Path) -> None:
    said = measured.labbench("history", "D1", "--csv", tmp_path / "runs.csv")
    assert "1 run written" in said.err
    with (tmp_path / "runs.csv").open(encoding="utf-8", newline="") as file:
        (row,) = csv.DictReader(file)
    assert row["specimen"] == "D1"
    assert float(row["dc-resistance (ohm)"]) == pytest.approx(1.5e-3, rel=0.2)


def test_a_lost_store_is_filled_anew_from_the_journals(measured: Workshop) -> None:
    measured.labbench("void", "D2", "--why", "wrong part", "--who", "tester")
    before = measured.labbench("history", "--json").rows
    for path in measured.data.root.glob("store.sqlite*"):
        path.unlink()
    assert measured.labbench("history", "--json").rows == before
    said = measured.labbench("history", "--rebuild", "--json")
    assert said.rows == before
    assert "journals read anew" in said.err


def test_a_store_that_is_no_database_does_not_stop_a_measurement(measured: Workshop) -> None:
    for path in measured.data.root.glob("store.sqlite*"):
        path.unlink()
    measured.data.store.write_text("this is a letter, not a database\n" * 50, encoding="utf-8")
    said = measured.verify("R47", "D1", "--json")
    assert said.verdict["disposition"] == "plausible"
    assert "not in the store yet" in said.err
    broken = measured.labbench("history")
    assert broken.code == 2
    assert "history --rebuild" in broken.err
    measured.data.store.unlink()
    assert len(measured.labbench("history", "D1", "--json").rows) == 2


def test_a_report_is_found_by_specimen_run_or_its_beginning(
    measured: Workshop, tmp_path: Path
) -> None:
    (row,) = measured.labbench("history", "D1", "--json").rows
    by_specimen = measured.labbench("report", "D1", "--json").rows[0]
    assert by_specimen["run"] == row["run"]
    assert Path(by_specimen["page"]).read_text(encoding="utf-8").startswith("<!doctype html>")
    elsewhere = tmp_path / "page.html"
    assert measured.labbench("report", row["run"], "--out", elsewhere).code == 0
    assert elsewhere.exists()
    assert measured.labbench("report", row["run"][:19]).code == 0
    several = measured.labbench("report", row["run"][:4])
    assert several.code == 2
    assert "runs begin with" in several.err
    unknown = measured.labbench("report", "D11")
    assert unknown.code == 2
    assert "did you mean D1?" in unknown.err


def test_a_report_tells_where_the_part_came_from_and_who_measured_with_what(
    measured: Workshop,
) -> None:
    page = Path(measured.labbench("report", "D3", "--json").rows[0]["page"]).read_text(
        encoding="utf-8"
    )
    for text in (
        "Simulated bench: no real part was measured.", "radar board 12", "tester", "D1, D2",
        "virtual bench,impedance meter", "calibrated 2026-03-01", "due 2027-03-01",
        "23 °C", "open/short of", "multimeter, current on and off",
    ):  # fmt: skip
        assert text in page or text.replace("D1, D2", "D2, D1") in page, text
    measured.labbench("void", "D3", "--why", "<b>wrong</b> part", "--who", "tester")
    page = Path(measured.labbench("report", "D3", "--json").rows[0]["page"]).read_text(
        encoding="utf-8"
    )
    assert "Void: struck by tester" in page
    assert "&lt;b&gt;wrong&lt;/b&gt; part" in page


def test_a_run_that_was_never_judged_has_no_page_and_that_is_said(measured: Workshop) -> None:
    run = measured.labbench("history", "--json").rows[-1]
    assert run["job"] == "compensate"
    said = measured.labbench("report", run["run"])
    assert said.code == 2
    assert "has no verdict" in said.err
