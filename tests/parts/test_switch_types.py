"""Check that part type files of MOSFETs and power stages are read whole, or refused whole.

Does not cover: the search for a file (test_library.py), what the limits decide (tests/judging).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from labbench.errors import FileProblems
from labbench.parts.library import shipped_directory
from labbench.parts.mosfet_type import LeakageLimit, OnResistanceLimit, read_mosfet_type
from labbench.parts.stage_steps import STEPS
from labbench.parts.stage_type import read_stage_type


def changed(tmp_path: Path, name: str, old: str, new: str) -> Path:
    text = (shipped_directory() / f"{name}.toml").read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / f"{name}.toml"
    path.write_text(text.replace(old, new), encoding="utf-8")
    return path


def problems(path: Path) -> str:
    read = read_stage_type if "stage-25v" in path.name else read_mosfet_type
    with pytest.raises(FileProblems) as found:
        read(path)
    return "\n".join(str(problem) for problem in found.value.problems)


def test_a_mosfets_file_is_read_whole() -> None:
    part = read_mosfet_type(shipped_directory() / "nfet-30v-5m.toml")
    assert part.drain_leakage == (LeakageLimit(1e-6, 24.0, 25.0),)
    assert part.on_resistance[1] == OnResistanceLimit(None, 5e-3, 10.0, 3.0, 25.0)
    assert (part.threshold[0].lower_v, part.threshold[0].upper_v) == (1.2, 2.2)
    assert (part.maximum_drain_source_v, part.maximum_gate_source_v) == (30.0, 20.0)
    assert part.polarity == "n"
    assert part.has_limits
    assert len(part.digest) == 64


def test_a_stages_file_is_read_whole() -> None:
    part = read_stage_type(shipped_directory() / "stage-25v-50a.toml")
    assert part.pins["vin"] == (1, 2, 3, 4, 5, 6, 7, 8)
    assert part.pins["pwm"] == (35,)
    (leak,) = part.limits_of("hs-leak")
    assert (leak.path, leak.upper, leak.unit) == ("vin-sw", 1e-6, "A")
    assert leak.conditions == {"voltage_v": 12.0}
    (low,) = part.limits_of("on-resistance", "sw-pgnd")
    assert low.upper == 3.2e-3
    assert {limit.step for limit in part.limits} <= set(STEPS)
    assert all(limit.path in STEPS[limit.step].paths for limit in part.limits)


@pytest.mark.parametrize(
    ("name", "old", "new", "said"),
    [
        ("nfet-30v-5m", 'polarity = "n"', 'polarity = "m"', "polarity: must be 'n' or 'p'"),
        ("nfet-30v-5m", 'polarity = "n"', 'features = ["shottky"]', "did you mean 'schottky'"),
        ("nfet-30v-5m", 'polarity = "n"', "", "polarity: missing"),
        ("nfet-30v-5m", "24 V", "36 V", "above the absolute maximum 30"),
        ("nfet-30v-5m", '"1 µA"', '"1 V"', "drain_leakage"),
        ("nfet-30v-5m", "drain_leakage", "drain_leak", "did you mean drain_leakage"),
        ("nfet-30v-5m", 'minimum = "1.2 V"', 'minimum = "2.4 V"', "must be below maximum"),
        ("stage-25v-50a", "boot = 31", "boost = 31", "did you mean 'boot'"),
        ("stage-25v-50a", "boot = 31", "boot = 30", "pin 30 is pgnd already"),
        ("stage-25v-50a", 'sw = "9-20"', "", "sw: missing"),
        ("stage-25v-50a", '"1-8"', '"8-1"', "the smaller first"),
        ("stage-25v-50a", 'vin = "25 V"', 'vin = "10 V"', "above the absolute maximum 10"),
        ("stage-25v-50a", 'drive = "standby"', 'drive = "sleep"', "must be 'standby'"),
    ],
)  # fmt: skip
def test_a_file_that_cannot_be_right_is_refused_with_key_and_reason(
    tmp_path: Path, name: str, old: str, new: str, said: str
) -> None:
    assert said in problems(changed(tmp_path, name, old, new))
