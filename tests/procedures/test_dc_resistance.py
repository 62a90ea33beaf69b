"""Check the DC resistance procedure: current, compliance, pairs, open parts, every failure.

Not covered: uncertainty and temperature (metrology), what the judge makes of it.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from pathlib import Path

import pytest

from labbench.bench.bench_file import BenchLimits
from labbench.errors import (
    LimitExceeded,
    LinkLost,
    OutputStateUnknown,
    ReplyTimeout,
    SafetyError,
    StepAborted,
)
from labbench.parts.coil_type import CoilType, ResistanceLimit
from labbench.procedures.dc_resistance import best_method, choose_current_a, dc_resistance
from labbench.records.journal import find_unfinished, read_journal
from labbench.results import OnOffPair, ResistanceMeasurement
from tests.doubles import Rig

YES = ("energise", "coil-resistance", "yes")


def part(
    ohm: float | None = 1.5e-3, *, maximum_current_a: float | None = 30.0
) -> CoilType:  # fmt: skip
    limits = () if ohm is None else (ResistanceLimit(ohm, 0.9 * ohm, 1.1 * ohm),)
    return CoilType(name="coil-470n", dc_resistance=limits, maximum_current_a=maximum_current_a)


def measure(rig: Rig, coil: CoilType | None = None, **options: object) -> ResistanceMeasurement:
    return dc_resistance(
        rig.bench, coil or part(), temperature_c=23.0, position="D3", **options  # type: ignore[arg-type]
    )  # fmt: skip


def resistance(pair: OnOffPair) -> float:
    return (pair.on_v - (pair.off_before_v + pair.off_after_v) / 2) / pair.current_a


@pytest.mark.parametrize(
    ("ohm", "amps"),
    [
        (1.5e-3, 3.0),       # sqrt(30 mW / 1.5 mohm) = 4.5 A: 3 A at most
        (16e-3, 1.36),       # 1.369 A
        (0.22, 0.36),        # 0.369 A
        (0.5, 0.3),          # 0.245 A: 0.3 A at least
        (1.0, 0.3),
        (10.0, 0.1),         # 0.3 A would dissipate 0.9 W
        (1000.0, 0.01),
    ],
)  # fmt: skip
def test_the_current_suits_the_resistance(ohm: float, amps: float) -> None:
    assert choose_current_a(ohm, bench_limit_a=10.0) == pytest.approx(amps)


def test_the_current_stays_below_every_limit() -> None:
    assert choose_current_a(1e-3, bench_limit_a=2.0) == 2.0
    assert choose_current_a(1e-3, bench_limit_a=10.0, part_maximum_a=1.2) == 1.2
    assert choose_current_a(1e-3, bench_limit_a=5e-3) == 5e-3


def test_pairs_by_multimeter_cancel_the_thermal_voltage(tmp_path: Path) -> None:
    rig = Rig(tmp_path, YES)
    rig.world.emf_v = 40e-6  # 0.9 % of the drop
    found = measure(rig)
    assert found.method == "multimeter-on-off"
    assert found.status == "ok"
    assert len(found.pairs) == 4
    assert found.set_current_a == 3.0
    assert found.multimeter_range_v == 0.1
    assert found.temperature_c == 23.0
    for pair in found.pairs:
        assert pair.off_before_v == pytest.approx(40e-6)
        assert resistance(pair) == pytest.approx(1.5e-3, rel=1e-4)
    rig.operator.finish()


def test_one_off_reading_serves_the_pair_before_and_the_pair_after(tmp_path: Path) -> None:
    rig = Rig(tmp_path, YES)
    found = measure(rig)
    for one, next_one in zip(found.pairs, found.pairs[1:], strict=False):
        assert one.off_after_v == next_one.off_before_v
    assert rig.exchanges.names.count("multimeter.read") == 4 * 2 + 1


def test_the_compliance_is_the_drop_of_leads_and_part_plus_200_mv(tmp_path: Path) -> None:
    rig = Rig(tmp_path, YES)
    measure(rig)
    # 3 A x (30 mohm + 1.65 mohm) + 0.2 V, down to whole millivolt
    assert {setting.voltage_v for setting in rig.supply.programmed} == {0.294}
    assert {setting.current_a for setting in rig.supply.programmed} == {3.0}
    assert rig.operator.asked[0].detail["amps"] == 3.0
    assert rig.operator.asked[0].detail["volts"] == 0.294


def test_the_bench_limit_holds(tmp_path: Path) -> None:
    rig = Rig(tmp_path, YES, limits=BenchLimits(voltage_v=30.0, current_a=1.0))
    assert measure(rig).set_current_a == 1.0


def test_the_parts_maximum_holds(tmp_path: Path) -> None:
    rig = Rig(tmp_path, YES)
    assert measure(rig, part(maximum_current_a=0.8)).set_current_a == 0.8


def test_a_bench_voltage_limit_below_the_compliance_refuses(tmp_path: Path) -> None:
    rig = Rig(tmp_path, YES, limits=BenchLimits(voltage_v=0.25, current_a=10.0))
    with pytest.raises(LimitExceeded, match="bench file"):
        measure(rig)
    assert not rig.world.on


def test_an_output_capacitor_too_large_for_the_step_refuses(tmp_path: Path) -> None:
    # the step lets 1 mJ into a coil: at 0.294 V that is 23 mF
    rig = Rig(tmp_path, YES, output_capacitance_f=30e-3)
    with pytest.raises(LimitExceeded, match="output capacitor"):
        measure(rig)
    assert "supply.switch_on" not in rig.exchanges.names


def test_nothing_is_energised_before_a_person_agreed(tmp_path: Path) -> None:
    rig = Rig(tmp_path, ("energise", "coil-resistance", "no"))
    with pytest.raises(StepAborted):
        measure(rig)
    assert "supply.program" not in rig.exchanges.names


def test_a_joint_that_adds_resistance_is_measured_with_the_current_that_flows(
    tmp_path: Path,
) -> None:
    rig = Rig(tmp_path, YES)
    rig.world.resistance_ohm = 0.1  # 66 times nominal: the supply ends at its voltage
    found = measure(rig)
    assert found.status == "ok"
    assert found.pairs[0].current_a < 3.0
    assert found.multimeter_range_v == 1.0  # 0.226 V does not fit into the first range
    assert resistance(found.pairs[0]) == pytest.approx(0.1, rel=1e-3)
    back = read_journal(rig.path)
    statuses = [event.data["reading"]["status"] for event in back.valid_readings()]
    assert "over-range" in statuses  # kept in the record, and never taken for data


@pytest.mark.parametrize("ohm", [math.inf, 1e6, 100.0])
def test_an_open_winding_is_over_range_with_a_bound(tmp_path: Path, ohm: float) -> None:
    rig = Rig(tmp_path, YES)
    rig.world.resistance_ohm = ohm
    found = measure(rig)
    assert found.status == "over-range"
    assert found.greater_than_ohm is not None
    assert 1.0 < found.greater_than_ohm < ohm
    assert found.pairs == ()
    assert not rig.world.on


def test_leads_that_do_not_reach_the_part_are_no_open_winding(tmp_path: Path) -> None:
    rig = Rig(tmp_path, YES)
    rig.world.leads_ohm = math.inf
    with pytest.raises(StepAborted, match="check the leads"):
        measure(rig)
    assert not rig.world.on


def test_a_sense_contact_that_does_not_touch_is_no_low_resistance(tmp_path: Path) -> None:
    rig = Rig(tmp_path, YES)
    rig.world.resistance_ohm = 0.0
    with pytest.raises(StepAborted, match="sense contacts"):
        measure(rig)


def test_a_slow_supply_does_not_make_a_current_unstable(tmp_path: Path) -> None:
    rig = Rig(tmp_path, YES)

    def slow(name: str) -> None:
        if name == "supply.read_current":
            rig.clock.advance(3.2)  # one reading fills the time in which it should settle

    rig.exchanges.on_call = slow
    found = measure(rig)
    assert found.status == "ok"
    assert resistance(found.pairs[0]) == pytest.approx(1.5e-3, rel=0.01)


def test_a_current_that_wanders_is_unstable(tmp_path: Path) -> None:
    rig = Rig(tmp_path, YES)

    def wander(name: str) -> None:
        if name == "supply.read_current":
            rig.world.set_a = 2.0 if rig.world.set_a > 2.5 else 3.0

    rig.exchanges.on_call = wander
    found = measure(rig)
    assert (found.status, found.reason) == ("unstable", "current-wanders")
    assert not rig.world.on


def test_a_part_that_still_cools_is_unstable_and_that_is_the_reason(tmp_path: Path) -> None:
    rig = Rig(tmp_path, YES)
    begun = rig.clock.now_s

    def cool(name: str) -> None:
        # 60 K above the room, time constant 90 s; copper
        warm_k = 60.0 * math.exp(-(rig.clock.now_s - begun) / 90.0)
        rig.world.resistance_ohm = 1.5e-3 * (1 + 0.00393 * warm_k)

    rig.exchanges.on_call = cool
    found = measure(rig)
    assert (found.status, found.reason) == ("unstable", "still-warm")
    assert len(found.pairs) == 4


@pytest.mark.parametrize("seed", range(5))
def test_noise_of_a_coarse_meter_is_not_taken_for_cooling(tmp_path: Path, seed: int) -> None:
    rig = Rig(tmp_path, YES)
    rng = random.Random(seed)

    def noise(name: str) -> None:
        if name == "multimeter.read":
            rig.world.emf_v = rng.gauss(0.0, 5e-6)

    rig.exchanges.on_call = noise
    found = measure(rig)
    assert (found.status, found.reason) == ("ok", None)


def test_an_unknown_resistance_is_found_gently_first(tmp_path: Path) -> None:
    rig = Rig(tmp_path, YES)
    found = measure(rig, part(None))
    assert rig.supply.programmed[0].current_a == 0.3
    assert rig.supply.programmed[0].voltage_v <= 0.3 * (0.03 + 1.0) + 0.2
    assert found.set_current_a == 3.0
    assert len(found.pairs) == 4
    assert resistance(found.pairs[0]) == pytest.approx(1.5e-3, rel=1e-3)
    # the person agreed to the largest current that this may come to
    assert rig.operator.asked[0].detail["amps"] == 3.0


def test_an_unknown_resistance_that_is_open_is_over_range(tmp_path: Path) -> None:
    rig = Rig(tmp_path, YES)
    rig.world.resistance_ohm = math.inf
    assert measure(rig, part(None)).status == "over-range"


def test_without_a_multimeter_the_supplys_own_voltage_is_taken(tmp_path: Path) -> None:
    rig = Rig(tmp_path, YES, without=("multimeter",))
    found = measure(rig)
    assert found.method == "supply-readback"
    assert found.multimeter_range_v is None
    # leads included: that is metrology's to take out
    assert resistance(found.pairs[0]) == pytest.approx(31.5e-3, rel=0.02)


def test_without_a_supply_the_impedance_meter_reads_at_its_lowest_frequency(
    tmp_path: Path,
) -> None:
    rig = Rig(tmp_path, without=("supply", "multimeter"))
    found = measure(rig)
    assert found.method == "impedance-meter"
    assert found.pairs == ()
    assert found.sweep is not None
    assert {r.conditions.frequency_hz for r in found.sweep.readings} == {1e3}
    assert len(found.sweep.readings) == 3


def test_a_method_may_be_asked_for(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    assert best_method(rig.bench) == "multimeter-on-off"
    assert measure(rig, method="impedance-meter").method == "impedance-meter"
    assert not [name for name in rig.exchanges.names if name.startswith("supply.switch")]


def test_every_energised_stretch_is_journalled_about_on_off(tmp_path: Path) -> None:
    rig = Rig(tmp_path, YES)
    measure(rig)
    kinds = [event.kind for event in read_journal(rig.path).events]
    wanted = ("about-to-energise", "energised", "off")
    assert [kind for kind in kinds if kind in wanted] == list(wanted) * 4


ERRORS: dict[str, Callable[[], BaseException]] = {
    "silent": lambda: ReplyTimeout("silent"),
    "link lost": lambda: LinkLost("gone"),
    "ctrl-c": KeyboardInterrupt,
}


@pytest.mark.parametrize("reopens", [True, False], ids=["reopens", "stays dead"])
@pytest.mark.parametrize("acts_first", [True, False], ids=["acted", "refused"])
@pytest.mark.parametrize("error", ERRORS)
def test_whatever_exchange_fails_nothing_stays_on_and_nothing_wrong_is_recorded(
    tmp_path: Path, error: str, acts_first: bool, reopens: bool
) -> None:
    sound = Rig(tmp_path, YES)
    with sound.bench:
        measure(sound, pairs=2)
    for number in range(len(sound.exchanges.names)):
        folder = tmp_path / str(number)
        folder.mkdir()
        rig = Rig(folder, YES)
        rig.exchanges.fail_at = number
        rig.exchanges.error = ERRORS[error]
        rig.exchanges.acts_first = acts_first
        rig.exchanges.reopens = reopens
        caught: BaseException | None = None
        try:
            with rig.bench:
                found = measure(rig, pairs=2)
        except BaseException as exc:
            caught = exc
        back = read_journal(rig.path)
        assert not back.torn
        if rig.world.on:
            assert isinstance(caught, OutputStateUnknown)
            assert find_unfinished(folder)
        if not find_unfinished(folder):
            assert not rig.world.on
        for event in back.valid_readings():
            reading = event.data["reading"]
            assert reading["status"] == "ok"
            assert reading["value"] < 3.2
        if caught is None:
            # it failed where making the bench safe could bring the link back
            assert resistance(found.pairs[0]) == pytest.approx(1.5e-3, rel=1e-3)
        assert not isinstance(caught, SafetyError) or isinstance(caught, OutputStateUnknown)
