"""A load compensation end to end: a standard resistor at a relay position of the simulated bench.

Not covered: by hand (the prompt is a placement like any other); that a real resistor is as its
label says. The bench is our simulator: this is no outside check.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from sim.scenario import SCENARIOS
from tests.end_to_end.conftest import Workshop


@pytest.fixture
def loaded(workshops: Callable[..., Workshop], tmp_path: Path) -> Workshop:
    text = (SCENARIOS / "one-coil.toml").read_text(encoding="utf-8")
    path = tmp_path / "loaded.toml"
    path.write_text(
        text.replace("[[lots]]", '[fixture]\nload = "100 Ω"\n\n[[lots]]', 1), encoding="utf-8"
    )
    return workshops(path)


def compensation_of(workshop: Workshop) -> dict[str, object]:
    (run,) = workshop.journals("compensate")
    measured = next(event.data for event in run.events if event.kind == "measured")
    return dict(measured["compensation"])


def test_the_bench_files_load_is_read_by_relay_and_stands_in_the_budget(loaded: Workshop) -> None:
    assert 'load = "100 Ω 0.1 %"' in loaded.bench_file.read_text(encoding="utf-8")
    said = loaded.labbench("compensate", "--bench", loaded.bench_file)
    assert said.code == 0
    assert "load 100 Ω" in said.out
    kept = compensation_of(loaded)
    assert len(kept["load_ohm"]) == len(kept["frequency_hz"])  # type: ignore[arg-type]
    verified = loaded.verify("coil-470n", "D1", "--budget", "--json")
    assert json.loads(verified.out)["disposition"] == "fit"
    measured = next(
        event.data for event in loaded.journals("verify")[0].events if event.kind == "measured"
    )
    labels = {line["label"] for b in measured["budgets"] for line in b["lines"]}
    assert {"load standard", "phase of the load"} <= labels


def test_a_load_of_another_value_is_refused_and_nothing_is_kept(loaded: Workshop) -> None:
    said = loaded.labbench("compensate", "--load", "1 kΩ 0.1 %", "--bench", loaded.bench_file)
    assert said.code != 0
    assert "the load is none" in said.err
    assert not list(loaded.data.compensations.rglob("*.json"))


def test_a_compensation_from_another_cable_does_not_serve(loaded: Workshop) -> None:
    loaded.labbench("compensate", "--bench", loaded.bench_file)
    first = compensation_of(loaded)
    assert first["fixture"]
    # the simulated jig names itself; on a real bench the cable is part of the fixture's name
    from labbench.bench.bench_file import load_bench_file
    from labbench.bench.opened import OpenBench
    from labbench.jobs.compensate import fixture_of

    loaded.edit_bench_file(
        lambda text: text[: text.index("[simulation]")].replace(
            "[fixture]", '[fixture]\ncable = "2 m"', 1
        )
    )
    file = load_bench_file(loaded.bench_file)
    assert fixture_of(OpenBench(file=file, clock=None)) == "jig, 2 m"  # type: ignore[arg-type]
