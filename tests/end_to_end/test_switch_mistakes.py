"""Make the mistakes of a workshop with switches: noticed, said, nothing damaged.

The other polarity, gate and drain swapped, contacts beside the part, a part left hot, a part of
unknown ratings, a chain that reads wrong. The whole simulated circuit is watched: the `workshops`
fixture fails on any sentence of its monitor. Parts are invented. Not covered: mistakes with power
stages, a person's hands.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from sim.physics.devices.cooling import Cooling
from sim.scenario import SCENARIOS
from tests.end_to_end.conftest import Workshop

_SPECIMEN = """
[[specimens]]
name = "{name}"
position = {position}
type = "{type}"
lot = "{lot}"
donor = "radar supply 3"
{more}
"""
LOW_SIDE, INPUT = "radar-low-side", "radar-input"
SPECIMENS = (
    ("Q1", "nfet-30v-5m", LOW_SIDE, ""),
    ("Q2", "nfet-30v-5m", LOW_SIDE, "turned = true"),
    ("Q3", "nfet-30v-5m", LOW_SIDE, 'not_touching = "D"'),
    ("Q4", "nfet-30v-5m", LOW_SIDE, 'not_touching = "S"'),
    ("Q5", "nfet-30v-5m", LOW_SIDE, 'not_touching = "G"'),
    ("Q6", "nfet-30v-5m", INPUT, ""),
    ("Q7", "pfet-30v-12m", LOW_SIDE, ""),
    ("Q8", "nfet-30v-5m", LOW_SIDE, ""),
)
UNKNOWN = """
schema = 1
name = "fet-of-a-buoy"
family = "mosfet"
description = "pulled from a radio supply of a harbour buoy; ratings unknown"
polarity = "n"
"""


@pytest.fixture
def workshop(workshops: Callable[..., Workshop], tmp_path: Path) -> Workshop:
    text = (SCENARIOS / "switches.toml").read_text(encoding="utf-8").split("[[specimens]]")[0]
    text += "".join(
        _SPECIMEN.format(name=name, position=101 + place, type=kind, lot=lot, more=more)
        for place, (name, kind, lot, more) in enumerate(SPECIMENS)
    )
    path = tmp_path / "mistakes.toml"
    path.write_text(text, encoding="utf-8")
    return workshops(path)


def verdict(workshop: Workshop, part: str, specimen: str, *more: object) -> dict[str, Any]:
    said = workshop.verify(part, specimen, "--json", *more)
    assert said.code == 3, said.err
    assert not workshop.is_on()
    found: dict[str, Any] = json.loads(said.out)
    assert found["disposition"] == "undecided"
    assert found["findings"] == []
    return found


@pytest.mark.parametrize(
    ("specimen", "part", "words"),
    [
        ("Q2", "nfet-30v-5m", "gate and drain are swapped"),
        ("Q3", "nfet-30v-5m", "does not touch the drain"),
        ("Q4", "nfet-30v-5m", "does not touch the source"),
        ("Q5", "nfet-30v-5m", "nothing is at the gate's contact"),
        ("Q6", "nfet-30v-5m", "p-channel"),
        ("Q7", "pfet-30v-12m", "n-channel"),
    ],
)
def test_a_part_that_lies_otherwise_than_said_is_not_judged_and_that_is_said(
    workshop: Workshop, specimen: str, part: str, words: str
) -> None:
    found = verdict(workshop, part, specimen)
    assert words in found["would_decide"][0]["text"]
    assert found["would_decide"][0]["action"] == "seat-again"
    measured = workshop.journals("verify")[-1].of_kind("measured")[0].data
    assert words in measured["doubt"]
    assert "drain_leakage" not in measured["readings"] or not measured["readings"]["drain_leakage"]


def test_a_part_left_hot_is_not_failed_for_it(workshop: Workshop) -> None:
    """Some 60 K above the room its drain leaks fifty times what it does when it is cold."""
    workshop.verify("nfet-30v-5m", "Q1")
    bench = workshop.served.bench
    bench._parts[108].cooling = Cooling(
        ambient_c=23.0, start_c=110.0, now_s=workshop.served.clock.now_s()
    )
    said = workshop.verify("nfet-30v-5m", "Q8", "--json")
    assert said.code in (0, 3), said.err
    found = json.loads(said.out)
    assert not [f for f in found["findings"] if f["grade"] == "sure"]
    assert found["disposition"] == "fit" or found["would_decide"]


def test_of_a_part_with_unknown_ratings_little_is_asked_and_that_is_said(
    workshop: Workshop, tmp_path: Path
) -> None:
    folder = tmp_path / "types"
    folder.mkdir()
    (folder / "fet-of-a-buoy.toml").write_text(UNKNOWN, encoding="utf-8")
    said = workshop.verify(
        "fet-of-a-buoy", "Q1", "--parts", folder, "--rail", 12, "--why", "--json"
    )
    assert said.code == 3, said.err
    assert json.loads(said.out)["disposition"] == "plausible"
    assert "15 V only" in said.err
    assert "5 V only" in said.err
    journal = workshop.journals("verify")[-1]
    leaks = [e.data["detail"] for e in journal.of_kind("step-begun") if e.data["name"] == "leakage"]
    assert max(d["volts"] for d in leaks if "drain" in d["what"]) == pytest.approx(15.0)
    assert max(d["volts"] for d in leaks if "gate" in d["what"]) == pytest.approx(5.0)
    on = [e.data["detail"] for e in journal.of_kind("step-begun")
          if e.data["name"] == "on-resistance"]  # fmt: skip
    assert on
    assert max(d["gate_v"] for d in on) <= 5.0


def test_a_chain_that_reads_a_known_resistor_wrong_judges_no_part(workshop: Workshop) -> None:
    wiring = workshop.served.bench.wiring
    wiring.check_ohm *= 1.02  # as a series resistor that is 2 % off would show it
    found = verdict(workshop, "nfet-30v-5m", "Q1")
    assert found["characteristics"]
    assert all(c["verdict"] == "not-measured" for c in found["characteristics"])
    wiring.check_ohm /= 1.02
    said = workshop.verify("nfet-30v-5m", "Q1", "--json")
    assert json.loads(said.out)["disposition"] == "fit", said.err
    # and once it was in order it is not asked again in this session
    steps = [e.data["name"] for e in workshop.journals("verify")[-1].of_kind("step-begun")]
    assert steps.count("shorted-jig") == 1
    workshop.verify("nfet-30v-5m", "Q1", "--json")
    steps = [e.data["name"] for e in workshop.journals("verify")[-1].of_kind("step-begun")]
    assert steps.count("shorted-jig") == 0
