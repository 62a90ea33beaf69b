"""Gauge studies, the check standard and warm parts, over sockets on a simulated bench.

Does not cover: a study by hand, with prompts (tests/procedures and test_hand_bench cover contact
by hand). The simulator is our own: that a study recovers what it drew is no outside check; the
published studies are in tests/lots and below, through the command.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from datetime import datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path

import pytest

from labbench.jobs import cooling as cooling_job
from labbench.jobs.check_state import check_state
from labbench.jobs.cooling import cooling_list
from labbench.jobs.gauge_plan import make_plan
from labbench.jobs.gauge_run import run_study
from labbench.jobs.part_types import find
from labbench.ports import Event
from labbench.records.journal import read_journal
from sim.specimen import Specimen
from tests.end_to_end.conftest import Workshop
from tests.end_to_end.test_hand_bench import Hand

PLAN = """
schema = 1
name = "bench-of-five"
seed = 21
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

SHORTED = 'fault = { fault = "shorted-turn", turns = [2, 3], contact = "0.5 mΩ" }\n'


@pytest.fixture
def five(workshops: Callable[..., Workshop], tmp_path: Path) -> Workshop:
    """Be a bench with five coils of one lot; the last has a shorted turn."""
    text = PLAN
    for number in range(1, 6):
        text += (
            f'\n[[specimens]]\nname = "D{number}"\nposition = {100 + number}\n'
            'type = "coil-470n"\nlot = "radar-coils"\ndonor = "radar board 12"\n'
        )
    path = tmp_path / "bench-of-five.toml"
    path.write_text(text + SHORTED, encoding="utf-8")
    return workshops(path)


def specimen_in(workshop: Workshop, position: int) -> Specimen:
    """Reach into the simulator, past every link."""
    found: Specimen = workshop.served.bench._specimens[position]
    return found


def warm(workshop: Workshop, position: int, celsius: float) -> None:
    """Put a part into the jig that comes straight from the hot air."""
    specimen = specimen_in(workshop, position)
    specimen._start_c, specimen._since_s = celsius, workshop.served.clock.now_s()


def plan(workshop: Workshop, *more: object, parts: tuple[str, ...] = ("D1", "D2", "D3")) -> Path:
    path = workshop.bench_file.parent / "study.json"
    said = workshop.labbench("gauge", "plan", "coil-470n", *parts, "--out", path, "--seed", 5,
                             "--json", *more)  # fmt: skip
    assert said.code == 0, said.err
    assert said.rows[0]["seed"] == 5
    return path


def run(workshop: Workshop, path: Path, *more: object) -> dict[str, int]:
    said = workshop.labbench("gauge", "run", path, "--bench", workshop.bench_file,
                             "--temperature", 23, "--json", *more)  # fmt: skip
    assert said.code == 0, said.err
    row: dict[str, int] = said.rows[0]
    return row


class Links(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.outside: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.outside += [v for k, v in attrs if k in ("src", "href") and v and "//" in v]


def test_a_study_is_planned_run_by_two_people_and_reported(five: Workshop) -> None:
    path = plan(five, "--operator", "anna", "--operator", "ben", "--trials", 2)
    assert run(five, path, "--operator", "anna") == {"study": "study", "done": 6, "waiting": 6}
    early = five.labbench("gauge", "report", path)
    assert early.code == 2
    assert "6 of 12 measurements of study are still to do" in early.err
    assert run(five, path, "--operator", "ben")["waiting"] == 0

    journals = five.journals("gauge")
    assert len(journals) == 12
    assert {j.events[0].data["who"] for j in journals} == {"anna", "ben"}
    order = [j.events[0].data["gauge"]["code"] for j in journals if
             j.events[0].data["who"] == "anna"]  # fmt: skip
    wanted = [e["code"] for e in json.loads(path.read_text(encoding="utf-8"))["entries"]
              if e["operator"] == "anna"]  # fmt: skip
    assert order == wanted

    said = five.labbench("gauge", "report", path)
    assert said.code == 0
    assert re.search(r"the bench scatters \d+ % of the tolerance: good enough to sort", said.out)
    assert "between operators (AV)" in said.out
    assert "by average and range" in said.out
    (page,) = five.data.reports.glob("gauge-*.html")
    text = page.read_text(encoding="utf-8")
    assert text.count("<svg") == 3  # components, by part, by operator
    assert "Simulated bench" in text
    links = Links()
    links.feed(text)
    assert links.outside == []


def test_nothing_that_was_read_is_shown_while_a_study_runs(five: Workshop) -> None:
    path = plan(five, "--operator", "anna", "--trials", 2)
    said = five.labbench("gauge", "run", path, "--bench", five.bench_file)
    # the study's own path is shown, and the folder above it has a number that pytest chose
    shown = (said.out + said.err).replace(str(path), "")
    values = [e.data["gauge"]["value"] for j in five.journals("gauge") for e in j.events
              if e.kind == "measured"]  # fmt: skip
    assert len(values) == 6
    assert not any(f"{v * 1e9:.3g}"[:3] in shown for v in values)
    assert not re.search(r"[0-9.] ?[nµ]?H", shown)
    assert "D1" not in shown  # the code letter, not the part


def test_a_struck_measurement_is_taken_again_and_the_rest_stays(five: Workshop) -> None:
    path = plan(five, "--operator", "anna", "--trials", 2)
    run(five, path)
    third = five.journals("gauge")[2]
    number = third.events[0].data["gauge"]["number"]
    struck = five.labbench("void", third.path.stem, "--why", "slipped", "--who", "anna")
    assert struck.code == 0, struck.err
    early = five.labbench("gauge", "report", path)
    assert "1 of 6 measurements" in early.err
    assert run(five, path) == {"study": "study", "done": 6, "waiting": 0}
    journals = five.journals("gauge")
    assert len(journals) == 7
    assert journals[-1].events[0].data["gauge"]["number"] == number


def test_another_plan_of_the_same_name_is_not_mixed_in(five: Workshop) -> None:
    path = plan(five, "--operator", "anna", "--trials", 2)
    run(five, path)
    path.unlink()
    said = five.labbench("gauge", "plan", "coil-470n", "D1", "D2", "D3", "--out", path,
                         "--seed", 6, "--operator", "anna", "--trials", 2)  # fmt: skip
    assert said.code == 0
    again = five.labbench("gauge", "run", path, "--bench", five.bench_file)
    assert again.code == 2
    assert "begun with another plan (seed 5)" in again.err
    twice = five.labbench("gauge", "plan", "coil-470n", "D1", "D2", "--out", path)
    assert twice.code == 2
    assert "never written over" in twice.err


def test_a_study_over_days_shows_what_days_add(five: Workshop) -> None:
    path = plan(five, "--operator", "anna", "--trials", 2, "--days", 2,
                "--name", "two days / one bench", parts=("D1", "D2"))  # fmt: skip
    assert run(five, path, "--day", 1)["waiting"] == 4
    assert run(five, path, "--day", 2)["waiting"] == 0
    said = five.labbench("gauge", "report", path)
    assert said.code == 0, said.err
    assert "between days" in said.out
    assert "one person measured" in said.out
    assert (five.data.reports / "gauge-two-days-one-bench.html").exists()


def test_a_person_or_part_that_is_not_in_the_plan_is_named(five: Workshop) -> None:
    path = plan(five, "--operator", "anna", "--operator", "ben", parts=("D1", "X9"))
    said = five.labbench("gauge", "run", path, "--bench", five.bench_file, "--operator", "carl")
    assert said.code == 2
    assert "'carl' is no operator of the study; it has anna, ben" in said.err
    said = five.labbench("gauge", "run", path, "--bench", five.bench_file, "--operator", "anna")
    assert said.code == 2
    assert "no position for X9" in said.err
    assert five.journals("gauge") == []


class StudyHand(Hand):
    """Go on to the next part only when contact is waited for: the last one is still there."""

    def __init__(self, workshop: Workshop, codes: dict[str, str]) -> None:
        super().__init__(workshop)
        self.codes = codes
        self.called = ""
        self.placed: list[str] = []

    def tell(self, event: Event) -> None:
        self.told.append(event)
        if event.kind == "place":
            self.called = str(event.detail["position"])
        elif event.kind == "waiting-for-contact":
            self.bench.place(None)
            self.bench.clock.sleep_s(0.5)
            self.bench.place(self.codes[self.called])
            self.placed.append(self.called)


def test_by_hand_every_part_is_taken_out_before_it_is_measured_again(
    workshops: Callable[..., Workshop],
) -> None:
    bench = workshops("hand-bench", name="by-hand")
    plan = make_plan(
        find("coil-4u7", ()), study="by-hand", characteristic="inductance", frequency_hz=10e3,
        parts=("B1", "B2"), operators=("anna",), trials=2, days=1, readings=1, seed=1,
    )  # fmt: skip
    hand = StudyHand(bench, plan.codes)
    with bench.open() as opened:
        now = run_study(opened, plan, find("coil-4u7", ()), measured_by="anna", operator=hand,
                        data=bench.data)  # fmt: skip
    assert now.waiting == ()
    assert "already-in-the-jig" not in hand.names()
    assert hand.placed == [entry.code for entry in plan.entries]
    # the leads are asked for once for the compensation, and stay
    assert hand.names().count("coil-impedance") == 1


@pytest.mark.slow
def test_a_study_recovers_what_the_simulator_drew(five: Workshop) -> None:
    # contacts scatter by fixture.contact_sd_h; there are no people in the simulator
    path = plan(five, "--operator", "anna", "--operator", "ben", "--trials", 5,
                parts=("D1", "D2", "D3", "D4"))  # fmt: skip
    run(five, path, "--everybody")
    row = five.labbench("gauge", "report", path, "--json").rows[0]
    components = row["components"]
    fixture = five.served.bench.scenario.fixture
    seen = components["repeatability"]
    assert seen["lower"] <= fixture.contact_sd_h <= seen["upper"]
    assert row["noise"]["placement_sd"] > 5 * row["noise"]["within_sd"]
    assert components["operator"]["lower"] == 0.0
    assert "where the probes touch" in row["verdict"]
    # the parts differ as the simulated lot does: true values of the coils at the study's frequency
    true = [specimen_in(five, 100 + n).impedance_ohm(1e5, 0.0, five.served.clock.now_s())
            for n in range(1, 5)]  # fmt: skip
    henry = [z.imag / (2 * 3.141592653589793 * 1e5) for z in true]
    mean = sum(henry) / 4
    spread = (sum((h - mean) ** 2 for h in henry) / 3) ** 0.5
    assert components["part"]["lower"] <= spread <= components["part"]["upper"]
    assert components["part"]["sd"] == pytest.approx(spread, rel=0.1)


def test_a_study_of_the_dc_resistance_splits_noise_and_placement(five: Workshop) -> None:
    path = plan(five, "--operator", "anna", "--trials", 2, "--characteristic", "dc-resistance")
    run(five, path)
    row = five.labbench("gauge", "report", path, "--json").rows[0]
    assert row["quantity"] == "dc resistance at 25 °C"
    assert row["noise"]["within_df"] == 6 * 3  # four pairs a placement
    assert row["components"]["grr"]["tolerance_percent"] < 30
    assert not five.is_on()


def test_published_studies_can_be_checked_through_the_command(workshop: Workshop) -> None:
    # AIAG study, NIST e-Handbook 2.6.1: sources in tests/references/README.md
    references = Path(__file__).parents[1] / "references"
    said = workshop.labbench("gauge", "report", "--csv", references / "aiag_msa_10x3x3.csv",
                             "--json")  # fmt: skip
    row = said.rows[0]
    assert row["components"]["grr"]["sd"] == pytest.approx(0.302372, abs=1e-4)
    assert row["distinct_categories"] == 4
    assert row["average_and_range"]["grr"] == pytest.approx(0.30577, abs=1e-4)
    lines = (references / "MPC61.DAT").read_text(encoding="ascii").split("\n")
    table = ["run,wafer,day,average,stddev,n"]
    for line in filter(str.strip, lines):
        run_, wafer, probe, month, day, _, _, average, sd = line.split()
        if float(probe) == 2362:
            table.append(f"{run_},{wafer},{month}{day},{average},{sd},6")
    path = workshop.bench_file.parent / "nested.csv"
    path.write_text("\n".join(table), encoding="utf-8")
    row = workshop.labbench("gauge", "report", "--csv", path, "--nested", "--json").rows[0]
    assert row["level_1"] == [pytest.approx(0.07287, abs=1e-5), 300]
    assert row["level_2"] == [pytest.approx(0.03617, abs=1e-5), 50]
    assert row["level_3"] == [pytest.approx(0.0196, abs=1e-4), 5]
    said = workshop.labbench("gauge", "report", "--csv", path, "--nested")
    assert "from reading to reading" in said.out


def check(workshop: Workshop, *more: object) -> dict[str, object]:
    said = workshop.labbench("gauge", "check", "--bench", workshop.bench_file, "--who", "anna",
                             "--temperature", 23, "--json", *more)  # fmt: skip
    assert said.code in (0, 3), said.err
    row: dict[str, object] = said.rows[0]
    return row


def test_a_check_standard_learns_holds_and_cries_out(five: Workshop) -> None:
    begun_s = five.served.clock.now_s()
    first = check(five, "--standard", "D1", "--type", "coil-470n")
    # with a compensation taken on the way, it takes less than two minutes of the morning
    assert five.served.clock.now_s() - begun_s < 120
    assert first["state"] == "learning"
    states = [check(five)["state"] for _ in range(7)]
    assert states[-1] == "in-control"
    assert "check standard" in five.labbench("bench", "--bench", five.bench_file).out
    quiet = five.verify("coil-470n", "D2")
    assert quiet.code == 0
    assert "check standard" not in quiet.err

    # the kept part is not what it was: another coil lies in its place
    specimen_in(five, 101).coil = specimen_in(five, 105).coil
    specimen_in(five, 101)._known_ohm.clear()
    loud = check(five)
    assert loud["state"] == "out-of-control"
    assert "was out of control on 2026-" in str(loud["text"])
    bench = five.labbench("bench", "--bench", five.bench_file)
    assert bench.code == 0  # it warns and never blocks
    assert re.search(r"check standard +LOOK +the check standard D1 was out of control", bench.out)
    verdict = five.verify("coil-470n", "D3", "--why")
    assert verdict.code == 0
    assert "the check standard D1 was out of control on" in verdict.err
    assert "note: the check standard D1 was out of control on" in verdict.out
    assert five.labbench("report", "D3").code == 0
    pages = sorted(five.data.reports.glob("*D3*.html"))
    assert "was out of control on" in pages[-1].read_text(encoding="utf-8")

    assert five.labbench("report", "D1").code == 0  # never verified: the chart of its checks
    (chart,) = five.data.reports.glob("*check-D1*.html")
    text = chart.read_text(encoding="utf-8")
    assert text.count("<svg") == 2
    assert "beyond 3 s" in text


def test_a_missed_check_is_said_and_blocks_nothing(five: Workshop) -> None:
    check(five, "--standard", "D1", "--type", "coil-470n")
    with five.open() as opened:
        later = opened.clock.utc() + timedelta(days=3)
        opened.clock.utc = lambda: later
        state = check_state(opened, five.data)
    assert state.word == "missed"
    assert state.text.startswith("the check standard D1 was last measured 3 days ago")
    (named,) = [five.data.check_standards]
    table = json.loads(named.read_text(encoding="utf-8"))
    table["bench-of-five"]["name"] = "D4"
    named.write_text(json.dumps(table), encoding="utf-8")
    said = five.verify("coil-470n", "D2")
    assert said.code == 0
    assert "the check standard D4 was never measured" in said.err


def test_a_struck_check_leaves_the_history(five: Workshop) -> None:
    check(five, "--standard", "D1", "--type", "coil-470n")
    check(five)
    last = five.journals("check")[-1].path.stem
    assert five.labbench("void", last, "--why", "wrong part in the jig", "--who", "a").code == 0
    charts = check(five, "--show")["charts"]
    assert isinstance(charts, list)
    assert [chart["checks"] for chart in charts] == [1, 1]


def test_without_a_check_standard_nobody_is_bothered(five: Workshop) -> None:
    said = five.labbench("gauge", "check", "--bench", five.bench_file)
    assert said.code == 2
    assert "no check standard yet" in said.err
    assert "check standard" not in five.verify("coil-470n", "D2").err


@pytest.mark.parametrize("position", [101, 105])
def test_a_warm_part_is_undecided_and_judged_when_it_is_cool(five: Workshop, position: int) -> None:
    name = f"D{position - 100}"
    assert five.labbench("compensate", "--bench", five.bench_file).code == 0
    begun = clock_of(five)
    five.monkeypatch.setattr(cooling_job, "now_utc", lambda: begun)
    warm(five, position, 150.0)
    said = five.verify("coil-470n", name, "--json")
    assert said.code == 3
    verdict = said.verdict
    assert verdict["disposition"] == "undecided"
    first = verdict["would_decide"][0]
    assert first["action"] == "wait"
    wait_s = int(re.fullmatch(r"wait (\d+) s", first["text"])[1])  # type: ignore[index]
    # 150 °C, 2 K, 25 s: some 104 s from the start, less what measuring took
    assert 25 <= wait_s <= 110
    assert all(c["verdict"] != "fails" for c in verdict["characteristics"])
    (measured,) = five.journals("verify")[-1].of_kind("measured")
    assert measured.data["dc_unstable"] == "still-warm"
    assert measured.data["dc_fall_share"] > 0.003  # the drift is kept in the record
    listed = cooling_list(five.data)
    assert [part.specimen for part, _ in listed] == [name]

    five.served.clock.sleep_s(wait_s)
    five.monkeypatch.setattr(cooling_job, "now_utc", lambda: begun + timedelta(seconds=wait_s + 1))
    said = five.verify("coil-470n", name, "--json")
    assert said.verdict["disposition"] == ("fit" if position == 101 else "unfit"), said
    assert cooling_list(five.data) == []


@pytest.mark.parametrize("celsius", [28.0, 35.0, 45.0, 60.0, 90.0, 120.0, 200.0])
def test_no_warmth_fails_a_healthy_part(five: Workshop, celsius: float) -> None:
    assert five.labbench("compensate", "--bench", five.bench_file).code == 0
    warm(five, 102, celsius)
    verdict = five.verify("coil-470n", "D2", "--json").verdict
    assert verdict["disposition"] != "unfit"
    assert all(c["verdict"] != "fails" for c in verdict["characteristics"])


def clock_of(workshop: Workshop) -> datetime:
    """Tell the time of day that the in-process core uses: it stands still."""
    with workshop.open() as opened:
        now: datetime = opened.clock.utc()
    return now


def test_a_part_that_was_just_lifted_waits_while_the_next_is_taken(five: Workshop) -> None:
    now = clock_of(five)
    five.monkeypatch.setattr(cooling_job, "now_utc", lambda: now)
    warm(five, 101, 220.0)
    said = five.verify("coil-470n", "D1", "--just-lifted", "--donor", "radar board 12")
    assert said.code == 3
    assert re.fullmatch(r"D1   UNDECIDED  still warm +wait 115 s, pedal\n", said.out)
    assert five.journals() == []  # nothing was measured, no run begun

    assert five.verify("coil-470n", "D2").code == 0  # meanwhile
    listed = five.labbench("verify", "--cooling")
    assert re.search(r"D1 +coil-470n +radar board 12 +wait 115 s", listed.out)

    five.monkeypatch.setattr(cooling_job, "now_utc", lambda: now + timedelta(seconds=80))
    early = five.labbench("verify", "--specimen", "D1", "--json")
    assert early.verdict["would_decide"] == [{"action": "wait", "text": "wait 35 s"}]

    five.served.clock.sleep_s(115)
    five.monkeypatch.setattr(cooling_job, "now_utc", lambda: now + timedelta(seconds=116))
    assert "cool: verify it now" in five.labbench("verify", "--cooling").out
    done = five.labbench("verify", "--specimen", "D1", "--look", "fine", "--temperature", 23,
                         "--bench", five.bench_file, "--json")  # fmt: skip
    assert done.code == 0, done.err
    assert done.verdict["type"] == "coil-470n"  # the list knew
    assert "nothing is cooling" in five.labbench("verify", "--cooling").out


def test_what_may_be_left_of_the_warmth_counts_as_uncertainty(five: Workshop) -> None:
    now = clock_of(five)
    five.monkeypatch.setattr(cooling_job, "now_utc", lambda: now - timedelta(seconds=116))
    five.verify("coil-470n", "D1", "--just-lifted")
    five.monkeypatch.setattr(cooling_job, "now_utc", lambda: now)
    assert five.verify("coil-470n", "D1").code == 0
    assert five.verify("coil-470n", "D2").code == 0
    u_k = []
    for journal in five.journals("verify"):
        events = read_journal(journal.path).events
        (measured,) = [e.data for e in events if e.kind == "measured"]
        u_k.append(measured["u_temperature_c"])
    assert u_k[0] == pytest.approx((0.5**2 + (2.0 * 2.718281828 ** (-1.15 / 25)) ** 2 / 3) ** 0.5,
                                   rel=0.01)  # fmt: skip
    assert u_k[1] == 0.5


def test_a_number_given_out_to_a_cooling_part_is_not_given_again(five: Workshop) -> None:
    names = [five.labbench("verify", "coil-470n", "--just-lifted", "--json").verdict["specimen"]
             for _ in range(2)]  # fmt: skip
    assert names == ["D1", "D2"]
