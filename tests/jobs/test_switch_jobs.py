"""The jobs around a switch: what is made of its readings, which way is taken, the word in place.

Not covered: the steps (tests/procedures/switch), judging, the simulated bench (tests/end_to_end).
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from labbench.jobs.in_place import word_of
from labbench.jobs.request import chosen_way
from labbench.jobs.switch_blocks import blocks_of, switch_blocks
from labbench.jobs.switch_measuring import beyond_this_way
from labbench.metrology.accuracy import multimeter_accuracy, supply_accuracy
from labbench.metrology.expected import BenchAccuracies
from labbench.procedures.switch.conditions import switch_conditions
from labbench.procedures.switch.sequence import SwitchTaken, switch_sequence
from labbench.procedures.switch.session_check import SessionCheck
from labbench.procedures.switch.taken import LeakTaken, ShortTaken
from labbench.records.open_fixture_file import (
    read_open_fixture,
    read_session_check,
    save_open_fixture,
    save_session_check,
)
from labbench.records.readings_file import readings_from_json, readings_to_json
from labbench.reports.budgets import budget_title
from labbench.results import Readings
from tests.procedures.switch.types import NFET
from tests.switch_doubles import SwitchRig

ACCURACIES = BenchAccuracies(
    multimeter=multimeter_accuracy("6.5-digit"), supply=supply_accuracy("1mV-1mA")
)


def leak(across_v: float | None, **more: object) -> LeakTaken:
    given: dict[str, object] = {
        "hookup": "fet-drain-100k", "set_v": 24.0, "supply_v": 24.0, "across_v": across_v,
        "series_ohm": 100e3, **more,
    }  # fmt: skip
    return LeakTaken(**given)  # type: ignore[arg-type]


def test_the_blocks_of_a_sound_part_are_a_readings_line_that_can_be_read_again(
    tmp_path: Path,
) -> None:
    rig = SwitchRig(tmp_path)
    taken = switch_sequence(rig.bench, switch_conditions(NFET), position="Q3", drain_limit_a=1e-6)
    rig.bench.make_safe()
    rig.journal.close("done", "")
    readings = Readings("Q3", "nfet", **blocks_of(taken, ACCURACIES))
    again = readings_from_json(readings_to_json(readings))
    assert again == readings
    assert [block.voltage_v for block in again.gate_leakage] == [5.0, 10.0, -5.0, -10.0]
    assert [block.voltage_v for block in again.drain_leakage] == [3.0, 24.0, 24.0]
    assert [block.repeat for block in again.drain_leakage] == [False, False, True]
    assert [block.gate_source_v for block in again.on_resistance] == [4.5, 10.0]
    assert again.threshold[0].voltage_v == pytest.approx(1.7, abs=2e-3)
    # 1 mF is assumed where nobody says: the diode is then read at 10 mA and led on to 100 mA
    assert again.body_diode[1].current_a == 0.1
    assert again.body_diode[1].voltage_v == pytest.approx(
        rig.world.part and 0.0257 * 25.328, abs=5e-3
    )


def test_the_multimeter_beside_the_resistor_takes_its_share_of_the_current() -> None:
    """Hand arithmetic: 0.1 V across 1 MΩ beside 10 MΩ is 110 nA, not 100."""
    block = blocks_of(
        SwitchTaken(drain=(leak(0.1, series_ohm=1e6),)), ACCURACIES
    )["drain_leakage"][0]  # fmt: skip
    assert block.current_a == pytest.approx(110e-9, rel=1e-9)


def test_what_the_empty_jig_read_is_taken_off_and_its_absence_widens_the_budget() -> None:
    with_zero, without = blocks_of(
        SwitchTaken(drain=(leak(1e-3, open_v=2e-5), leak(1e-3))), ACCURACIES
    )["drain_leakage"]
    assert with_zero.current_a == pytest.approx(0.98e-3 * (1e-5 + 1e-7))
    assert with_zero.u_current_a < without.u_current_a


def test_the_stated_interval_of_a_small_leak_is_two_tenths_of_a_percent_and_100_pa() -> None:
    block = blocks_of(SwitchTaken(drain=(leak(0.5, open_v=0.0),)), ACCURACIES)["drain_leakage"][0]
    assert 2 * block.u_current_a < 0.005 * block.current_a + 200e-12


def test_every_value_has_its_budget_and_the_declared_allowance_is_a_line_of_a_leak(
    tmp_path: Path,
) -> None:
    rig = SwitchRig(tmp_path)
    taken = switch_sequence(rig.bench, switch_conditions(NFET), position="Q3", drain_limit_a=1e-6)
    rig.bench.make_safe()
    rig.journal.close("done", "")
    made = switch_blocks(taken, ACCURACIES)
    assert [budget.name for budget in made.budgets] == [
        *["gate-leakage"] * 4, *["drain-leakage"] * 2, *["body-diode"] * 2, *["threshold"] * 2,
        *["on-resistance"] * 2,
    ]  # fmt: skip
    for budget in made.budgets[:6]:
        shares = {line.label: line.share for line in budget.lines}
        assert shares["fixture, air and dirt (declared allowance)"] > 0.0
    drain = made.blocks["drain_leakage"][1]
    assert made.budgets[5].u == drain.u_current_a
    assert budget_title(made.budgets[5]).startswith(
        "drain leakage at 24 V: 7.998 nA ± 280 pA (95 %"
    )


def test_a_tolerance_of_the_bench_file_is_the_one_that_counts() -> None:
    taken = SwitchTaken(drain=(leak(0.5, open_v=0.0),))
    usual = blocks_of(taken, ACCURACIES)["drain_leakage"][0]
    poor = blocks_of(taken, ACCURACIES, {100e3: 0.05})["drain_leakage"][0]
    assert poor.u_current_a > 10.0 * usual.u_current_a


def test_the_voltage_of_a_leak_is_what_the_part_saw_and_not_what_was_set() -> None:
    """By hand: 2.4 V of 24 V across the resistor leave 21.6 V."""
    near, far = blocks_of(
        SwitchTaken(drain=(leak(1e-3, open_v=0.0), leak(2.4, open_v=0.0))), ACCURACIES
    )["drain_leakage"]
    assert near.voltage_v == 24.0
    assert far.voltage_v == pytest.approx(21.6)


def test_a_leak_beyond_the_range_is_a_bound_and_an_unsteady_one_no_number() -> None:
    over, unsteady = blocks_of(
        SwitchTaken(drain=(leak(None), leak(0.1, status="unstable", set_v=3.0))),
        ACCURACIES,
    )["drain_leakage"]
    assert (over.current_a, over.status) == (None, "over-range")
    assert over.greater_than_a == pytest.approx(12.0 * (1e-5 + 1e-7))
    assert (unsteady.current_a, unsteady.status) == (None, "unstable")


def test_without_a_multimeter_only_the_short_check_becomes_a_block() -> None:
    only_supply = BenchAccuracies(supply=supply_accuracy("1mV-1mA"))
    short = ShortTaken(path="drain-source", supply_v=0.2, across_v=None, current_a=0.0)
    assert set(blocks_of(SwitchTaken(short=(short,)), only_supply)) == {"short_check"}


def test_what_a_bench_or_a_screen_cannot_measure_caps_the_word() -> None:
    taken = SwitchTaken(missing={"on-resistance": "too slow"})
    assert beyond_this_way(taken, "full") == ("on_resistance",)
    assert beyond_this_way(SwitchTaken(), "screen") == ("on_resistance", "threshold")
    assert beyond_this_way(SwitchTaken(), "full") == ()


@pytest.mark.parametrize(
    ("family", "asked", "has_relays", "way"),
    [
        ("mosfet", None, False, "screen"),
        ("mosfet", None, True, "full"),
        ("mosfet", "full", False, "full"),
        ("mosfet", "screen", True, "screen"),
        ("coil", None, False, "full"),
        ("mosfet", "in-place", False, "in-place"),
    ],
)
def test_by_hand_a_switch_gets_the_quick_check_unless_told_otherwise(
    family: str, asked: str | None, has_relays: bool, way: str
) -> None:
    assert chosen_way(family, asked, has_relays=has_relays) == way


def in_place(drain: float, source: float, gate: float) -> list[ShortTaken]:
    return [
        ShortTaken(path=path, polarity=polarity, supply_v=0.2, across_v=0.2 * 100 / (100 + ohm))
        for path, polarity, ohm in (
            ("drain-source", "+", drain),
            ("drain-source", "-", source),
            ("gate-source", "+", gate),
        )
    ]  # type: ignore[misc]


@pytest.mark.parametrize(
    ("ohms", "word"),
    [
        ((1e6, 1e5, 1e4), "worth lifting"),
        ((5.0, 5.0, 1e4), "cannot tell"),
        ((1e6, 1e6, 20.0), "leave it"),
        ((1e6, 1e6, 500.0), "cannot tell"),
    ],
)
def test_on_its_board_a_low_path_may_be_a_neighbour_but_a_low_gate_is_not(
    ohms: tuple[float, float, float], word: str
) -> None:
    assert word_of(in_place(*ohms))[0] == word


def test_the_empty_jig_is_remembered_for_a_session_and_for_its_own_bench(tmp_path: Path) -> None:
    path, now = tmp_path / "open.json", datetime(2026, 11, 25, 8, tzinfo=UTC)
    save_open_fixture(path, "bench-1", now, {("fet-drain-100k", 24.0): 3e-6})
    save_open_fixture(path, "bench-2", now, {("fet-drain-100k", 24.0): 9e-6})
    assert read_open_fixture(path, "bench-1", now) == {("fet-drain-100k", 24.0): 3e-6}
    assert read_open_fixture(path, "bench-1", now + timedelta(hours=9)) == {}
    assert read_open_fixture(path, "bench-3", now) == {}
    path.write_text("torn", encoding="utf-8")
    assert read_open_fixture(path, "bench-1", now) == {}


def test_a_session_check_is_kept_beside_the_empty_jig_and_neither_takes_the_other_away(
    tmp_path: Path,
) -> None:
    path, now = tmp_path / "open.json", datetime(2026, 11, 25, 8, tzinfo=UTC)
    assert read_session_check(path, "bench-1", now) is None
    save_session_check(path, "bench-1", now, {"check_ohm": 1.0004e6})
    assert read_open_fixture(path, "bench-1", now) == {}
    save_open_fixture(path, "bench-1", now, {("fet-drain-100k", 24.0): 3e-6})
    save_session_check(path, "bench-1", now + timedelta(hours=1), {"check_ohm": 1.0005e6})
    assert read_open_fixture(path, "bench-1", now) == {("fet-drain-100k", 24.0): 3e-6}
    found = read_session_check(path, "bench-1", now + timedelta(hours=2))
    assert found == {"check_ohm": 1.0005e6}
    assert read_session_check(path, "bench-1", now + timedelta(hours=10)) is None
    assert read_session_check(path, "bench-2", now) is None


@pytest.mark.parametrize(
    ("across_v", "zero_v", "short_v", "words"),
    [
        (10.0 * 99e3 / 1.099e6, 3e-6, 5e-6, ()),
        (10.0 * 99e3 / 1.12e6, 3e-6, 5e-6, ("check resistor of 1 MΩ reads 1.02",)),
        (10.0 * 99e3 / 1.099e6, 90e-6, 5e-6, ("90 µV without current",)),
        (10.0 * 99e3 / 1.099e6, 3e-6, 400e-6, ("7.9 mΩ on the strip",)),
        (None, None, None, ("check resistor", "over range")),
    ],
)
def test_a_session_check_says_everything_that_is_wrong(
    across_v: float | None, zero_v: float | None, short_v: float | None, words: tuple[str, ...]
) -> None:
    """By hand: 100 kΩ beside 10 MΩ is 99.0 kΩ; 50 mA through the strip."""
    if across_v is not None:
        across_v *= 99.0099 / 99.0
    check = leak(across_v, set_v=10.0, supply_v=10.0)
    found = SessionCheck(check=check, zero_v=zero_v, short_v=short_v, short_a=0.05).problems
    assert len(found) == len(words), found
    for text, wanted in zip(found, words, strict=True):
        assert wanted in text
