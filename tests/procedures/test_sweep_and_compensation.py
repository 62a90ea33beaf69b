"""Check sweeps and the readings of a compensation, and that a plan knows the bench.

Not covered: what compensation does with the readings (metrology), accuracy of any meter.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from labbench.errors import InputError, LinkLost, StepAborted
from labbench.parts.coil_type import CoilType, InductanceLimit, ResistanceLimit
from labbench.procedures.compensation import take_open_short
from labbench.procedures.plan import coil_plan
from labbench.procedures.sweep import (
    SweepSettings,
    impedance_sweep,
    sweep_frequencies,
    sweep_settings,
)
from labbench.procedures.visual import look
from labbench.records.journal import read_journal
from tests.doubles import Rig, coil


def part(frequency_hz: float = 1e5, level_v: float | None = 0.1) -> CoilType:
    return CoilType(
        name="coil-470n",
        inductance=(InductanceLimit(470e-9, 376e-9, 564e-9, frequency_hz, level_v),),
        dc_resistance=(ResistanceLimit(1.5e-3, 1.35e-3, 1.65e-3),),
    )


def test_frequencies_stay_in_reach_of_the_meter_and_ascend() -> None:
    assert sweep_frequencies(None, (20.0, 1e6)) == (1e3, 1e4, 1e5, 3e5, 1e6)
    assert sweep_frequencies(None, (20.0, 1e5)) == (1e3, 1e4, 1e5)
    assert sweep_frequencies(None, (20.0, 3e5)) == (1e3, 1e4, 1e5, 3e5)


def test_the_frequency_of_a_limit_is_always_among_them_once() -> None:
    assert sweep_frequencies(part(250e3), (20.0, 1e6)) == (1e3, 1e4, 1e5, 250e3, 3e5, 1e6)
    assert sweep_frequencies(part(1e5), (20.0, 1e6)) == (1e3, 1e4, 1e5, 3e5, 1e6)
    assert sweep_frequencies(part(100.0001e3), (20.0, 1e6)) == (1e3, 1e4, 1e5, 3e5, 1e6)


def test_a_meter_that_reaches_none_of_them_is_one_clear_sentence() -> None:
    with pytest.raises(StepAborted, match="cannot sweep"):
        sweep_frequencies(None, (2e6, 3e6))


def test_the_level_is_the_types_own_up_to_half_a_volt() -> None:
    assert sweep_settings(part(level_v=0.25)).level_v == 0.25
    assert sweep_settings(part(level_v=1.0)).level_v == 0.5
    assert sweep_settings(part(level_v=None)).level_v == 0.1
    assert sweep_settings(None).level_v == 0.1


def test_a_sweep_gives_raw_readings_in_order_with_their_conditions(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    settings = SweepSettings(level_v=0.2, aperture_s=0.3, averages=2, repeats=2)
    sweep = impedance_sweep(rig.bench, (1e3, 1e5), position="D3", settings=settings)
    assert [r.conditions.frequency_hz for r in sweep.readings] == [1e3, 1e5, 1e3, 1e5]
    assert sweep.readings[1].reactance_ohm == pytest.approx(coil(1e5, 0.0).imag)
    assert {r.conditions.level_v for r in sweep.readings} == {0.2}
    assert {r.conditions.averages for r in sweep.readings} == {2}
    assert sweep.position == "D3"
    assert set(rig.world.closed) == {103, 201, 202}
    assert rig.impedance_meter.prepared == 1


def test_an_open_part_is_swept_to_the_end(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    rig.world.impedance = lambda f, now_s: None if f < 1e5 else coil(f, now_s)
    sweep = impedance_sweep(rig.bench, (1e3, 1e5), position="D3")
    assert [r.status for r in sweep.readings] == ["over-range", "ok"]
    assert sweep.readings[0].resistance_ohm is None


@pytest.mark.parametrize("frequencies", [(), (1e5, 1e3), (1e3, 1e3)])
def test_frequencies_that_do_not_ascend_are_refused(
    tmp_path: Path, frequencies: tuple[float, ...]
) -> None:
    rig = Rig(tmp_path)
    with pytest.raises(InputError):
        impedance_sweep(rig.bench, frequencies, position="D3")
    assert rig.exchanges.names == []


def test_a_link_lost_once_repeats_the_whole_sweep_and_voids_the_first(tmp_path: Path) -> None:
    whole = Rig(tmp_path)
    impedance_sweep(whole.bench, (1e3, 1e4, 1e5), position="D3")
    calls = list(whole.exchanges.names)
    first = calls.index("impedance_meter.prepare")
    for number in range(first, len(calls)):
        folder = tmp_path / str(number)
        folder.mkdir()
        rig = Rig(folder)
        rig.exchanges.fail_at = number
        rig.exchanges.acts_first = number % 2 == 0
        sweep = impedance_sweep(rig.bench, (1e3, 1e4, 1e5), position="D3")
        assert [r.conditions.frequency_hz for r in sweep.readings] == [1e3, 1e4, 1e5]
        back = read_journal(rig.path)
        assert [event.data["step"] for event in back.valid_readings()] == ["sweep#2"] * 3
        assert len(back.of_kind("recovered")) == 1


def test_a_link_lost_for_good_gives_no_valid_reading(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    rig.exchanges.fail_at = 8
    rig.exchanges.reopens = False
    with pytest.raises(LinkLost):
        impedance_sweep(rig.bench, (1e3, 1e4, 1e5), position="D3")
    assert read_journal(rig.path).valid_readings() == ()


def test_open_and_short_are_taken_by_relays_several_times(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    rig.world.impedance = lambda f, _: None if 198 in rig.world.closed else complex(5e-3, 1e-8 * f)
    taken = take_open_short(rig.bench, (1e3, 1e5))
    assert [r.status for r in taken.open.readings] == ["over-range"] * 6
    assert [r.conditions.frequency_hz for r in taken.short.readings] == [1e3, 1e5] * 3
    assert {r.resistance_ohm for r in taken.short.readings} == {5e-3}
    assert (taken.open.position, taken.short.position) == ("open", "short")
    assert taken.taken_utc.startswith("2026-11-25T08:0")


def test_open_and_short_are_asked_of_a_person(tmp_path: Path) -> None:
    rig = Rig(
        tmp_path,
        ("hookup", "coil-impedance", "done"), ("place", "open", "done"), ("place", "short", "done"),
        by_person=True,
    )  # fmt: skip
    take_open_short(rig.bench, (1e3,))
    rig.operator.finish()


def test_what_a_person_saw_is_asked_once(tmp_path: Path) -> None:
    rig = Rig(tmp_path, ("look", "look", "cracked"))
    assert look(rig.bench, "D3").seen == "cracked"
    assert rig.operator.asked[0].detail == {"specimen": "D3"}
    rig.operator.finish()


def test_a_plan_looks_first_and_energises_last(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    plan = coil_plan(part(), rig.bench)
    assert [step.name for step in plan] == ["look", "contact", "sweep", "dc-resistance"]
    assert [step.energises for step in plan] == [False, False, False, True]
    assert plan[3].detail == {"method": "multimeter-on-off"}
    assert all(step.missing is None for step in plan)


@pytest.mark.parametrize(
    ("without", "method"),
    [
        ((), "multimeter-on-off"),
        (("multimeter",), "supply-readback"),
        (("supply",), "impedance-meter"),
        (("supply", "multimeter"), "impedance-meter"),
        (("supply", "multimeter", "impedance_meter"), None),
    ],
)
def test_a_plan_takes_the_best_that_the_bench_has(
    tmp_path: Path, without: tuple[str, ...], method: str | None
) -> None:
    step = coil_plan(part(), Rig(tmp_path, without=without).bench)[-1]
    assert step.detail.get("method") == method
    assert (step.missing is not None) == (method is None)


def test_a_plan_names_limits_that_the_meter_cannot_reach(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    rig.impedance_meter.frequency_range_hz = (20.0, 1e5)
    step = coil_plan(part(1e6), rig.bench)[2]
    assert step.detail["limits_out_of_reach_hz"] == (1e6,)
    assert step.detail["frequencies_hz"] == (1e3, 1e4, 1e5)
