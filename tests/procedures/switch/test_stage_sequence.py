"""The steps on a power stage with doubles: order, stop rules, what is given to the part.

Not covered: true device physics and instruments (the simulator's tests), uncertainties (metrology),
what the readings mean (judging).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import pytest

from labbench.errors import LimitExceeded, SafetyError, StoppedByPerson
from labbench.parts.library import shipped_directory
from labbench.parts.stage_type import StageType, read_stage_type
from labbench.procedures.switch.hookups import HOOKUPS
from labbench.procedures.switch.stage_conditions import StageConditions, stage_conditions
from labbench.procedures.switch.stage_driver import pwm_currents
from labbench.procedures.switch.stage_rules import check_power_path
from labbench.procedures.switch.stage_screen import stage_screen
from labbench.procedures.switch.stage_sequence import stage_sequence
from labbench.procedures.switch.stage_taken import StageTaken
from labbench.records.journal import read_journal
from tests.stage_doubles import StageWorld
from tests.switch_doubles import SwitchRig


@pytest.fixture(scope="module")
def part() -> StageType:
    return read_stage_type(shipped_directory() / "stage-25v-50a.toml")


class Rig(SwitchRig):
    """A bench with a stage in its jig."""

    def __init__(self, folder: Path, **more: object) -> None:
        super().__init__(folder, world=StageWorld, **more)  # type: ignore[arg-type]
        assert isinstance(self.world, StageWorld)
        self.stage_world = self.world
        self.stage = self.world.stage

    def run(self, part: StageType) -> StageTaken:
        taken = stage_sequence(
            self.bench, stage_conditions(part), position="Q3", capacitance_f=220e-6
        )
        self.bench.make_safe()
        assert not any(one.on for one in self.world.channel.values())
        self.journal.close("done", "")
        return taken

    def steps(self) -> list[str]:
        return [e.data["name"] for e in read_journal(self.path).of_kind("step-begun")]


Sound = tuple[Rig, StageTaken, list[str]]


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory, part: StageType) -> Sound:
    """Measure a sound stage once; the third value says what moved over a charged bootstrap."""
    rig = Rig(tmp_path_factory.mktemp("sound"))
    moved = watch_the_bootstrap(rig)
    return rig, rig.run(part), moved


def watch_the_bootstrap(rig: Rig) -> list[str]:
    """Note every hookup that is made or left while the bootstrap capacitor is charged."""
    charged: list[str] = []
    closing = rig.switch.close_only

    def watched(channels: Sequence[int]) -> tuple[int, ...]:
        before = rig.world.hookup
        closed = closing(channels)
        after = rig.world.hookup
        moved = before is not None and after is not None and before != after
        if moved and rig.stage_world.boot_charged and after != f"{before}-bleed":
            charged.append(f"{before} > {after}")
        if after is not None and after.endswith("-bleed"):
            rig.stage_world.boot_charged = False
        return closed

    rig.switch.close_only = watched  # type: ignore[method-assign]
    return charged


def test_a_sound_stage_gives_its_numbers(sound: Sound) -> None:
    _, taken, _ = sound
    assert taken.why is None
    assert taken.seating is not None
    assert taken.seating.how == "as-marked"
    ohms = {one.path: one.ohm for one in taken.short}
    assert ohms["vin-sw"] == pytest.approx(2.49e6, rel=0.02)
    assert ohms["sw-pgnd"] == pytest.approx(390e3, rel=0.01)
    assert taken.hs_leak[0].current_a == pytest.approx(8e-9, rel=0.05)
    assert taken.hs_leak[1].repeat
    assert taken.vin_leak is not None
    assert taken.vin_leak.current_a == pytest.approx(12 / 2.2e6, rel=0.02)
    currents = {one.state: one.current_a for one in taken.driver}
    assert currents["standby"] == pytest.approx(86e-6, rel=0.01)
    assert currents["open"] == pytest.approx(2.06e-3, rel=0.01)
    assert taken.pwm_open_v == pytest.approx(1.55, abs=1e-3)
    rising, falling = taken.edges
    assert rising.after_v is not None
    assert rising.before_v is not None
    assert rising.before_v <= 3.9 <= rising.after_v <= rising.before_v + 0.1
    assert falling.after_v is not None
    # 22 ohm take 45 mV off while the driver is awake
    assert falling.after_v == pytest.approx(3.5, abs=0.07)
    assert taken.on["sw-pgnd"].ohm == pytest.approx(2.4e-3, rel=0.01)
    assert taken.on["vin-sw"].ohm == pytest.approx(6.8e-3, rel=0.01)
    assert all(one.ohm > 1e6 for one in taken.tri)


def test_what_protects_the_part_comes_first(sound: Sound) -> None:
    rig = sound[0]
    steps = rig.steps()
    assert list(dict.fromkeys(steps)) == [
        "short-check", "body-diode", "leakage", "driver-supply", "pwm-open", "pwm-current",
        "undervoltage", "on-resistance", "tri-state",
    ]  # fmt: skip
    assert steps[-1] == "leakage"


def test_a_turned_part_never_sees_more_than_two_tenths_of_a_volt(
    tmp_path: Path, part: StageType
) -> None:
    rig = Rig(tmp_path)
    rig.stage.turned = True
    taken = rig.run(part)
    assert taken.seating is not None
    assert taken.seating.how == "turned"
    assert taken.stopped_at == "seating"
    assert rig.stage_world.above_free == []
    assert set(rig.steps()) == {"short-check"}


def test_a_short_ends_it_graded_before_the_other_polarity(tmp_path: Path, part: StageType) -> None:
    rig = Rig(tmp_path)
    rig.stage.network["sw", "pgnd"] = 5e-3
    taken = rig.run(part)
    assert taken.stopped_at == "short"
    short = taken.pair("sw-pgnd")
    assert short is not None
    assert short.direct
    assert short.ohm == pytest.approx(5e-3, rel=0.1)
    assert rig.stage_world.above_free == []


def test_both_polarities_are_looked_at_but_of_inputs(
    sound: Sound,
) -> None:
    paths = {one.path for one in sound[1].short}
    assert paths >= {"sw-vin", "pgnd-sw", "pgnd-vin", "pgnd-vdrv", "sw-boot"}
    # nothing pushes current backwards into an input
    assert not paths & {"pgnd-pwm", "pgnd-en"}


def test_a_person_makes_fewer_ties_and_is_asked_before_each_current(
    tmp_path: Path, part: StageType
) -> None:
    rig = Rig(tmp_path, by_person=True)
    taken = rig.run(part)
    assert taken.why is None
    ties = rig.operator.ties()
    assert len(ties) <= 27
    asked = [prompt.kind for prompt in rig.operator.asked]
    assert asked.count("energise") == len(ties)
    drawn = [prompt.detail["drawing"] for prompt in rig.operator.asked if prompt.kind == "hookup"]
    assert all(drawn)


@pytest.mark.parametrize(
    ("change", "where"),
    [
        (lambda stage: setattr(stage, "diode_a", 1e-40), "body-diode"),
        (lambda stage: setattr(stage, "hs_ohm", 1e6), "hs-leak"),
        (lambda stage: setattr(stage, "standby_a", 2e-3), "driver-supply"),
    ],
)
def test_what_lies_far_outside_ends_the_sequence(
    tmp_path: Path, part: StageType, change: object, where: str
) -> None:
    rig = Rig(tmp_path)
    change(rig.stage)  # type: ignore[operator]
    taken = rig.run(part)
    assert taken.stopped_at == where
    assert taken.on == {}


@pytest.mark.parametrize(("stuck", "opened"), [("vin-sw", "sw-pgnd"), ("sw-pgnd", "vin-sw")])
def test_a_stuck_output_is_seen_from_both_sides_and_gets_no_volts_on_vin(
    tmp_path: Path, part: StageType, stuck: str, opened: str
) -> None:
    rig = Rig(tmp_path)
    rig.stage.stuck = stuck
    taken = rig.run(part)
    assert taken.stopped_at == "tri-state"
    assert taken.on[opened].aborted
    assert {one.path: one.ohm < 10 for one in taken.tri}[stuck]
    # vin is given 5 V through 10 kohm only where it did not conduct at 0.2 V
    conducting = [name for name in rig.stage_world.above_free if name == "stage-tri-10k"]
    assert bool(conducting) is (stuck != "vin-sw")
    assert rig.stage_world.most_vin_while_driven_v <= 0.6


def test_vin_never_sees_low_impedance_above_half_a_volt_while_the_driver_is_fed(
    sound: Sound,
) -> None:
    rig = sound[0]
    assert 0.3 < rig.stage_world.most_vin_while_driven_v <= 0.5 + 3 * 0.03


def test_the_driver_never_hangs_on_more_than_fifteen_milliampere(
    sound: Sound,
) -> None:
    rig = sound[0]
    assert {amps for channel, _, amps in rig.supply.programmed if channel == 2} == {15e-3}


def test_zero_volts_are_programmed_with_the_output_on_before_it_goes_off(
    sound: Sound,
) -> None:
    rig = sound[0]
    acts = rig.supply.acts
    for index, (channel, what) in enumerate(acts):
        if what == "off":
            before = [which for at, which in acts[:index] if at == channel]
            assert before[-1] == "0 V", f"channel {channel} went off from {before[-1]}"


def test_the_bootstrap_capacitor_is_emptied_before_anything_else_is_joined(
    sound: Sound,
) -> None:
    assert sound[2] == []


def test_one_channel_takes_the_way_through_four_ohm_seven(tmp_path: Path, part: StageType) -> None:
    rig = Rig(tmp_path, channels=1)
    taken = rig.run(part)
    assert taken.why is None
    assert set(taken.missing) == {"pwm-current"}
    assert taken.on["sw-pgnd"].method == "one-channel"
    assert taken.on["sw-pgnd"].ohm == pytest.approx(2.4e-3, rel=0.02)
    assert {one.method for one in taken.edges} == {"driver-current"}
    assert taken.edges[0].after_v == pytest.approx(3.9, abs=0.07)
    assert all(one.ohm > 1e6 for one in taken.tri)


def test_without_a_multimeter_only_shorts_are_looked_for(tmp_path: Path, part: StageType) -> None:
    rig = Rig(tmp_path, without=("multimeter",))
    taken = rig.run(part)
    assert taken.seating is not None
    assert not taken.seating.known
    assert "hs-leak" in taken.missing
    assert all(math.isinf(one.ohm) for one in taken.short)
    assert rig.stage_world.above_free == []


def test_a_screen_stays_at_two_tenths_of_a_volt(tmp_path: Path, part: StageType) -> None:
    rig = Rig(tmp_path, by_person=True)
    taken = stage_screen(rig.bench, stage_conditions(part), position="Q3")
    assert taken.why is None
    assert rig.stage_world.above_free == []
    assert rig.operator.ties()


def test_pwm_is_not_driven_beside_a_driver_that_is_off(tmp_path: Path, part: StageType) -> None:
    rig = Rig(tmp_path, channels=1)
    rig.bench.ask_to_energise("switch-test", while_it_stays=True)
    with pytest.raises(Exception, match="channel 2"):
        pwm_currents(rig.bench, stage_conditions(part), position="Q3")
    assert not any(one.on for one in rig.world.channel.values())


def test_a_stop_in_the_middle_leaves_everything_off(tmp_path: Path, part: StageType) -> None:
    rig = Rig(tmp_path)
    count = 0

    def stop_later() -> None:
        nonlocal count
        count += rig.world.hookup == "stage-on-hs"
        if count == 5:
            rig.stop.request("a test")

    rig.world.on_solve = stop_later
    with pytest.raises(StoppedByPerson):
        stage_sequence(rig.bench, stage_conditions(part), position="Q3", capacitance_f=220e-6)
    # the bootstrap capacitor was waited out before anything could move
    assert rig.world.hookup == "stage-on-hs"
    offs = [e.monotonic for e in read_journal(rig.path).of_kind("off")]
    assert rig.clock.monotonic_s() - offs[-1] >= 3.0
    rig.bench.make_safe()
    assert not any(one.on for one in rig.world.channel.values())


@pytest.mark.parametrize(
    ("name", "volts", "amps"),
    [
        ("stage-on-hs", 0.7, 3.0),  # more than half a volt and the leads
        ("stage-on-ls", 12.0, 0.005),  # a small current limit is no resistor: the capacitor
        ("stage-on-hs", 0.5, 5.0),
        ("stage-on-hs-one", 12.0, 1.3),
        ("stage-on-hs-one", 5.0, 3.0),
        ("stage-tri", 5.0, 0.01),  # 100 ohm are for 0.2 V
    ],
)
def test_what_would_burn_a_stuck_output_is_refused(name: str, volts: float, amps: float) -> None:
    with pytest.raises(LimitExceeded, match="would burn its bonds"):
        check_power_path(name, volts=volts, amps=amps, leads_ohm=0.03)


def test_what_the_steps_do_is_not_refused_and_leaks_without_a_driver_are_free() -> None:
    for name, volts, amps in (
        ("stage-on-hs", 0.55, 3.0), ("stage-on-ls-one", 5.0, 1.3), ("stage-tri", 0.2, 0.01),
        ("stage-tri-10k", 5.0, 0.01), ("stage-tri-one", 5.0, 0.015), ("stage-hs-leak", 12.0, 0.005),
    ):  # fmt: skip
        check_power_path(name, volts=volts, amps=amps, leads_ohm=0.03)


def test_the_driver_hangs_on_twenty_two_ohm_in_every_hookup() -> None:
    # at 0.2 V it is only looked at: `stage-short`, `stage-grade`
    fed = [
        (name, join)
        for name, joins in HOOKUPS.items()
        for join in joins
        if join.startswith("supply") and " plus > " in join and join.endswith("> VDRV")
        and not name.startswith(("stage-short", "stage-grade"))
    ]  # fmt: skip
    assert len(fed) > 15
    assert [name for name, join in fed if " > 22 > " not in join] == []


@pytest.mark.parametrize("answer", ["yes", "no"])
def test_of_a_type_that_says_too_little_a_person_says_how_it_lies(
    tmp_path: Path, answer: str
) -> None:
    rig = Rig(tmp_path)
    rig.operator.answers["lies-as-marked"] = answer
    taken = rig.run(StageType(name="unknown"))
    assert [p.name for p in rig.operator.asked].count("lies-as-marked") == 1
    if answer == "yes":
        assert taken.why is None
        assert taken.hs_leak[0].set_v == 6.25
    else:
        assert taken.stopped_at == "seating"
        assert rig.stage_world.above_free == []


def test_unknown_ratings_are_met_with_little_and_said(part: StageType) -> None:
    unknown = StageType(name="unknown")
    found: StageConditions = stage_conditions(unknown, rail_v=12.0)
    assert set(found.leak_v.values()) == {12.6}
    assert stage_conditions(unknown).leak_v["hs-leak"] == 6.25
    assert any("rail" in text for text in found.assumed)
    assert found.driver_v == 5.0
    assert stage_conditions(part).assumed == ()


def test_nothing_is_switched_on_without_consent(tmp_path: Path, part: StageType) -> None:
    rig = Rig(tmp_path)
    rig.operator.answers["switch-test"] = "no"
    with pytest.raises((SafetyError, Exception), match="not to be switched on"):
        stage_sequence(rig.bench, stage_conditions(part), position="Q3")
    assert rig.supply.acts == []
