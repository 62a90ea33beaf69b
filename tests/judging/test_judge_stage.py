"""Check what is said of power stages: each fault by its path, from the readings that it moves.

The readings of faults follow the table of the device model (which step moves, and by how much),
written here by hand. Does not cover: rates over populations, the measuring.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from attrs import evolve

from labbench.judging.judge import judge
from labbench.judging.stage import judge_stage
from labbench.parts.library import find_part_type
from labbench.parts.stage_type import StageType
from labbench.results import Finding, Readings, StageReading

Key = tuple[str, str, str]

#: step, path, word of the state -> value, unit
SOUND: dict[Key, tuple[float, str]] = {
    ("short", "vin-sw", "+"): (2.4e6, "ohm"),
    ("short", "sw-pgnd", "+"): (3.9e5, "ohm"),
    ("short", "vin-pgnd", "+"): (2.1e6, "ohm"),
    ("short", "vdrv-pgnd", "+"): (4.5e5, "ohm"),
    ("short", "boot-sw", "+"): (3e5, "ohm"),
    ("short", "pwm-pgnd", "+"): (1.3e5, "ohm"),
    ("short", "en-pgnd", "+"): (1e5, "ohm"),
    ("body-diode", "vin-sw", ""): (0.577, "V"),
    ("body-diode", "sw-pgnd", ""): (0.552, "V"),
    ("hs-leak", "vin-sw", ""): (1e-8, "A"),
    ("ls-leak", "sw-pgnd", ""): (3e-5, "A"),
    ("vin-leak", "vin-pgnd", ""): (5.8e-6, "A"),
    ("driver-supply", "vdrv-pgnd", "standby"): (86e-6, "A"),
    ("driver-supply", "vdrv-pgnd", "open"): (2.06e-3, "A"),
    ("driver-supply", "vdrv-pgnd", "low"): (2.23e-3, "A"),
    ("driver-supply", "vdrv-pgnd", "high"): (2.23e-3, "A"),
    ("undervoltage", "vdrv-pgnd", "rising"): (3.9, "V"),
    ("undervoltage", "vdrv-pgnd", "falling"): (3.5, "V"),
    ("pwm-open", "pwm", ""): (1.55, "V"),
    ("on-resistance", "sw-pgnd", ""): (2.37e-3, "ohm"),
    ("on-resistance", "vin-sw", ""): (6.8e-3, "ohm"),
    ("tri-state", "vin-sw", ""): (2e6, "ohm"),
    ("tri-state", "sw-pgnd", ""): (4e5, "ohm"),
}
STATE_KEY = {
    "short": "polarity", "driver-supply": "drive", "undervoltage": "edge",
}  # fmt: skip
SPREAD = {
    "short": 0.09, "body-diode": 0.003, "hs-leak": 0.35, "ls-leak": 0.085, "vin-leak": 0.08,
    "driver-supply": 0.002, "undervoltage": 0.012, "pwm-open": 0.02, "on-resistance": 0.015,
    "tri-state": 0.1,
}  # fmt: skip


def part_type() -> StageType:
    part = find_part_type("stage-25v-50a")
    assert isinstance(part, StageType)
    return part


TYPE = part_type()
BARE = StageType(name="stage-25v-50a")


def reading(key: Key, value: float | None, unit: str) -> StageReading:
    step, path, word = key
    state = {STATE_KEY[step]: word} if word else {}
    if value is None:
        bound = {"A": None, "V": 3.0, "ohm": 50.0}[unit]
        return StageReading(step, path, None, unit, state=state, status="over-range",  # type: ignore[arg-type]
                            greater_than=bound)  # fmt: skip
    return StageReading(step, path, value, unit, max(2e-3 * abs(value), 1e-10), state)  # type: ignore[arg-type]


def stage(changes: dict[Key, float | None] | None = None, **more: Any) -> Readings:
    values = {key: value for key, (value, _) in SOUND.items()} | (changes or {})
    given = {"specimen": "U3", "type": "stage-25v-50a", "lot": "b", "temperature_c": 25.0} | more
    return Readings(**given, stage=tuple(reading(key, values[key], SOUND[key][1]) for key in SOUND))


def siblings(count: int = 5) -> list[Readings]:
    rng = np.random.default_rng(5)
    return [
        stage(
            {key: value * (1 + SPREAD[key[0]] * rng.normal()) for key, (value, _) in SOUND.items()},
            specimen=f"S{k}", role="sibling",
        )
        for k in range(count)
    ]  # fmt: skip


def is_named(finding: Finding, fault: str, path: str | None) -> bool:
    return (finding.fault, finding.path) == (fault, path) or any(
        other in (fault, f"{fault} {path}") for other in finding.alternatives
    )


def test_a_sound_stage_is_fit_with_and_without_siblings() -> None:
    assert judge_stage(stage(), TYPE).disposition == "fit"
    assert judge_stage(stage(), TYPE, siblings=siblings()).disposition == "fit"
    assert judge(stage(), TYPE, siblings=siblings()).disposition == "fit"


def test_without_limits_a_sound_stage_is_plausible() -> None:
    assert judge_stage(stage(), BARE, siblings=siblings()).disposition == "plausible"
    assert judge_stage(stage(), BARE).disposition == "plausible"


FAULTS: list[tuple[str, str | None, dict[Key, float | None]]] = [
    ("short", "vin-sw", {("short", "vin-sw", "+"): 0.05, ("body-diode", "vin-sw", ""): 0.001}),
    ("short", "sw-pgnd", {("short", "sw-pgnd", "+"): 0.02, ("body-diode", "sw-pgnd", ""): 0.001,
                          ("short", "vin-pgnd", "+"): 1.1e6}),
    ("leak", "vin-sw", {("hs-leak", "vin-sw", ""): 1.2e-6}),
    ("leak", "sw-pgnd", {("ls-leak", "sw-pgnd", ""): 9e-5, ("short", "sw-pgnd", "+"): 1.3e5}),
    ("leak", "vin-pgnd", {("vin-leak", "vin-pgnd", ""): 3e-5, ("short", "vin-pgnd", "+"): 4e5,
                          ("short", "vin-sw", "+"): 7e5}),
    ("leak", "vdrv-pgnd", {("driver-supply", "vdrv-pgnd", "standby"): 336e-6,
                           ("driver-supply", "vdrv-pgnd", "open"): 2.31e-3,
                           ("driver-supply", "vdrv-pgnd", "low"): 2.48e-3,
                           ("driver-supply", "vdrv-pgnd", "high"): 2.48e-3,
                           ("short", "vdrv-pgnd", "+"): 1.9e4}),
    ("output-stuck-high", "vin-sw", {("on-resistance", "sw-pgnd", ""): None,
                                     ("tri-state", "vin-sw", ""): 7e-3}),
    ("output-stuck-low", "sw-pgnd", {("on-resistance", "vin-sw", ""): None,
                                     ("tri-state", "sw-pgnd", ""): 2.4e-3}),
    ("output-stuck-off", None, {("on-resistance", "vin-sw", ""): None,
                                ("on-resistance", "sw-pgnd", ""): None}),
    ("lifted-bond", "sw", {("body-diode", "vin-sw", ""): None, ("body-diode", "sw-pgnd", ""): None,
                           ("on-resistance", "vin-sw", ""): None,
                           ("on-resistance", "sw-pgnd", ""): None}),
    ("lifted-bond", "vin", {("on-resistance", "vin-sw", ""): 7.8e-3}),
    ("bootstrap-open", "boot-sw", {("on-resistance", "vin-sw", ""): None,
                                   ("driver-supply", "vdrv-pgnd", "standby"): 30e-6}),
    ("bootstrap-leak", "boot-sw", {("driver-supply", "vdrv-pgnd", "standby"): 556e-6,
                                   ("driver-supply", "vdrv-pgnd", "open"): 2.53e-3,
                                   ("driver-supply", "vdrv-pgnd", "low"): 2.7e-3,
                                   ("driver-supply", "vdrv-pgnd", "high"): 2.7e-3,
                                   ("short", "boot-sw", "+"): 9.7e3}),
    ("leak", "pwm", {("pwm-open", "pwm", ""): 0.34, ("short", "pwm-pgnd", "+"): 4.8e3}),
    ("undervoltage-shift", "vdrv-pgnd", {("undervoltage", "vdrv-pgnd", "rising"): 4.4,
                                         ("undervoltage", "vdrv-pgnd", "falling"): 4.0}),
    ("high-on-resistance", "vin-sw", {("on-resistance", "vin-sw", ""): 8.6e-3}),
    ("high-on-resistance", "sw-pgnd", {("on-resistance", "sw-pgnd", ""): 3.0e-3}),
    ("leak", "hs-gate", {("driver-supply", "vdrv-pgnd", "high"): 2.48e-3}),
    ("leak", "ls-gate", {("driver-supply", "vdrv-pgnd", "low"): 2.48e-3}),
]  # fmt: skip


@pytest.mark.parametrize(("fault", "path", "changes"), FAULTS, ids=lambda x: str(x)[:30])
def test_each_of_the_nineteen_faults_is_found_and_named(
    fault: str, path: str | None, changes: dict[Key, float | None]
) -> None:
    judgement = judge_stage(stage(changes), TYPE, siblings=siblings())
    assert judgement.disposition == "unfit"
    assert is_named(judgement.findings[0], fault, path), judgement.findings
    assert judgement.findings[0].because


def test_a_reason_says_on_which_side_of_a_limit_a_value_lies_and_what_siblings_read() -> None:
    leak = stage({("hs-leak", "vin-sw", ""): 6.88e-6})
    limited = judge_stage(leak, TYPE).findings[0]
    assert limited.because == "hs leak vin-sw 6.88 µA, should be below 1 µA"
    compared = judge_stage(leak, BARE, siblings=siblings()).findings[0]
    assert compared.because.startswith("hs leak vin-sw 6.88 µA, its siblings ")


def test_nineteen_faults_are_tried() -> None:
    assert len(FAULTS) == 19


def test_a_stage_turned_in_its_jig_is_not_judged() -> None:
    turned = stage({
        ("short", "vin-sw", "+"): 2e8, ("short", "sw-pgnd", "+"): 9e7,
        ("short", "vdrv-pgnd", "+"): 5e7, ("short", "pwm-pgnd", "+"): 3e4,
    })  # fmt: skip
    only_short = evolve(turned, stage=tuple(r for r in turned.stage if r.step == "short"))
    judgement = judge_stage(only_short, TYPE, siblings=siblings())
    assert judgement.disposition == "undecided"
    assert judgement.findings[0].fault == "turned-in-jig"
    assert judgement.would_decide[0].action == "press-again"


def test_a_step_not_made_is_asked_for_and_one_beyond_the_bench_is_not() -> None:
    quick = evolve(stage(), stage=tuple(r for r in stage().stage if r.step != "on-resistance"))
    asked = judge_stage(quick, TYPE)
    assert asked.disposition == "undecided"
    assert asked.would_decide[0].action == "measure-on-resistance"
    beyond = judge_stage(quick, TYPE, beyond=("on-resistance",))
    assert beyond.disposition == "plausible"
    assert "not checked: on resistance" in beyond.remarks[0]


def test_a_stage_stopped_at_the_short_check_is_unfit() -> None:
    shorted = stage({("short", "vin-pgnd", "+"): 0.3})
    stopped = evolve(shorted, stage=tuple(r for r in shorted.stage if r.step == "short"))
    judgement = judge_stage(stopped, TYPE)
    assert judgement.disposition == "unfit"
    assert (judgement.findings[0].fault, judgement.findings[0].path) == ("short", "vin-pgnd")


def test_a_leak_that_grew_during_the_steps_is_unstable() -> None:
    again = StageReading("hs-leak", "vin-sw", 3e-8, "A", 1e-10, {}, repeat=True)
    grown = evolve(stage(), stage=(*stage().stage, again))
    judgement = judge_stage(grown, TYPE)
    assert judgement.disposition == "unfit"
    assert "after the other steps" in judgement.findings[0].because


def test_one_bad_sibling_of_five_changes_nothing() -> None:
    others = siblings()
    bad = stage({("on-resistance", "vin-sw", ""): 9.5e-3, ("hs-leak", "vin-sw", ""): 1e-5})
    others[1] = evolve(bad, specimen="S1", role="sibling")
    assert judge_stage(stage(), TYPE, siblings=others).disposition == "fit"
    raised = stage({("on-resistance", "vin-sw", ""): 7.8e-3})
    assert judge_stage(raised, TYPE, siblings=others).disposition == "unfit"
