"""One coil after another, from the sockets of a simulated bench to the verdict and the record.

Does not cover: a bench without relay switch (test_hand_bench), trouble on the links
(test_instrument_trouble), stops and kills (test_stop_and_kill). The simulator is our own: that a
verdict agrees with its truth is no outside check.
"""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from labbench.compose import data_folder, open_simulated
from labbench.fronts.terminal.person import TerminalPerson
from labbench.jobs.part_types import find
from labbench.jobs.verify import Outcome, Request, verify
from labbench.records.journal import read_journal
from labbench.records.readings_file import judgement_to_json
from labbench.schemas import load_schema
from sim import served as sim_served
from tests.end_to_end.conftest import LABBENCH, Workshop, environment
from tests.invoking import invoke

SIBLINGS = """
schema = 1
name = "five-of-one-board"
seed = 11
clock_rate = 20.0
mains = "50 Hz"
ambient = "23 °C"

[instruments.impedance_meter]
class = "bench-1MHz"
[instruments.supply]
class = "1mV-1mA"
[instruments.multimeter]
class = "6.5-digit"
[instruments.switch]

[[lots]]
name = "radar-coils"
construction = "moulded-470n"
"""


@pytest.fixture
def five(workshops: Callable[..., Workshop], tmp_path: Path) -> Workshop:
    """Be a bench with five coils of one board, the last with a joint that has gone bad."""
    text = SIBLINGS
    for number in range(1, 6):
        text += (
            f'\n[[specimens]]\nname = "D{number}"\nposition = {100 + number}\n'
            'type = "coil-470n"\nlot = "radar-coils"\ndonor = "radar board 12"\n'
        )
    text += 'fault = { fault = "high-resistance-joint", factor = 1.8 }\n'
    path = tmp_path / "five-of-one-board.toml"
    path.write_text(text, encoding="utf-8")
    return workshops(path)


def test_the_demo_agrees_with_what_the_parts_really_are(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    benches: list[sim_served.ServedBench] = []

    class Kept(sim_served.ServedBench):
        def __enter__(self) -> Kept:
            benches.append(self)
            return self

    monkeypatch.setattr(sim_served, "ServedBench", Kept)
    said = invoke("demo", "--no-wait", "--no-report", "--json", "--folder", tmp_path / "demo")
    assert said.code == 0, said
    truth = benches[0].truth()
    assert {row["specimen"]: row["disposition"] for row in said.rows} == {
        name: real.disposition for name, real in truth.items()
    }
    assert len(said.rows) == 11
    faulty = {row["specimen"]: row["findings"][0] for row in said.rows if row["findings"]}
    for name, finding in faulty.items():
        assert truth[name].fault in (finding["fault"], *finding["alternatives"])
    assert "11 of 11 agree" in said.err
    assert len(list((tmp_path / "demo" / "journals").glob("*.jsonl"))) == 12
    assert (tmp_path / "demo" / "store.sqlite").exists()
    assert benches[0].bench.damage == []


def test_the_demo_says_which_word_is_wrong_when_one_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    honest = sim_served.ServedBench.truth

    def turned(self: sim_served.ServedBench) -> dict[str, object]:
        from dataclasses import replace

        return {name: replace(real, disposition="unfit", fault="cracked-core")
                for name, real in honest(self).items()}  # fmt: skip

    monkeypatch.setattr(sim_served.ServedBench, "truth", turned)
    said = invoke(
        "demo", "--scenario", "one-coil", "--no-wait", "--no-report", "--folder", tmp_path / "demo"
    )
    assert said.code == 1
    assert "D1 was called fit and is unfit (cracked-core)" in said.err
    assert "0 of 1 agree" in said.out


def test_two_processes_give_the_same_numbers_as_one(tmp_path: Path) -> None:
    bench_file = tmp_path / "bench.toml"
    simulator = subprocess.Popen(
        [*LABBENCH, "simulate", "harbour-buoys", "--write-bench", str(bench_file)],
        env=environment(tmp_path / "unused"), stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        text=True,
    )  # fmt: skip
    try:
        assert simulator.stdout is not None
        assert simulator.stdout.readline().strip() == f"ready {bench_file}"
        elsewhere = subprocess.run(
            [*LABBENCH, "verify", "coil-470n", "--bench", str(bench_file), "--specimen", "D3",
             "--temperature", "23", "--look", "fine", "--json"],
            env=environment(tmp_path / "two"), stdin=subprocess.DEVNULL, capture_output=True,
            text=True, timeout=60, check=False,
        )  # fmt: skip
    finally:
        simulator.terminate()
        _, closing = simulator.communicate(timeout=20)
    assert simulator.returncode == 0
    assert "servers closed" in closing
    here = in_this_process(tmp_path / "one", "harbour-buoys", "coil-470n", "D3")
    assert elsewhere.returncode == 1, elsewhere.stderr
    there = json.loads(elsewhere.stdout)
    expected = judgement_to_json(here.judgement)
    assert there["disposition"] == expected["disposition"] == "unfit"
    assert [(f["fault"], f["grade"], f["alternatives"]) for f in there["findings"]] == [
        (f["fault"], f["grade"], list(f["alternatives"])) for f in expected["findings"]
    ]
    one, two = readings_of(tmp_path / "one"), readings_of(tmp_path / "two")
    assert [row[:2] for row in one] == [row[:2] for row in two]
    swept = [row for row in one if row[1] == "impedance"]
    assert len(swept) == 39
    assert swept == [row for row in two if row[1] == "impedance"]
    # A part and its contacts warm and cool in real time, so the volts differ in their last figures.
    for mine, theirs in zip(one, two, strict=True):
        assert float(mine[2].split(",")[0]) == pytest.approx(
            float(theirs[2].split(",")[0]), rel=2e-3, abs=2e-6
        )
    for mine, theirs in zip(expected["characteristics"], there["characteristics"], strict=True):
        assert theirs["value"] == pytest.approx(mine["value"], rel=1e-3)
        assert theirs["verdict"] == mine["verdict"]


def readings_of(folder: Path) -> list[tuple[str, str, str]]:
    """Give step, quantity and raw text of every reading of a data folder, in order."""
    paths = sorted((folder / "journals").glob("*.jsonl"), key=lambda path: path.stat().st_mtime_ns)
    return [
        (event.data["step"], event.data["quantity"], event.data["reading"]["raw"])
        for path in paths
        for event in read_journal(path).of_kind("reading")
    ]


def in_this_process(folder: Path, scenario: str, part: str, specimen: str) -> Outcome:
    person = TerminalPerson(
        interactive=False, answers={"look": "fine", "coil-resistance": "yes"}, quiet=True
    )
    data = data_folder(folder)
    with open_simulated(scenario, data, waits=False) as (served, opened):
        outcome = verify(
            opened,
            Request(part=find(part, ()), specimen=specimen, position=specimen, who="tester",
                    temperature_c=23.0, u_temperature_c=0.5),
            operator=person, data=data,
        )  # fmt: skip
        assert served.served.bench.damage == []
    return outcome


def test_judging_the_readings_that_verify_recorded_gives_the_same_verdict(
    workshops: Callable[..., Workshop], tmp_path: Path
) -> None:
    workshop = workshops("harbour-buoys")
    lines = []
    verdicts = []
    for specimen, part in (("D1", "coil-470n"), ("D3", "coil-470n"), ("D6", "coil-4u7")):
        verdicts.append(workshop.verify(part, specimen, "--json").verdict)
    for journal in workshop.journals("verify"):
        (measured,) = journal.of_kind("measured")
        lines.append(json.dumps(measured.data["readings"], ensure_ascii=False))
    path = tmp_path / "readings.jsonl"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    said = invoke("judge", path, "--json")
    assert said.rows == verdicts
    assert [row["disposition"] for row in said.rows] == ["fit", "unfit", "unfit"]
    assert said.code == 1


def test_a_marking_alone_will_do_and_siblings_give_the_limits(five: Workshop) -> None:
    said = []
    for number in range(1, 6):
        said.append(
            five.verify("R47", f"D{number}", "--donor", "radar board 12", "--json", "--why")
        )
    first, fourth, bad = said[0].verdict, said[3].verdict, said[4].verdict
    assert "read as a marking: 470 nH ± 20 % (assumed)" in said[0].err
    assert first["disposition"] == "plausible"
    assert said[0].code == 3
    ohms = {row["name"]: row for row in fourth["characteristics"]}["dc-resistance"]
    assert ohms["lower"] < ohms["value"] < ohms["upper"]
    assert fourth["disposition"] == "plausible"
    # the limit is learned, and the remark names whom from
    assert "dc resistance limits learned from 3 siblings" in said[3].err
    assert "compared with its siblings" not in said[0].err
    (named,) = [line for line in said[3].err.splitlines() if "its siblings" in line]
    assert sorted(named.split("siblings ")[1].split(", ")) == ["D1", "D2", "D3"]
    assert bad["disposition"] == "unfit"
    assert bad["findings"][0]["fault"] == "high-resistance-joint"
    opened = five.journals("verify")[3].events[0].data
    assert set(opened["siblings"]) == {"D1", "D2", "D3"}


def test_what_was_given_last_time_stays_and_numbers_go_on(five: Workshop) -> None:
    five.verify("R47", "D1", "--donor", "radar board 12", "--job", "buoy 7", "--siblings", "pulled")
    again = five.labbench("verify", "--specimen", "D2", "--look", "fine", "--json")
    assert again.verdict["type"] == five.journals("verify")[0].events[0].data["type"]
    opened = five.journals("verify")[1].events[0].data
    assert {key: opened[key] for key in ("donor", "customer_job", "lot", "who")} == {
        "donor": "radar board 12", "customer_job": "buoy 7", "lot": "pulled", "who": "tester",
    }  # fmt: skip
    assert opened["siblings"] == ["D1"]
    measured = five.journals("verify")[1].of_kind("measured")[0].data
    assert measured["temperature_c"] == 23.0
    third = five.labbench("verify", "--look", "fine", "--json")
    assert third.verdict["specimen"] == "D3"


def test_another_donor_drops_the_lot_of_the_one_before(five: Workshop) -> None:
    five.verify("R47", "D1", "--donor", "radar board 12", "--siblings", "pulled")
    five.verify("R47", "D2", "--donor", "radio board 4")
    opened = five.journals("verify")[1].events[0].data
    assert opened["lot"] is None
    assert opened["siblings"] == []
    five.verify("R47", "D3")
    opened = five.journals("verify")[2].events[0].data
    assert (opened["donor"], opened["lot"]) == ("radio board 4", None)
    assert opened["siblings"] == ["D2"]


def test_wishes_that_mean_nothing_for_a_coil_are_all_told_before_anything_is_done(
    workshop: Workshop,
) -> None:
    said = workshop.verify("coil-470n", "D1", "--screen", "--breakdown", "--rail", 12)
    assert said.code == 2
    assert "coil-470n is a coil: --screen is for switches; --breakdown is for MOSFETs; " in said.err
    assert "--rail is for switches" in said.err
    other = workshop.verify("nfet-30v-5m", "D1", "--bias", "--insulation", "--adaptive")
    assert other.code == 2
    assert other.err.count("is for coils") == 3
    assert workshop.journals() == []


def test_a_specimen_that_no_relay_reaches_is_said_before_the_jig_is_measured(
    workshop: Workshop,
) -> None:
    said = workshop.verify("coil-470n", "D1x")
    assert "no position 'D1x'" in said.err
    assert "takes one of D1)" in said.err
    assert "press again" in said.out
    assert "no position" not in workshop.verify("coil-470n", "D1").err


@pytest.mark.parametrize("seen", ["discoloured", "cracked", "bulged"])
def test_a_part_condemned_by_eye_is_unfit_and_nothing_is_measured(
    workshop: Workshop, seen: str
) -> None:
    assert workshop.labbench("compensate", "--bench", workshop.bench_file).code == 0
    said = workshop.labbench(
        "verify", "coil-470n", "--specimen", "D1", "--look", seen, "--json",
        "--bench", workshop.bench_file,
    )  # fmt: skip
    assert said.code == 1
    assert said.verdict["disposition"] == "unfit"
    (journal,) = workshop.journals("verify")
    kinds = {event.kind for event in journal.events}
    assert not kinds & {"reading", "about-to-energise", "energised", "connect"}
    line = workshop.labbench("history", "D1").out
    assert "unfit" in line


def test_without_the_supply_the_coil_is_judged_by_the_meter_alone(workshop: Workshop) -> None:
    said = workshop.verify("coil-470n", "D1", "--no-supply", "--json")
    assert said.verdict["disposition"] in ("undecided", "plausible")
    assert said.code == 3
    (journal,) = workshop.journals("verify")
    assert not journal.of_kind("about-to-energise")
    assert journal.of_kind("measured")[0].data["readings"]["dc_resistance"]["method"] == (
        "impedance-meter"
    )


def test_the_record_holds_who_when_with_what_and_against_what(workshop: Workshop) -> None:
    workshop.verify("coil-470n", "D1", "--donor", "buoy-radar-3")
    (journal,) = workshop.journals("verify")
    opened = journal.events[0].data
    assert opened["who"] == "tester"
    assert opened["simulated"] is True
    assert opened["tool"].startswith("labbench ")
    assert opened["bench_digest"]
    assert opened["type_digest"]
    meter = opened["instruments"]["impedance_meter"]
    assert (meter["calibrated"], meter["due"]) == ("2026-03-01", "2027-03-01")
    assert meter["identity"].startswith("virtual bench,impedance meter")
    assert journal.events[-1].kind == "closed"
    assert journal.events[-1].data["status"] == "done"
    assert not journal.channels_not_off()
    assert journal.of_kind("energised")
    schema = Draft202012Validator(load_schema("journal-1"))
    for line in journal.path.read_text(encoding="utf-8").splitlines():
        schema.validate(json.loads(line))
    readings = Draft202012Validator(load_schema("readings-1"))
    readings.validate(journal.of_kind("measured")[0].data["readings"])
