"""Check loads on a bench without a multimeter: leads read on each other, current by readback.

A check against our own simulator is not an outside check. Not covered: real leads and clips.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from sim.scenario import SCENARIOS
from tests.end_to_end.conftest import Workshop


@pytest.mark.parametrize(
    ("specimen", "words"),
    [("core-6", {"dead"}), ("core-2", {"alive"}), ("logic-good", {"undecided"})],
)
def test_a_readback_tells_a_core_from_a_short_and_says_that_it_sees_no_small_load(
    workshops: Callable[..., Workshop], tmp_path: Path, specimen: str, words: set[str]
) -> None:
    text = (SCENARIOS / "rails.toml").read_text(encoding="utf-8")
    path = tmp_path / "no-multimeter.toml"
    without = text.replace('[instruments.multimeter]\nclass = "6.5-digit"\n', "")
    assert without != text
    path.write_text(without, encoding="utf-8")
    workshop = workshops(path)
    said = workshop.labbench(
        "rail", "radar-processor", "any", "--serial", specimen, "--position", specimen,
        "--who", "tester", "--bench", workshop.bench_file, "--json",
    )  # fmt: skip
    assert said.out, said.err
    found = json.loads(said.out)
    assert found["word"] in words, found
    truth = workshop.served.truth()[specimen].values
    if found["resistance_ohm"] is not None:
        value, u = found["resistance_ohm"]["value"], found["resistance_ohm"]["u"]
        assert abs(value - truth["resistance_ohm"]) < 0.12 * truth["resistance_ohm"] + 3 * u
    (run,) = workshop.journals("rail")
    (measured,) = run.of_kind("measured")
    # leads of 30 mohm, and relays of the simulated jig
    assert 0.03 < measured.data["leads_ohm"] < 0.2
    assert not workshop.is_on()
