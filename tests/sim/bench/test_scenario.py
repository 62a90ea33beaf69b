"""Scenario files and their text: what is read, what is refused, all problems at once.

Does not cover constructions and faults beyond their place in a scenario (tests/sim/physics).
"""

from __future__ import annotations

from dataclasses import astuple
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.scenario import SCENARIOS, load_scenario, scenario_names
from sim.text import TextError, quantity

GOOD = """
schema = 1
name = "t"
seed = 4
mains = "60 Hz"
[instruments.impedance_meter]
class = "hand-100kHz"
[[lots]]
name = "lot"
construction = "moulded-470n"
[[specimens]]
name = "A1"
type = "coil-470n"
lot = "lot"
"""


def written(folder: Path, text: str) -> Path:
    path = folder / "t.toml"
    path.write_text(text, encoding="utf-8")
    return path


def problems(folder: Path, text: str) -> list[str]:
    with pytest.raises(TextError) as refused:
        load_scenario(written(folder, text))
    return list(refused.value.problems)


def test_every_scenario_that_comes_with_the_simulator_can_be_read() -> None:
    assert {"harbour-buoys", "one-coil", "hand-bench"} <= set(scenario_names())
    for name in scenario_names():
        found = load_scenario(name)
        assert found.name == name
        assert found.specimens


def test_the_demo_holds_eleven_donors_with_every_fault_it_shall_show() -> None:
    demo = load_scenario("harbour-buoys")
    assert [spec.name for spec in demo.specimens] == [f"D{n}" for n in range(1, 12)]
    assert {spec.part_type for spec in demo.specimens} == {"coil-470n", "coil-4u7"}
    faults = [spec.fault.name for spec in demo.specimens if spec.fault is not None]
    assert sorted(faults) == sorted(
        ["shorted-turn"] * 3
        + ["fused-winding", "high-resistance-joint", "cracked-core", "open-winding"]
    )
    for part_type in ("coil-470n", "coil-4u7"):
        healthy = [s for s in demo.specimens if s.part_type == part_type and s.fault is None]
        assert len(healthy) >= 2
    assert demo.has_switch
    assert demo.clock_rate == 20.0


def test_the_example_of_the_readme_can_be_read(tmp_path: Path) -> None:
    readme = (SCENARIOS.parent / "README.md").read_text(encoding="utf-8")
    example = readme.split("## Scenarios")[1].split("```toml")[1].split("```")[0]
    found = load_scenario(written(tmp_path, example))
    assert found.specimens[0].fault is not None
    assert found.specimens[0].just_lifted_c == 180.0
    for one, other in zip(
        astuple(found.fixture), astuple(load_scenario("harbour-buoys").fixture), strict=True
    ):
        assert one == (pytest.approx(other, rel=1e-12) if isinstance(other, float) else other)


def test_one_scenario_has_no_relay_switch() -> None:
    assert not load_scenario("hand-bench").has_switch


def test_what_is_left_out_has_the_usual_values(tmp_path: Path) -> None:
    found = load_scenario(written(tmp_path, GOOD))
    assert found.mains_hz == 60.0
    assert found.specimens[0].position == 101
    assert found.specimens[0].just_lifted_c is None
    assert found.supply is None
    assert found.multimeter_class is None
    # The fixture is the one that such a meter usually comes with.
    assert found.fixture.series_ohm == pytest.approx(20e-3)
    assert found.fixture.contact_sd_ohm == pytest.approx(1e-3)


def test_all_problems_are_told_at_once_with_key_and_suggestion(tmp_path: Path) -> None:
    found = problems(
        tmp_path,
        """
schema = 2
name = "t"
seed = -1
mains = "50"
klock_rate = 3.0
[instruments.impedance_meter]
class = "bench-1Mhz"
calibrated = "yesterday"
[instruments.oven]
[fixture]
series_resistance = "5 mF"
series_resistors = [5]
[[lots]]
name = "lot"
construction = "moulded-470"
[[specimens]]
name = "A1"
type = "coil-470n"
lot = "lott"
position = 7
fault = { fault = "shorted-turns", turns = [1, 2] }
[[specimens]]
name = "A1"
type = "coil-470n"
lot = "lot"
position = 102
colour = "red"
""",
    )
    text = "\n".join(found)
    for expected in (
        "schema: 2",
        "seed: -1",
        'mains: "50" is not in Hz',
        'klock_rate: unknown key; did you mean "clock_rate"?',
        'class: "bench-1Mhz" is not known; did you mean "bench-1MHz"?',
        "calibrated: 'yesterday' is not a date",
        "instruments.oven: unknown key",
        'fixture.series_resistance: "5 mF" is not in ohm',
        "fixture.series_resistors",
        'lots[1].construction: "moulded-470" is not known; did you mean "moulded-470n"?',
        'specimens[1].lot: there is no lot "lott"; did you mean "lot"?',
        "specimens[1].position: 7 is outside 101 to 190",
        'did you mean "shorted-turn"?',
        'specimens[2].name: "A1" is taken',
        "specimens[2].colour: unknown key",
    ):
        assert expected in text, expected
    assert len(found) == 15


def test_a_fault_that_does_not_fit_the_construction_is_told(tmp_path: Path) -> None:
    broken = GOOD + 'fault = { fault = "shorted-turn", turns = [7, 8], contact = "1 mohm" }\n'
    assert any("4 turns" in problem for problem in problems(tmp_path, broken))


def test_calibration_dates_are_read_and_must_follow_each_other(tmp_path: Path) -> None:
    label = 'class = "hand-100kHz"\ncalibrated = 2026-03-01\ndue = '
    good = GOOD.replace('class = "hand-100kHz"', label + "2027-03-01")
    meter = load_scenario(written(tmp_path, good)).impedance_meter
    assert meter is not None
    assert (meter.calibrated, meter.due) == (date(2026, 3, 1), date(2027, 3, 1))
    bad = GOOD.replace('class = "hand-100kHz"', label + "2025-03-01")
    assert any("before the calibration" in problem for problem in problems(tmp_path, bad))


def test_a_scenario_without_specimens_is_refused(tmp_path: Path) -> None:
    assert any("nothing to measure" in p for p in problems(tmp_path, GOOD.split("[[spec")[0]))


def test_a_name_that_no_scenario_has_is_refused_with_a_suggestion() -> None:
    with pytest.raises(TextError, match='did you mean "harbour-buoys"'):
        load_scenario("harbor-buoys")


def test_a_file_that_is_not_toml_or_not_there_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(TextError, match="line 1: not TOML"):
        load_scenario(written(tmp_path, "schema = = 1"))
    with pytest.raises(TextError, match=r"missing\.toml"):
        load_scenario(tmp_path / "missing.toml")


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("470 nH", "H", 470e-9),
        ("0.5 mΩ", "ohm", 0.5e-3),
        ("0.5mohm", "ohm", 0.5e-3),
        ("2.2 µF", "F", 2.2e-6),
        ("2.2 μF", "F", 2.2e-6),
        ("2.2uF", "F", 2.2e-6),
        ("10 MΩ", "ohm", 10e6),
        ("-5 °C", "degC", -5.0),
        ("40 %", "%", 0.4),
        ("1e3 Hz", "Hz", 1e3),
        (3, "", 3.0),
    ],
)
def test_quantities_are_read_in_si(text: object, unit: str, value: float) -> None:
    assert quantity(text, unit) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("0,5 mΩ", "ohm"),
        ("5", "ohm"),
        (5, "ohm"),
        ("5 mF", "ohm"),
        ("5 xΩ", "ohm"),
        ("5 m°C", "degC"),
        ("5 ohm", "%"),
        (True, ""),
        ("1e999 Hz", "Hz"),
        ("nan Hz", "Hz"),
        ([], "Hz"),
        ("", "Hz"),
    ],
)
def test_what_is_not_a_quantity_is_refused(text: object, unit: str) -> None:
    with pytest.raises(ValueError):
        quantity(text, unit)


@given(st.text(max_size=20))
def test_any_text_is_a_quantity_or_a_value_error(text: str) -> None:
    try:
        value = quantity(text, "ohm")
    except ValueError:
        return
    assert abs(value) < float("inf")
