"""What the bench can decide, stopping when decided, budgets, doubtful instruments: by command.

Not covered: that the numbers are right (tests/judging, tests/metrology, tests/studies). The bench
is our simulator: this is no outside check.
"""

from __future__ import annotations

import json
from collections.abc import Callable

import pytest

from tests.end_to_end.conftest import Workshop


def test_the_bench_tells_what_it_can_decide_without_opening_an_instrument(
    workshop: Workshop,
) -> None:
    workshop.served.close()  # nobody is at the addresses any more
    said = workshop.labbench("bench", "--can-decide", "coil-470n", "--json",
                             "--bench", workshop.bench_file)  # fmt: skip
    assert said.code == 0
    found = json.loads(said.out)
    assert found["best_word"] == "fit"
    words = {c["name"]: c["can_decide"] for c in found["characteristics"]}
    assert words == {"inductance": "yes", "dc-resistance": "yes", "saturation": "no"}
    by_name = {c["name"]: c for c in found["characteristics"]}
    assert 0.1 < by_name["dc-resistance"]["ratio"] < 1 / 3


def test_without_a_multimeter_the_table_names_it_as_the_fix(workshop: Workshop) -> None:
    workshop.edit_bench_file(lambda text: _without(text, "instruments.multimeter"))
    said = workshop.labbench("bench", "--can-decide", "coil-470n", "--bench", workshop.bench_file)
    assert said.code == 0
    assert "best word for a sound part: plausible" in said.out
    assert "multimeter at the part's own terminals" in said.out


def test_verify_says_before_it_starts_what_the_best_word_is(workshop: Workshop) -> None:
    said = workshop.verify("coil-470n", "D1")
    assert said.err.index("best word that this bench can reach: fit") < said.err.index("sweeping")


def test_the_budget_is_printed_largest_first_and_kept_for_the_page(workshop: Workshop) -> None:
    said = workshop.verify("coil-470n", "D1", "--budget")
    assert "where the probes touch" in said.out
    assert "inductance at 100 kHz" in said.out
    (run,) = workshop.journals("verify")
    measured = next(event.data for event in run.events if event.kind == "measured")
    for budget in measured["budgets"]:
        shares = [line["share"] for line in budget["lines"]]
        assert shares == sorted(shares, reverse=True)
        assert sum(shares) == pytest.approx(1.0)
    report = workshop.labbench("report", "D1", "--bench", workshop.bench_file)
    if report.code == 2:  # `report` takes no bench file
        report = workshop.labbench("report", "D1")
    assert report.code == 0
    (page,) = workshop.data.root.glob("reports/*D1*.html")
    text = page.read_text(encoding="utf-8")
    assert "Where the uncertainty of each value comes from" in text
    assert "contact of the part" in text


def test_a_part_takes_the_pairs_it_needs_and_the_fixed_number_when_told(
    workshops: Callable[..., Workshop],
) -> None:
    counts = []
    for number, more in enumerate(((), ("--fixed",))):
        shop = workshops(name=f"shop{number}")
        shop.verify("coil-470n", "D1", *more)
        (run,) = shop.journals("verify")
        counts.append(sum(event.kind == "about-to-energise" for event in run.events))
    until, fixed = counts
    assert fixed == 4
    assert 1 <= until <= 4


def test_the_stated_risk_is_what_all_looks_together_may_spend(workshop: Workshop) -> None:
    workshop.verify("coil-470n", "D1", "--risk", "0.05")
    opened = workshop.journals("verify")[0].events[0].data
    assert opened["risk"] == 0.05
    assert opened["judged_at_risk"] == pytest.approx(0.046)


def test_an_overdue_certificate_is_said_and_takes_the_fit_away(workshop: Workshop) -> None:
    workshop.edit_bench_file(lambda text: text.replace("due = 2027-03-01", "due = 2026-03-02"))
    said = workshop.verify("coil-470n", "D1", "--why", "--json")
    assert said.code == 3
    assert json.loads(said.out)["disposition"] == "plausible"
    assert "the calibration of the impedance meter was due on 2026-03-02" in said.err


def test_an_accuracy_that_cannot_be_right_is_refused_before_anything_is_touched(
    workshop: Workshop,
) -> None:
    workshop.edit_bench_file(
        lambda text: text.replace(
            "[instruments.supply]",
            '[instruments.impedance_meter.accuracy]\nbasic = "50 %"\n\n[instruments.supply]',
        )
    )
    said = workshop.verify("coil-470n", "D1")
    assert said.code == 2
    assert "is the unit right?" in said.err
    assert workshop.journals("verify") == []


def test_placements_make_the_contact_figure_the_jigs_own(workshop: Workshop) -> None:
    said = workshop.labbench("compensate", "--placements", 5, "--temperature", 22, "--json",
                             "--bench", workshop.bench_file)  # fmt: skip
    assert said.code == 0
    taken = json.loads(said.out)
    assert taken["placements"] == 5
    # the jig of the scenario scatters by 0.2 mohm and 1 nH (its class); five placements say that
    # within a factor of some three
    assert 0.2e-3 / 3 < taken["contact_resistance_ohm"] < 0.2e-3 * 3.5
    assert 1e-9 / 3 < taken["contact_inductance_h"] < 1e-9 * 3.5
    verified = workshop.verify("coil-470n", "D1", "--budget")
    assert verified.code == 0


def test_a_load_that_the_relays_cannot_reach_or_that_is_none_is_refused(
    workshop: Workshop,
) -> None:
    for load, said_so in (("100 Ω 0.1 %", "no position 'load'"), ("100 Ω", "no standard resistor"),
                          ("100 Ω 20 %", "no standard resistor")):  # fmt: skip
        said = workshop.labbench("compensate", "--load", load, "--bench", workshop.bench_file)
        assert said.code == 2
        assert said_so in said.err


def test_judge_tells_what_the_readings_say_of_their_uncertainty(workshop: Workshop) -> None:
    workshop.verify("coil-470n", "D1")
    measured = next(
        event.data for event in workshop.journals("verify")[0].events if event.kind == "measured"
    )
    path = workshop.data.root / "one.jsonl"
    path.write_text(json.dumps(measured["readings"]) + "\n", encoding="utf-8")
    said = workshop.labbench("judge", path, "--budget")
    assert said.code == 0
    assert "gain of the meter" in said.out
    assert "resistance as measured" in said.out


def test_without_a_multimeter_a_sound_coil_is_not_failed_for_its_leads(
    workshop: Workshop,
) -> None:
    workshop.edit_bench_file(lambda text: _without(text, "instruments.multimeter"))
    workshop.edit_bench_file(lambda text: text.replace("203,204,205,206", "203,204"))
    said = workshop.verify("coil-470n", "D1", "--json", "--why")
    found = json.loads(said.out)
    assert found["disposition"] == "plausible"
    assert "joint not checked below" in said.err


def _without(text: str, table: str) -> str:
    begin = text.index(f"[{table}]")
    return text[:begin] + text[text.index("\n[", begin + 1) + 1 :]
