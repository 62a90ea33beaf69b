"""A part that is still warm, with doubles: it is watched, read again cold, or told to cool.

The double's leakage doubles every 10 K and its forward voltage falls by 2.3 mV/K (common practice,
no source). Not covered: real cooling, what siblings say of warmth (tests/judging).
"""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from labbench.jobs.switch_warmth import retest_cold
from labbench.procedures.switch.body_diode import wait_until_cool
from labbench.procedures.switch.conditions import switch_conditions
from labbench.procedures.switch.hot_short import may_be_hot, short_or_hot
from labbench.procedures.switch.screen import screen
from labbench.procedures.switch.sequence import SwitchTaken, switch_sequence
from labbench.procedures.switch.short_check import any_short, short_check
from labbench.records.journal import JournalEvent, read_journal
from labbench.results import Characteristic, Judgement
from tests.procedures.switch.types import NFET
from tests.switch_doubles import Part, SwitchRig


class WarmPart(Part):
    """Cool with the bench's clock from `excess_k` above the room; cold it leaks 24 V / 80 Mohm."""

    def __init__(self, rig: SwitchRig, excess_k: float, tau_s: float, cold_ohm: float) -> None:
        super().__init__()
        self._rig, self._excess_k, self._tau_s, self._cold_ohm = rig, excess_k, tau_s, cold_ohm
        self._began_s = rig.clock.monotonic_s()

    def current(self, hookup: str, volts: float, gate_v: float) -> float:
        passed_s = self._rig.clock.monotonic_s() - self._began_s
        warm_k = self._excess_k * math.exp(-passed_s / self._tau_s)
        self.drain_ohm = self._cold_ohm * 2.0 ** (-warm_k / 10.0)
        self.diode_a = 1e-12 * math.exp(2.3e-3 * warm_k / 0.0257)
        return super().current(hookup, volts, gate_v)


def run(rig: SwitchRig, part: WarmPart, *, lately_lifted: bool = False) -> SwitchTaken:
    rig.world.part = part
    taken = switch_sequence(
        rig.bench, switch_conditions(NFET), position="Q3", capacitance_f=220e-6,
        drain_limit_a=1e-6, lately_lifted=lately_lifted,
    )  # fmt: skip
    rig.bench.make_safe()
    assert not any(one.on for one in rig.world.channel.values())
    return taken


def test_a_warm_leak_is_watched_until_the_part_is_cool_and_read_again(tmp_path: Path) -> None:
    rig = SwitchRig(tmp_path)
    taken = run(rig, WarmPart(rig, 25.0, 12.0, 26e6))
    assert taken.warmth is not None
    assert taken.warmth.was_warm
    assert taken.warmth.still
    assert taken.stopped_at is None
    assert taken.drain[1].current_a == pytest.approx(24.0 / 26e6, rel=0.06)


def test_a_part_that_goes_on_cooling_is_told_to_be_tested_cold_and_nothing_of_it_is_kept(
    tmp_path: Path,
) -> None:
    rig = SwitchRig(tmp_path)
    taken = run(rig, WarmPart(rig, 40.0, 200.0, 80e6))
    assert taken.why is not None
    assert "retest cold" in taken.why
    assert taken.drain == ()
    assert taken.diode == ()
    judged = retest_cold(failed(), taken)
    assert judged.disposition == "undecided"
    assert judged.would_decide[0].text.startswith("retest cold: wait ")
    assert all(c.verdict != "fails" for c in judged.characteristics)


def test_a_cold_leak_stands_still_and_is_kept(tmp_path: Path) -> None:
    rig = SwitchRig(tmp_path)
    taken = run(rig, WarmPart(rig, 0.0, 15.0, 12e6))
    assert taken.warmth is not None
    assert not taken.warmth.was_warm
    assert len(taken.warmth.diode) == 2
    assert taken.drain[1].current_a == pytest.approx(2e-6, rel=0.02)
    assert retest_cold(failed(), taken).disposition == "unfit"


def test_a_leak_that_no_warmth_explains_is_not_waited_for(tmp_path: Path) -> None:
    rig = SwitchRig(tmp_path)
    taken = run(rig, WarmPart(rig, 0.0, 15.0, 24.0 / 40e-6))
    assert taken.warmth is None
    assert taken.stopped_at == "drain-leakage"


def test_a_part_that_was_lifted_lately_is_watched_before_anything_is_read(tmp_path: Path) -> None:
    rig = SwitchRig(tmp_path)
    taken = run(rig, WarmPart(rig, 8.0, 10.0, 3e9), lately_lifted=True)
    assert taken.warmth is not None
    assert taken.warmth.still
    steps = [e.data["name"] for e in _events(rig)]
    assert steps.index("warmth") < steps.index("short-check") < steps.index("leakage")


def test_a_part_that_cooled_while_it_was_measured_and_failed_is_not_failed_for_it(
    tmp_path: Path,
) -> None:
    rig = SwitchRig(tmp_path)
    # below its limit while warm, so nobody watched; what failed may be warmth all the same
    taken = run(rig, WarmPart(rig, 40.0, 25.0, 120e6))
    assert taken.warmth is None
    assert retest_cold(failed(), taken).disposition == "undecided"


def test_no_diode_to_read_is_no_warmth(tmp_path: Path) -> None:
    rig = SwitchRig(tmp_path)
    assert rig.world.part is not None
    rig.world.part.diode_a = 1e-60
    found = wait_until_cool(rig.bench, mirrored=False, position="Q3")
    assert not found.was_warm
    assert not found.still_cooling


def test_a_part_that_is_hot_reads_short_is_watched_and_measured_once_it_is_cool(
    tmp_path: Path,
) -> None:
    rig = SwitchRig(tmp_path)
    # 200 °C, and nobody said so
    taken = run(rig, WarmPart(rig, 177.0, 12.0, 3e9))
    assert taken.warmth is not None
    assert taken.warmth.was_warm
    assert taken.stopped_at is None
    assert min(one.ohm for one in taken.short) > 1e4
    steps = [e.data["name"] for e in _events(rig)]
    assert steps.index("short-check") < steps.index("warmth") < steps.index("leakage")


def test_a_part_that_is_hot_for_long_is_never_called_short(tmp_path: Path) -> None:
    rig = SwitchRig(tmp_path)
    taken = run(rig, WarmPart(rig, 177.0, 60.0, 3e9))
    assert taken.short == ()
    assert taken.why is not None
    assert "retest cold" in taken.why
    assert retest_cold(failed(), taken).disposition == "undecided"


@pytest.mark.parametrize("ohm", [1.0, 50.0, 900.0])
def test_a_true_short_stays_one_after_a_look_at_its_warmth(tmp_path: Path, ohm: float) -> None:
    rig = SwitchRig(tmp_path)
    taken = run(rig, WarmPart(rig, 0.0, 15.0, ohm))
    assert taken.stopped_at == "short-check"
    assert taken.warmth is None or not taken.warmth.was_warm
    assert taken.short[-1].ohm == pytest.approx(ohm, rel=0.1)
    assert retest_cold(failed(), taken).disposition == "unfit"


def test_a_hot_part_with_a_true_short_is_short_cold_as_well(tmp_path: Path) -> None:
    class HotAndShort(WarmPart):
        def current(self, hookup: str, volts: float, gate_v: float) -> float:
            return super().current(hookup, volts, gate_v) + volts / 400.0

    rig = SwitchRig(tmp_path)
    taken = run(rig, HotAndShort(rig, 240.0, 12.0, 60e6))
    assert taken.warmth is not None
    assert taken.warmth.was_warm
    assert taken.stopped_at == "short-check"
    assert taken.short[-1].ohm == pytest.approx(400.0, rel=0.1)


def test_a_metal_short_is_not_waited_for(tmp_path: Path) -> None:
    rig = SwitchRig(tmp_path)
    taken = run(rig, WarmPart(rig, 0.0, 15.0, 0.1))
    assert taken.stopped_at == "short-check"
    assert "warmth" not in [e.data["name"] for e in _events(rig)]


def test_a_hot_part_is_told_from_a_short_where_a_display_is_read_by_hand(tmp_path: Path) -> None:
    rig = SwitchRig(tmp_path)
    rig.multimeter.by_hand = True
    rig.world.part = WarmPart(rig, 240.0, 15.0, 3e9)
    found = short_check(rig.bench, mirrored=False, schottky=False, position="Q3")
    assert may_be_hot(found)
    warmth = short_or_hot(rig.bench, found[-1], mirrored=False, schottky=False, position="Q3")
    assert warmth.was_warm
    assert not any_short(short_check(rig.bench, mirrored=False, schottky=False, position="Q3"))
    rig.bench.make_safe()


def test_what_reads_short_gets_no_more_than_a_fifth_of_a_volt_until_it_is_none(
    tmp_path: Path,
) -> None:
    rig = SwitchRig(tmp_path)
    run(rig, WarmPart(rig, 177.0, 60.0, 3e9))
    events = read_journal(rig.path).events
    begun = [e.data["name"] for e in events if e.kind == "step-begun"]
    before = begun.index("warmth") if "warmth" in begun else len(begun)
    assert begun[:before].count("short-check") > 3
    assert before < len(begun) or max(volts for _, volts, _ in rig.supply.programmed) <= 0.2


def test_a_screen_does_not_call_a_hot_part_short_either(tmp_path: Path) -> None:
    rig = SwitchRig(tmp_path)
    rig.world.part = WarmPart(rig, 240.0, 12.0, 3e9)
    taken = screen(rig.bench, switch_conditions(NFET), position="Q3")
    rig.bench.make_safe()
    assert taken.warmth is not None
    assert taken.warmth.was_warm
    assert taken.stopped_at is None


def _events(rig: SwitchRig) -> list[JournalEvent]:
    return [e for e in read_journal(rig.path).events if e.kind == "step-begun"]


def failed() -> Judgement:
    leak = Characteristic(
        "drain-leakage", {"voltage_v": 24.0}, 2e-6, "A", 1e-8, 0.95, None, 1e-6, "fails", 0.0
    )
    return Judgement("Q3", "nfet", "unfit", (), (leak,), ())
