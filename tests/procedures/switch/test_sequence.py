"""The steps on a switch with doubles: order, re-ties, stop rules, what is given to the part.

Not covered: true device physics and instruments (the simulator's tests), uncertainties (metrology),
what the readings mean (judging).
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest
from attrs import evolve

from labbench.bench.limits import Need
from labbench.errors import LimitExceeded, SafetyError, StoppedByPerson
from labbench.parts.mosfet_type import MosfetType, VoltageLimit
from labbench.procedures.switch.body_diode import strong_current_way
from labbench.procedures.switch.breakdown import breakdown_plan
from labbench.procedures.switch.conditions import switch_conditions
from labbench.procedures.switch.drain_leakage import drain_leakage, next_element
from labbench.procedures.switch.hookups import joins_of
from labbench.procedures.switch.in_place import in_place
from labbench.procedures.switch.leakage import leak_need
from labbench.procedures.switch.on_resistance import drive
from labbench.procedures.switch.screen import screen
from labbench.procedures.switch.seating import unread_diode
from labbench.procedures.switch.sequence import SwitchTaken, open_fixture, switch_sequence
from labbench.procedures.switch.taken import DiodeTaken
from labbench.records.journal import read_journal
from tests.procedures.switch.types import NFET, PFET, SCHOTTKY, UNKNOWN
from tests.switch_doubles import Part, SwitchRig


def run(
    rig: SwitchRig, part: MosfetType = NFET, capacitance_f: float | None = 220e-6
) -> SwitchTaken:
    taken = switch_sequence(
        rig.bench, switch_conditions(part), position="Q3", capacitance_f=capacitance_f,
        drain_limit_a=1e-6,
    )  # fmt: skip
    rig.bench.make_safe()
    assert not rig.world.gate_floated
    assert not any(one.on for one in rig.world.channel.values())
    rig.journal.close("done", "")
    return taken


@pytest.mark.parametrize("part", [NFET, PFET])
def test_a_sound_part_gives_its_numbers_whichever_its_polarity(
    tmp_path: Path, part: MosfetType
) -> None:
    taken = run(SwitchRig(tmp_path, output_capacitance_f=22e-6), part, 22e-6)
    assert taken.stopped_at is None
    assert all(one.ohm > 1e6 for one in taken.short)
    assert taken.drain[1].current_a == pytest.approx(8e-9, rel=0.01)
    assert taken.drain[2].repeat
    assert taken.threshold[0].gate_v == pytest.approx(1.7, abs=1e-3)
    assert taken.threshold[1].current_a == pytest.approx(1e-3, rel=0.02)
    assert [one.ohm for one in taken.on] == pytest.approx([5e-3, 5e-3], rel=1e-3)
    assert [one.nominal_a for one in taken.diode] == [1e-3, 0.1]
    assert taken.diode[1].diode_v == pytest.approx(
        (taken.diode[0].diode_v or 0)
        + 0.0257 * math.log(taken.diode[1].current_a / taken.diode[0].current_a),
        abs=1e-3,
    )


def test_the_gate_is_looked_at_before_the_drain_sees_volts_and_microamperes_before_amperes(
    tmp_path: Path,
) -> None:
    rig = SwitchRig(tmp_path)
    run(rig)
    steps = [e.data["name"] for e in read_journal(rig.path).of_kind("step-begun")]
    order = list(dict.fromkeys(steps))
    assert order == [
        "contact-check", "short-check", "leakage", "body-diode", "threshold-current", "threshold",
        "on-resistance",
    ]  # fmt: skip
    assert steps[-1] == "leakage"
    whats = [e.data["detail"]["what"] for e in read_journal(rig.path).of_kind("step-begun")
             if e.data["name"] == "leakage"]  # fmt: skip
    assert list(dict.fromkeys(whats)) == [
        "the gate leakage", "the drain leakage", "the drain leakage again",
    ]  # fmt: skip


def test_a_person_makes_at_most_twelve_ties_and_is_asked_before_each_current(
    tmp_path: Path,
) -> None:
    rig = SwitchRig(tmp_path, by_person=True)
    taken = run(rig)
    assert taken.stopped_at is None
    assert len(rig.operator.ties()) <= 12
    assert sum(prompt.kind == "energise" for prompt in rig.operator.asked) == len(
        rig.operator.ties()
    )


def test_relays_ask_once_for_a_part_and_again_for_the_next(tmp_path: Path) -> None:
    rig = SwitchRig(tmp_path)
    rig.world.part = None
    zeros = open_fixture(rig.bench, switch_conditions(NFET))
    assert {name for name, _ in zeros} == {
        "fet-gate-plus", "fet-gate-minus", "fet-drain-100k", "fet-drain-1M",
    }  # fmt: skip
    rig.world.part = Part()
    run(rig)
    assert [prompt.detail["specimen"] for prompt in rig.operator.asked] == ["open", "Q3"]


def test_zero_volts_are_programmed_with_the_output_on_before_it_goes_off(tmp_path: Path) -> None:
    rig = SwitchRig(tmp_path)
    run(rig)
    acts = rig.supply.acts
    offs = [index for index, (_, what) in enumerate(acts) if what == "off"]
    assert offs
    for index in offs:
        channel = acts[index][0]
        before = [what for at, what in acts[:index] if at == channel]
        assert before[-1] == "0 V", f"channel {channel} went off from {before[-1]}"


def test_the_gate_is_on_before_the_drain_and_off_after_it(tmp_path: Path) -> None:
    rig = SwitchRig(tmp_path)
    run(rig)
    on: set[int] = set()
    seen = 0
    for channel, what in rig.supply.acts:
        if what == "on":
            if channel == 2:
                assert on == set()
            seen += channel == 1 and 2 in on
            on.add(channel)
        elif what == "off":
            if channel == 2:
                assert 1 not in on
            on.discard(channel)
    assert seen == 2  # one drain current at each gate voltage


def test_a_drain_beside_no_gate_is_refused(tmp_path: Path) -> None:
    rig = SwitchRig(tmp_path)
    need = Need("the drain", voltage_v=0.2, beside_channel=2)
    rig.bench.ask_to_energise("switch-test")
    with (
        pytest.raises(SafetyError, match="needs channel 2 to be on first"),
        rig.bench.energised(1, volts=0.2, amps=0.1, reason="the drain", need=need),
    ):
        pass
    assert "on" not in [what for _, what in rig.supply.acts]


@pytest.mark.parametrize(
    ("fault", "stopped_at", "never"),
    [
        ({"drain_ohm": 0.5}, "short-check", ("gate", "drain", "on")),
        ({"gate_ohm": 200.0}, "short-check", ("gate", "drain", "on")),
        ({"gate_ohm": 3e6}, "gate-leakage", ("drain", "diode", "on")),
        ({"drain_ohm": 2e6}, "drain-leakage", ("diode", "threshold", "on")),
        ({"diode_a": 0.0}, "body-diode", ("threshold", "on")),
        ({"threshold_v": 8.0}, "threshold", ("on",)),
        ({"on_ohm": 0.4}, "on-resistance", ()),
    ],
)
def test_the_first_step_beyond_its_limit_is_the_last(
    tmp_path: Path, fault: dict[str, float], stopped_at: str, never: tuple[str, ...]
) -> None:
    rig = SwitchRig(tmp_path)
    assert rig.world.part is not None
    for name, number in fault.items():
        setattr(rig.world.part, name, number)
    taken = run(rig)
    assert taken.stopped_at == stopped_at
    for name in never:
        assert getattr(taken, name) == ()


def test_a_hard_short_is_graded_without_the_resistor_at_a_fifth_of_a_volt(tmp_path: Path) -> None:
    rig = SwitchRig(tmp_path)
    assert rig.world.part is not None
    rig.world.part.drain_ohm = 1.0
    taken = run(rig)
    assert taken.short[-1].direct
    assert taken.short[-1].ohm == pytest.approx(1.0, rel=0.02)
    assert max(volts for _, volts, _ in rig.supply.programmed) <= 0.2


def test_a_leak_is_read_through_the_resistor_that_suits_it(tmp_path: Path) -> None:
    rig = SwitchRig(tmp_path)
    assert rig.world.part is not None
    rig.world.part.drain_ohm = 10e6
    taken = run(rig)
    assert taken.drain[1].hookup == "fet-drain-100k"
    assert taken.drain[1].current_a == pytest.approx(24 / 10.1e6, rel=0.01)


@pytest.mark.parametrize(
    ("amps", "element", "schottky"),
    [
        (12e-9, "100k", False), (3e-9, "1M", False), (1e-6, "100k", False),
        (20e-6, "100k", False), (100e-6, "10k", False), (1e-3, "10k", False), (1e-3, "1k", True),
    ],
)  # fmt: skip
def test_currents_from_nanoamperes_to_a_milliampere_are_read_by_the_element_that_suits_them(
    tmp_path: Path, amps: float, element: str, schottky: bool
) -> None:
    rig = SwitchRig(tmp_path)
    assert rig.world.part is not None
    volts = 6.0 if schottky else 24.0
    rig.world.part.drain_ohm = volts / amps
    conditions = evolve(switch_conditions(NFET), schottky=schottky)
    (taken,) = drain_leakage(rig.bench, conditions, position="Q3", volts=(volts,))
    assert taken.hookup == f"fet-drain-{element}"
    assert taken.current_a == pytest.approx(taken.part_v / rig.world.part.drain_ohm, rel=2e-3)
    rig.bench.make_safe()
    rig.journal.close("done", "")


def test_the_range_rule_goes_down_for_much_and_up_for_little() -> None:
    said = {"schottky": False, "by_person": False}
    assert next_element("100k", across_v=3.0, set_v=24.0, **said) == "10k"
    assert next_element("10k", across_v=3.0, set_v=24.0, **said) is None
    assert next_element("10k", across_v=3.0, set_v=6.0, schottky=True, by_person=False) == "1k"
    assert next_element("10k", across_v=3.0, set_v=9.0, schottky=True, by_person=False) is None
    assert next_element("100k", across_v=0.5e-3, set_v=24.0, **said) == "1M"
    assert next_element("100k", across_v=0.5e-3, set_v=24.0, schottky=False, by_person=True) is None
    assert next_element("100k", across_v=0.5, set_v=24.0, **said) is None


@pytest.mark.parametrize(("ohm", "volts"), [(100.0, 5.0), (1e3, 8.0), (4.3e3, 24.0)])
def test_a_leak_step_behind_too_small_a_resistor_is_refused(ohm: float, volts: float) -> None:
    with pytest.raises(LimitExceeded, match="at least 10 kΩ"):
        leak_need("the drain leakage", ohm, volts)


def test_behind_its_resistor_a_part_gets_a_quarter_of_the_short_circuit_power(
    tmp_path: Path,
) -> None:
    rig = SwitchRig(tmp_path)
    rig.bench.ask_to_energise("switch-test")
    need = Need("a step", voltage_v=30.0, current_a=0.1, series_ohm=1e3)
    with (
        pytest.raises(LimitExceeded, match="225 mW"),
        rig.bench.energised(volts=30.0, amps=0.1, reason="a step", need=need),
    ):
        pass
    assert rig.supply.programmed == []


def test_a_capacitor_that_could_hurt_the_diode_is_kept_off_by_a_resistor() -> None:
    assert strong_current_way(10e-6) == ("direct", 0.1)
    assert strong_current_way(47e-6) == ("22", 0.05)
    assert strong_current_way(220e-6) == ("22", 0.02)
    assert strong_current_way(None) == ("22", 0.01)


def test_the_drain_current_goes_down_where_the_capacitor_leaves_little_voltage(
    tmp_path: Path,
) -> None:
    bench = SwitchRig(tmp_path).bench
    volts, amps = drive(bench, 3.0, 220e-6)
    assert 0.5 * 220e-6 * volts**2 <= 25e-6
    assert amps == 3.0
    volts, amps = drive(bench, 3.0, 4.7e-3)
    assert 0.5 * 4.7e-3 * volts**2 <= 25e-6
    assert amps < 3.0


def test_of_a_part_with_unknown_ratings_little_is_asked() -> None:
    of_rail = switch_conditions(UNKNOWN, rail_v=12.0)
    assert of_rail.drain_v == pytest.approx(15.0)
    assert of_rail.gate_v == (5.0,)
    assert max(volts for volts, _ in of_rail.on) <= 5.0
    assert len(of_rail.assumed) == 2
    assert switch_conditions(UNKNOWN).drain_v == pytest.approx(6.25)


def test_a_gate_is_never_given_more_than_six_tenths_of_its_rating() -> None:
    weak = MosfetType(name="weak", polarity="n", maximum_gate_source_v=12.0)
    conditions = switch_conditions(weak)
    assert max(conditions.gate_v) <= 7.2
    assert max(volts for volts, _ in conditions.on) <= 7.2


def test_a_screen_is_three_ties_and_less_than_a_minute_of_waiting(tmp_path: Path) -> None:
    rig = SwitchRig(tmp_path, by_person=True)
    begun_s = rig.clock.now_s
    taken = screen(rig.bench, switch_conditions(NFET), position="Q3")
    assert rig.operator.ties() == ["fet-drain-100k", "fet-diode-4k3", "fet-gate-plus"]
    assert rig.clock.now_s - begun_s < 30.0
    assert taken.short[0].ohm > 1e6
    assert len(taken.drain) == len(taken.diode) == len(taken.gate) == 1


def test_a_screen_sees_a_short_behind_its_100_kilohm_and_goes_no_further(tmp_path: Path) -> None:
    rig = SwitchRig(tmp_path, by_person=True)
    assert rig.world.part is not None
    rig.world.part.drain_ohm = 30.0
    taken = screen(rig.bench, switch_conditions(NFET), position="Q3")
    assert taken.stopped_at == "short-check"
    assert max(volts for _, volts, _ in rig.supply.programmed) <= 0.2


def test_a_screen_whose_multimeter_reads_nothing_at_all_is_a_doubt_and_no_sound_part(
    tmp_path: Path,
) -> None:
    """A multimeter that is not joined reads no leak, no diode and no gate current: all is well."""
    rig = SwitchRig(tmp_path, by_person=True)
    assert rig.world.part is not None
    rig.world.part.diode_a = 1e3
    taken = screen(rig.bench, switch_conditions(NFET), position="Q3")
    assert taken.stopped_at == "body-diode"
    assert taken.doubt is not None
    assert "multimeter is not joined" in taken.doubt
    assert taken.gate == ()


@pytest.mark.parametrize(
    ("diode_v", "doubted"),
    [(-0.004, True), (0.0004, True), (0.06, False), (0.55, False), (None, False)],
)
def test_a_diode_that_drops_nothing_was_not_read(diode_v: float | None, doubted: bool) -> None:
    taken = DiodeTaken(nominal_a=1e-3, supply_v=5.0, diode_v=diode_v, series_ohm=4.3e3)
    assert (unread_diode(taken) is not None) is doubted


def test_in_place_nothing_gets_more_than_a_fifth_of_a_volt(tmp_path: Path) -> None:
    rig = SwitchRig(tmp_path)
    taken = in_place(rig.bench, mirrored=False, position="Q3")
    assert [(one.path, one.polarity) for one in taken] == [
        ("drain-source", "+"), ("drain-source", "-"), ("gate-source", "+"),
    ]  # fmt: skip
    assert rig.world.most_part_v <= 0.2 + 1e-9


def test_without_a_multimeter_only_the_short_check_is_made_and_the_rest_is_said_missing(
    tmp_path: Path,
) -> None:
    taken = run(SwitchRig(tmp_path, without=["multimeter"]))
    assert {one.path for one in taken.short} == {"drain-source", "gate-source", "gate-drain"}
    assert taken.gate == taken.drain == taken.on == ()
    assert "no multimeter" in taken.missing["drain-leakage"]


def test_one_channel_drives_gate_and_drain_through_resistors(tmp_path: Path) -> None:
    rig = SwitchRig(tmp_path, channels=1)
    taken = run(rig)
    assert [one.method for one in taken.on] == ["one-channel", "one-channel"]
    assert [one.ohm for one in taken.on] == pytest.approx([5e-3, 5e-3], rel=1e-2)


def test_one_channel_leaves_the_on_resistance_of_a_p_channel_part_out(tmp_path: Path) -> None:
    taken = run(SwitchRig(tmp_path, channels=1), PFET)
    assert taken.on == ()
    assert "second supply channel" in taken.missing["on-resistance"]


def test_a_schottky_part_that_leaks_at_a_fifth_of_a_volt_is_no_short(tmp_path: Path) -> None:
    rig = SwitchRig(tmp_path)
    assert rig.world.part is not None
    rig.world.part.diode_a = 2e-7  # 400 ohm at 0.2 V from source to drain
    taken = run(rig, SCHOTTKY)
    assert taken.stopped_at != "short-check"


@pytest.mark.parametrize("after", [5, 25, 60, 120, 200])
def test_a_stop_at_any_reading_leaves_both_outputs_off(tmp_path: Path, after: int) -> None:
    rig = SwitchRig(tmp_path)
    count = [0]

    def look() -> None:
        count[0] += 1
        if count[0] == after:
            rig.stop.request("the test")

    rig.world.on_solve = look
    with pytest.raises(StoppedByPerson):
        switch_sequence(rig.bench, switch_conditions(NFET), position="Q3", drain_limit_a=1e-6)
    assert not any(one.on for one in rig.world.channel.values())
    rig.bench.make_safe()
    rig.journal.close("stopped", "the test")


@pytest.mark.parametrize("amps", [250e-6, 1e-3])
def test_by_hand_the_threshold_is_read_at_the_current_of_its_limit(
    tmp_path: Path, amps: float
) -> None:
    rig = SwitchRig(tmp_path, by_person=True)
    part = evolve(NFET, threshold=(VoltageLimit(1.2, 2.2, amps),))
    assert [one.nominal_a for one in run(rig, part).threshold] == [amps]


def test_breakdown_takes_the_larger_resistor_where_the_channels_reach_behind_it(
    tmp_path: Path,
) -> None:
    bench = SwitchRig(tmp_path).bench
    of_30_v = breakdown_plan(bench, switch_conditions(evolve(NFET, maximum_drain_source_v=30.0)))
    assert (of_30_v.element, of_30_v.missing) == ("10k", None)
    # by hand: 1.3 x 30 V and 250 uA x 10 kohm
    assert of_30_v.most_v == pytest.approx(41.5)
    of_20_v = breakdown_plan(bench, switch_conditions(evolve(NFET, maximum_drain_source_v=20.0)))
    assert (of_20_v.element, of_20_v.most_v) == ("100k", pytest.approx(51.0))


@pytest.mark.parametrize(
    ("rating_v", "rig", "words"),
    [
        (None, {}, "rating is not known"),
        (30.0, {"channels": 1}, "two isolated channels"),
        (30.0, {"without": ["multimeter"]}, "a multimeter"),
        (80.0, {}, "reach 60 V only"),
    ],
)
def test_a_breakdown_that_the_bench_cannot_reach_is_said_missing(
    tmp_path: Path, rating_v: float | None, rig: dict[str, Any], words: str
) -> None:
    bench = SwitchRig(tmp_path, **rig).bench
    part = MosfetType(name="one", polarity="n", maximum_drain_source_v=rating_v)
    missing = breakdown_plan(bench, switch_conditions(part)).missing
    assert missing is not None
    assert words in missing


def test_the_stacked_channels_of_a_p_channel_part_are_turned_round_as_a_whole() -> None:
    joins = joins_of("fet-breakdown-10k-p")
    assert joins[:3] == (
        "supply 1 minus > 10k > D", "supply 1 plus > supply 2 minus", "supply 2 plus > S",
    )  # fmt: skip


def test_a_terminal_that_only_one_contact_touches_ends_it_before_anything_else(
    tmp_path: Path,
) -> None:
    rig = SwitchRig(tmp_path)
    assert rig.world.part is not None
    rig.world.part.lead_ohm = 1e6
    taken = run(rig)
    assert taken.stopped_at == "contact-check"
    assert taken.doubt == "the jig does not touch the drain and source with both contacts"
    assert taken.short == ()
    assert max(volts for _, volts, _ in rig.supply.programmed) <= 0.2


def test_a_leak_through_a_resistor_is_no_part_that_lies_otherwise(tmp_path: Path) -> None:
    rig = SwitchRig(tmp_path)
    assert rig.world.part is not None
    rig.world.part.drain_ohm = 30e3
    taken = run(rig)
    assert taken.stopped_at == "drain-leakage"
    assert taken.doubt is None
