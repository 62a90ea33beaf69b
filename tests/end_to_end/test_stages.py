"""Verify power stages end to end: command line, sockets, a simulated jig whose circuit moves.

Every part of the simulated bench is watched: a floating input, a missing resistor, charge at a
re-tie or too much energy in a part fails these tests by way of the `workshops` fixture. A check
against our own simulator is not an outside check. Not covered: a person who makes the hookups
(tests/procedures/switch), rates of detection (tests/studies), real devices.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from sim.scenario import load_scenario
from tests.end_to_end.conftest import Workshop

STAGE = "stage-25v-50a"
Workshops = Callable[..., Workshop]


def verdict_on(workshop: Workshop, specimen: str, *more: object) -> dict[str, Any]:
    said = workshop.verify(STAGE, specimen, "--json", *more)
    assert said.code in (0, 1, 3), said.err
    assert not workshop.is_on()
    found: dict[str, Any] = json.loads(said.out)
    return found


@pytest.mark.parametrize(("specimen", "how"), [("U8", "turned"), ("U9", "shifted")])
def test_a_stage_that_lies_wrongly_gets_no_verdict_and_no_more_than_two_tenths_of_a_volt(
    workshops: Workshops, specimen: str, how: str
) -> None:
    workshop = workshops("stages")
    verdict = verdict_on(workshop, specimen)
    assert verdict["disposition"] == "undecided"
    assert [f["fault"] for f in verdict["findings"]] == ["turned-in-jig"]
    assert how in verdict["findings"][0]["because"]
    assert verdict["characteristics"] == []
    journal = workshop.journals("verify")[-1]
    asked = [event.data["setting"]["voltage_v"] for event in journal.of_kind("about-to-energise")]
    assert asked
    assert max(asked) <= 0.2
    truth = workshop.served.truth()[specimen]
    assert truth.fault == "turned-in-jig"


def test_a_shorted_stage_is_unfit_and_nothing_above_two_tenths_of_a_volt_touches_it(
    workshops: Workshops,
) -> None:
    workshop = workshops("stages")
    verdict = verdict_on(workshop, "U4")
    assert verdict["disposition"] == "unfit"
    assert (verdict["findings"][0]["fault"], verdict["findings"][0]["path"]) == (
        "short", "sw-pgnd",
    )  # fmt: skip
    journal = workshop.journals("verify")[-1]
    asked = [event.data["setting"]["voltage_v"] for event in journal.of_kind("about-to-energise")]
    assert max(asked) <= 0.2


def test_a_screen_of_a_stage_says_what_it_does_not_see(workshops: Workshops) -> None:
    workshop = workshops("stages")
    verdict = verdict_on(workshop, "U1", "--screen")
    assert verdict["disposition"] == "plausible"
    judged = workshop.journals("verify")[-1].of_kind("judged")[-1]
    assert any("not looked at: leakage" in text for text in judged.data["remarks"])


def test_in_place_a_stage_is_worth_lifting_or_nobody_can_tell(workshops: Workshops) -> None:
    workshop = workshops("stages")
    common = ("--bench", workshop.bench_file, "--who", "tester", "--in-place", "--json")
    high = workshop.labbench("verify", STAGE, "--specimen", "U1", *common)
    assert (high.code, json.loads(high.out)["word"]) == (0, "worth lifting"), high.err
    low = workshop.labbench("verify", STAGE, "--specimen", "U4", *common)
    assert (low.code, json.loads(low.out)["word"]) == (3, "cannot tell"), low.err


@pytest.mark.slow
def test_a_sound_stage_is_fit_and_its_numbers_are_the_true_ones(workshops: Workshops) -> None:
    workshop = workshops("stages")
    verdict = verdict_on(workshop, "U1")
    assert verdict["disposition"] == "fit"
    found = {c["name"]: c for c in verdict["characteristics"]}
    truth = workshop.served.truth()["U1"].values
    for name, true in (
        ("on-resistance-sw-pgnd", truth["low_side_ohm"]),
        ("on-resistance-vin-sw", truth["high_side_ohm"]),
        ("undervoltage-vdrv-pgnd-rising", truth["undervoltage_v"]),
        ("undervoltage-vdrv-pgnd-falling", truth["undervoltage_falling_v"]),
        ("pwm-open-pwm", truth["pwm_open_v"]),
        ("ls-leak-sw-pgnd", truth["low_side_current_a"]),
    ):
        # at 23 degC, at pins; the truth is that of 25 degC and of a perfect bench
        assert found[name]["value"] == pytest.approx(true, rel=0.04), name
    assert found["hs-leak-vin-sw"]["value"] == pytest.approx(truth["high_side_leakage_a"], rel=0.5)
    journal = workshop.journals("verify")[-1]
    steps = [event.data["name"] for event in journal.of_kind("step-begun")]
    assert steps.index("short-check") < steps.index("leakage") < steps.index("driver-supply")
    assert steps.index("undervoltage") < steps.index("on-resistance") < steps.index("tri-state")
    assert steps[-1] == "leakage"
    page = workshop.labbench("report", "U1")
    assert page.code == 0, page.err


@pytest.mark.slow
@pytest.mark.parametrize(
    ("specimen", "fault", "path"),
    [("U3", "leak", "vin-sw"), ("U6", "bootstrap-open", "boot-sw")],
)
def test_a_faulty_stage_is_unfit_and_its_fault_is_named_with_its_path(
    workshops: Workshops, specimen: str, fault: str, path: str
) -> None:
    workshop = workshops("stages")
    verdict = verdict_on(workshop, specimen)
    assert verdict["disposition"] == "unfit"
    first = verdict["findings"][0]
    assert (first["fault"], first["path"]) == (fault, path)
    truth = workshop.served.truth()[specimen]
    assert (truth.fault, truth.path) == (fault, path)


@pytest.mark.slow
def test_one_channel_is_enough_to_pass_a_sound_stage(workshops: Workshops, tmp_path: Path) -> None:
    scenario = tmp_path / "one-channel.toml"
    shipped = Path(load_scenario.__code__.co_filename).parent / "scenarios" / "stages.toml"
    scenario.write_text(
        shipped.read_text(encoding="utf-8")
        .replace('name = "stages"', 'name = "one-channel"')
        .replace("channels = 2", "channels = 1"),
        encoding="utf-8",
    )
    verdict = verdict_on(workshops(scenario), "U1")
    assert verdict["disposition"] in ("fit", "plausible"), verdict
    assert verdict["findings"] == []
    values = {c["name"]: c["value"] for c in verdict["characteristics"]}
    assert values["on-resistance-sw-pgnd"] == pytest.approx(2.4e-3, rel=0.1)
