"""Construction files and fault tables: what is read, and every mistake at once.

Does not cover whether the values are those of real parts: they are invented.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from sim.physics.devices import mosfet_faults as fet
from sim.physics.devices import stage_faults as stage
from sim.physics.devices.fault_file import DeviceFault, fault_names, read_device_fault
from sim.physics.devices.files import DEVICES, device_construction, device_names, load_device
from sim.physics.devices.load import RailShort
from sim.text import Table, TextError


def read(family: str, table: dict[str, Any]) -> tuple[DeviceFault | None, list[str]]:
    problems: list[str] = []
    return read_device_fault(Table(table, "fault", problems), family), problems


def changed(tmp_path: Path, name: str, old: str, new: str) -> Path:
    text = (DEVICES / f"{name}.toml").read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / f"{name}.toml"
    path.write_text(text.replace(old, new), encoding="utf-8")
    return path


def test_all_shipped_constructions_are_read() -> None:
    families = {name: type(device_construction(name)).__name__ for name in device_names()}
    assert list(families.values()).count("MosfetConstruction") == 5
    assert list(families.values()).count("StageConstruction") == 1
    assert list(families.values()).count("LoadConstruction") == 4


def test_an_unknown_name_gets_a_suggestion() -> None:
    with pytest.raises(TextError, match='did you mean "trench-30v-5m"'):
        device_construction("trench-30v-5")


@pytest.mark.parametrize(
    ("name", "old", "new", "said"),
    [
        ("trench-30v-5m", 'polarity = "n"', 'polarity = "m"', 'polarity: "m" is not known'),
        ("trench-30v-5m", "features = []", 'features = ["heat"]', "features: .*not a list out of"),
        ("trench-30v-5m", "ideality = 1.38", "ideality = 0.5", "typical.ideality: .* outside"),
        (
            "trench-30v-5m",
            'metal = "0.7 mohm"',
            'metal = "40 mohm"',
            "metal: 0.04 ohm is not below",
        ),
        ("trench-30v-5m", 'gate_source = "10 V"\ncurrent', 'gate_source = "4.5 V"\ncurrent', "two"),
        ("trench-30v-5m", "breakdown_resistance", "breakdown_ohm", "did you mean"),
        ("halfbridge-25v-50a", 'falling = "3.52 V"', 'falling = "4 V"', "has hysteresis"),
        ("halfbridge-25v-50a", "gain = 155", 'gain = "155 A"', "high_side.gain"),
        (
            "halfbridge-25v-50a",
            'pwm_high = { rising = "2.60 V", falling = "2.35 V" }',
            'pwm_high = { rising = "0.9 V", falling = "0.8 V" }',
            "middle state",
        ),
        ("load-core", 'minimum = "0.12 ohm"', 'minimum = "0.9 ohm"', "between minimum and maximum"),
        ("load-core", "schema = 1", "schema = 2", "this is version 1"),
        ("load-core", 'family = "load"', 'family = "lode"', 'did you mean "load"'),
        ("load-core", 'name = "load-core"', 'name = "core"', "differs from the name of the file"),
    ],
)
def test_a_mistake_is_told_with_its_key(
    name: str, old: str, new: str, said: str, tmp_path: Path
) -> None:
    with pytest.raises(TextError, match=said):
        load_device(changed(tmp_path, name, old, new))


def test_every_mistake_of_a_file_is_told_at_once(tmp_path: Path) -> None:
    path = changed(tmp_path, "trench-30v-5m", 'leakage_doubling = "10.2 K"', 'doubling = "10 K"')
    text = path.read_text(encoding="utf-8").replace('forward = "561 mV"', 'forward = "561"')
    path.write_text(text, encoding="utf-8")
    with pytest.raises(TextError) as caught:
        load_device(path)
    told = "\n".join(caught.value.problems)
    for pattern in (r"leakage_doubling: is missing", r"doubling: unknown key", r"forward:"):
        assert re.search(pattern, told), told


FAULTS: list[tuple[str, dict[str, Any], DeviceFault]] = [
    ("mosfet", {"fault": "short", "path": "all", "resistance": "20 mohm"},
     fet.HardShort("all", 0.02)),
    ("mosfet", {"fault": "leak", "path": "gate-drain", "resistance": "1 Mohm"},
     fet.OhmicLeak("gate-drain", 1e6)),
    ("mosfet", {"fault": "leak", "path": "drain-source", "current": "10 uA", "exponent": 3},
     fet.SoftLeak(1e-5, 3.0)),
    ("mosfet", {"fault": "weak-gate", "current": "1 uA", "exponent": 4, "polarity": 0.3},
     fet.WeakGate(1e-6, 4.0, 0.3)),
    ("mosfet", {"fault": "high-on-resistance", "factor": 1.3}, fet.HighOnResistance(1.3)),
    ("mosfet", {"fault": "threshold-shift", "by": "-300 mV"}, fet.ThresholdShift(-0.3)),
    ("mosfet", {"fault": "low-breakdown", "factor": 0.6}, fet.LowBreakdown(0.6)),
    ("mosfet", {"fault": "open", "terminal": "drain"}, fet.OpenTerminal("drain")),
    ("stage", {"fault": "short", "path": "vin-sw", "resistance": "5 mohm"},
     stage.StageShort("vin-sw", 5e-3)),
    ("stage", {"fault": "leak", "path": "hs-gate", "resistance": "20 kohm"},
     stage.StageLeak("hs-gate", 2e4)),
    ("stage", {"fault": "output-stuck-off"}, stage.StuckOutput("off")),
    ("stage", {"fault": "output-stuck-high"}, stage.StuckOutput("high")),
    ("stage", {"fault": "output-stuck-low"}, stage.StuckOutput("low")),
    ("stage", {"fault": "lifted-bond", "pin": "sw", "extra": "1 mohm"},
     stage.LiftedBond("sw", 1e-3)),
    ("stage", {"fault": "bootstrap-open"}, stage.BootstrapOpen()),
    ("stage", {"fault": "bootstrap-leak", "resistance": "10 kohm"}, stage.BootstrapLeak(1e4)),
    ("stage", {"fault": "undervoltage-shift", "by": "600 mV"}, stage.UndervoltageShift(0.6)),
    ("stage", {"fault": "high-on-resistance", "path": "sw-pgnd", "factor": 1.4},
     stage.StageHighOnResistance("sw-pgnd", 1.4)),
    ("load", {"fault": "short", "resistance": "30 mohm"}, RailShort(0.03)),
]  # fmt: skip


@pytest.mark.parametrize(("family", "table", "expected"), FAULTS)
def test_each_fault_is_read_from_its_table(
    family: str, table: dict[str, Any], expected: DeviceFault
) -> None:
    fault, problems = read(family, table)
    assert problems == []
    assert type(fault) is type(expected)
    assert vars(fault) == pytest.approx(vars(expected))


def test_every_fault_that_can_be_read_is_tried_here() -> None:
    for family in ("mosfet", "stage", "load"):
        tried = {table["fault"] for name, table, _ in FAULTS if name == family}
        assert tried == set(fault_names(family))


@pytest.mark.parametrize(
    ("family", "table", "said"),
    [
        ("mosfet", {"fault": "shorted-turn"}, "is not known"),
        ("mosfet", {"fault": "leek", "path": "drain-source"}, 'did you mean "leak"'),
        ("mosfet", {"fault": "leak", "path": "vin-sw", "resistance": "1 Mohm"}, "fault.path"),
        ("mosfet", {"fault": "leak", "path": "gate-source", "current": "1 uA", "exponent": 2},
         "soft leak lies between"),
        ("mosfet", {"fault": "short", "path": "all", "resistance": "20"}, "fault.resistance"),
        ("mosfet", {"fault": "threshold-shift", "by": "0 V"}, "shift of nothing"),
        ("mosfet", {"fault": "open", "terminal": "body"}, "fault.terminal"),
        ("mosfet", {"fault": "low-breakdown", "factor": 2}, "fault.factor"),
        ("stage", {"fault": "lifted-bond", "pin": "boot", "extra": "1 ohm"}, "fault.pin"),
        ("stage", {"fault": "bootstrap-open", "resistance": "1 ohm"}, "unknown key"),
        ("load", {"fault": "leak", "resistance": "1 ohm"}, "is not known"),
    ],
)  # fmt: skip
def test_a_mistaken_fault_is_told(family: str, table: dict[str, Any], said: str) -> None:
    _, problems = read(family, table)
    assert any(said in problem for problem in problems), problems
