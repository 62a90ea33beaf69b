"""A switch that is still hot, end to end: told to be tested cold, fit once it is cool.

A check against our own simulator is not an outside check. Not covered: real cooling.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from labbench.jobs import cooling as cooling_job
from labbench.jobs import switch_warmth
from sim.physics.devices.cooling import Cooling
from sim.scenario import SCENARIOS
from sim.switch_bench import SwitchBench
from tests.end_to_end.conftest import Workshop

PART = "nfet-30v-5m"


def by_the_clock(workshop: Workshop, later_s: float) -> None:
    """Move the time of day on by which parts cool in the list."""
    later = datetime.now(UTC) + timedelta(seconds=later_s)
    for module in (cooling_job, switch_warmth):
        workshop.monkeypatch.setattr(module, "now_utc", lambda: later)


def lifted(workshops: Callable[..., Workshop], folder: Path, how: str) -> Workshop:
    """Lay out the switches with Q1 still hot, and put it into the cooling list two minutes ago."""
    text = (SCENARIOS / "switches.toml").read_text(encoding="utf-8")
    first, rest = text.split('name = "Q1"\n', 1)
    path = folder / "warm-switches.toml"
    path.write_text(f'{first}name = "Q1"\n{how}\n{rest}', encoding="utf-8")
    workshop = workshops(path)
    waiting = workshop.labbench("verify", PART, "--specimen", "Q1", "--just-lifted",
                                "--position", "Q1", "--who", "tester")  # fmt: skip
    assert waiting.code == 3
    by_the_clock(workshop, 120.0)
    return workshop


@pytest.mark.slow
def test_a_switch_that_is_still_hot_is_told_to_be_tested_cold_and_listed_again(
    workshops: Callable[..., Workshop], tmp_path: Path
) -> None:
    workshop = lifted(workshops, tmp_path, 'just_lifted = "280 °C"')
    said = workshop.verify(PART, "Q1", "--json")
    verdict = json.loads(said.out)
    assert (said.code, verdict["disposition"]) == (3, "undecided"), said.err
    assert verdict["would_decide"][0]["text"].startswith("retest cold: wait ")
    assert "no later step is run" in said.err
    again = workshop.verify(PART, "Q1", "--json")
    assert json.loads(again.out)["would_decide"][0]["text"].startswith("wait ")
    by_the_clock(workshop, 180.0)
    cold = workshop.verify(PART, "Q1", "--json")
    assert (cold.code, json.loads(cold.out)["disposition"]) == (0, "fit"), cold.err


@pytest.mark.slow
def test_a_switch_at_45_degrees_is_waited_for_and_fit(
    workshops: Callable[..., Workshop], tmp_path: Path
) -> None:
    workshop = lifted(workshops, tmp_path, 'temperature = "45 °C"')
    said = workshop.verify(PART, "Q1", "--json")
    assert (said.code, json.loads(said.out)["disposition"]) == (0, "fit"), said.err
    assert "is the part cool?" in said.err


@pytest.mark.slow
@pytest.mark.parametrize("way", [(), ("--screen",)], ids=["in full", "a screen"])
def test_a_hot_switch_that_nobody_called_hot_is_no_short_and_is_judged_once_it_is_cool(
    workshops: Callable[..., Workshop], way: tuple[str, ...]
) -> None:
    workshop = workshops("switches")
    # the session's own checks come first, and a part cools meanwhile: it is lifted after them
    assert workshop.verify(PART, "Q1", "--json").code == 0
    bench = workshop.served.bench
    assert isinstance(bench, SwitchBench)
    part = bench._parts[bench.scenario.specimen("Q1").position]
    part.lifted_c = 280.0
    part.cooling = Cooling(
        ambient_c=bench.scenario.ambient_c, start_c=part.lifted_c, now_s=bench.settled_s()
    )
    said = workshop.verify(PART, "Q1", "--json", *way)
    word = "plausible" if way else "fit"
    assert json.loads(said.out)["disposition"] == word, said.err
    assert "short, or hot?" in said.err
    assert "it was hot" in said.err
    assert bench.damage == []
