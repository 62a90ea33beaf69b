"""Check inductance under direct current: currents, limits, ramps, offs, every failure.

Not covered: what the readings mean (tests/metrology), a real choke's kick.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import pytest
from attrs import evolve

from labbench.bench.bench_file import BenchLimits, BiasNetwork
from labbench.errors import (
    LinkLost,
    OutputStateUnknown,
    ReplyTimeout,
    SafetyError,
    StepAborted,
    StoppedByPerson,
)
from labbench.parts.coil_type import CoilType, InductanceLimit, ResistanceLimit, Saturation
from labbench.procedures.bias import (
    HIGHEST_POWER_W,
    LONGEST_AT_S,
    bias_frequency_hz,
    inductance_under_bias,
    plan_bias,
    take_network_open_short,
)
from labbench.records.journal import read_journal
from labbench.results import BiasMeasurement
from tests.doubles import HOOKUPS, Rig

YES = ("energise", "coil-bias", "yes")
NETWORK = BiasNetwork(current_a=10.0, resistance_ohm=0.04)
HOOKUPS_WITH_NETWORK = {**HOOKUPS, "coil-bias": (209, 210, 211, 212)}
PART = CoilType(
    name="coil-4u7",
    inductance=(InductanceLimit(4.7e-6, 3.76e-6, 5.64e-6, 100e3),),
    dc_resistance=(ResistanceLimit(16e-3, 14.4e-3, 17.6e-3),),
    saturation=Saturation(5.0, 0.3),
    maximum_current_a=9.0,
)


def rig(tmp_path: Path, *script: tuple[str, str, str], **options: object) -> Rig:
    made = Rig(tmp_path, *(script or (YES,)), hookups=HOOKUPS_WITH_NETWORK, **options)  # type: ignore[arg-type]
    made.world.resistance_ohm, made.world.leads_ohm = 16e-3, 0.07

    def through_the_network(frequency_hz: float, _now_s: float) -> complex:
        share = 1.0 / (1.0 + (made.world.current_a / 8.0) ** 2)
        return complex(0.02, 2 * math.pi * frequency_hz * 4.7e-6 * share)

    made.world.impedance = through_the_network
    return made


def measure(made: Rig, part: CoilType = PART, network: BiasNetwork = NETWORK) -> BiasMeasurement:
    return inductance_under_bias(made.bench, part, network, position="D3")


def currents(made: Rig) -> list[float]:
    return [setting.current_a for setting in made.supply.programmed]


def test_it_reads_without_current_at_four_currents_and_without_again(tmp_path: Path) -> None:
    made = rig(tmp_path)
    found = measure(made)
    assert [r.set_a for r in found.readings] == [0.0, 1.75, 3.5, 4.25, 5.0, 0.0]
    assert [round(r.current_a, 2) for r in found.readings] == [0.0, 1.75, 3.5, 4.25, 5.0, 0.0]
    assert [r.repeat for r in found.readings] == [False, False, False, False, False, True]
    assert (found.status, found.reason, found.limited_by) == ("ok", None, None)
    reactance = [r.sweep.readings[0].reactance_ohm for r in found.readings]
    assert reactance[0] == reactance[-1]
    assert reactance[:5] == sorted(reactance[:5], reverse=True)  # type: ignore[type-var]
    made.operator.finish()


def test_the_current_goes_up_in_steps_and_down_in_steps_to_zero_before_the_off(
    tmp_path: Path,
) -> None:
    made = rig(tmp_path)
    measure(made)
    steps = currents(made)
    assert steps[0] == 0.02
    top = steps.index(max(steps))
    assert steps[: top + 1] == sorted(steps[: top + 1])
    assert steps[top:] == sorted(steps[top:], reverse=True)
    assert steps[-1] == 0.0
    assert max(after - before for before, after in pairwise(steps)) <= 0.5
    off = made.exchanges.names.index("supply.switch_off")
    # the current is read back below what counts as none before the output goes off
    assert made.exchanges.names[off - 1] == "supply.read_current"
    assert not made.world.on


def test_nothing_moves_before_output_and_current_are_gone(tmp_path: Path) -> None:
    made = rig(tmp_path)
    moved: list[bool] = []
    made.switch.on_move = lambda: moved.append(made.world.on)
    measure(made)
    made.bench.open_all()
    assert moved
    assert not any(moved)


@pytest.mark.parametrize(
    ("change", "currents_a", "why"),
    [
        ({"limits": BenchLimits(voltage_v=30.0, current_a=3.0)}, (1.75, 3.0), "bench goes up to 3"),
        ({"network": evolve(NETWORK, current_a=2.5)}, (1.75, 2.5), "network is rated for 2.5"),
        ({"part": evolve(PART, maximum_current_a=4.0)}, (1.75, 3.5, 4.0), "absolute maximum is 4"),
        # 1 W in 160 mohm
        ({"resistance_ohm": 0.16}, (1.75, 2.5), "winding would warm above 2.5"),
        # less than a third of the saturation current: half of what there is, and all of it
        ({"network": evolve(NETWORK, current_a=1.0)}, (0.5, 1.0), "network is rated for 1"),
    ],
)  # fmt: skip
def test_the_largest_current_is_that_of_the_smallest_limit(
    tmp_path: Path, change: dict[str, object], currents_a: tuple[float, ...], why: str
) -> None:
    made = rig(tmp_path, **({"limits": change["limits"]} if "limits" in change else {}))
    plan = plan_bias(
        made.bench, change.get("part", PART), change.get("network", NETWORK),  # type: ignore[arg-type]
        resistance_ohm=change.get("resistance_ohm"),  # type: ignore[arg-type]
    )  # fmt: skip
    assert plan.currents_a == currents_a
    assert why in str(plan.limited_by)


def test_the_compliance_is_what_leads_network_and_part_drop_and_a_little(tmp_path: Path) -> None:
    plan = plan_bias(rig(tmp_path).bench, PART, NETWORK)
    assert plan.volts == pytest.approx(5.0 * (0.03 + 0.04 + 17.6e-3) + 0.2, abs=1e-3)


def test_a_type_without_a_saturation_current_is_read_up_to_the_limits(tmp_path: Path) -> None:
    plan = plan_bias(rig(tmp_path).bench, evolve(PART, saturation=None), NETWORK)
    # 1 W in 16 mohm is 7.9 A
    assert plan.currents_a == pytest.approx((2.77, 5.53, 6.72, 7.9), abs=0.01)
    assert plan.currents_a[-1] ** 2 * 16e-3 <= HIGHEST_POWER_W
    assert plan.limited_by is None


def test_no_current_worth_measuring_is_refused(tmp_path: Path) -> None:
    made = rig(tmp_path)
    with pytest.raises(StepAborted, match="no bias current is left"):
        plan_bias(made.bench, PART, NETWORK, resistance_ohm=1e3)
    assert made.exchanges.names == []


def test_a_bench_without_a_supply_is_told_so(tmp_path: Path) -> None:
    made = rig(tmp_path, without=("supply",), limits=None)
    with pytest.raises(StepAborted, match="needs a supply"):
        plan_bias(made.bench, PART, NETWORK)


@pytest.mark.parametrize(("top_hz", "expected"), [(1e6, 100e3), (50e3, 50e3)])
def test_the_frequency_is_the_types_within_the_meters(top_hz: float, expected: float) -> None:
    assert bias_frequency_hz(PART, (20.0, top_hz)) == expected
    assert bias_frequency_hz(None, (20.0, top_hz)) == expected


def test_without_consent_nothing_is_energised(tmp_path: Path) -> None:
    made = rig(tmp_path, ("energise", "coil-bias", "no"))
    with pytest.raises(StepAborted, match="not to be switched on"):
        measure(made)
    assert "supply.switch_on" not in made.exchanges.names


def test_the_caution_about_the_kick_is_in_the_question(tmp_path: Path) -> None:
    made = rig(tmp_path)
    measure(made)
    (asked,) = made.operator.asked
    assert "it kicks back" in str(asked.detail["what"])
    assert asked.detail["amps"] == 5.0


def test_an_open_winding_carries_no_current_and_says_so(tmp_path: Path) -> None:
    made = rig(tmp_path)
    made.world.resistance_ohm = math.inf
    found = measure(made)
    assert (found.status, found.reason) == ("over-range", "no-current")
    assert not made.world.on


def test_a_current_that_wanders_is_unstable(tmp_path: Path) -> None:
    made = rig(tmp_path)
    count = [0]

    def on_call(name: str) -> None:
        if name == "impedance_meter.read_impedance" and made.world.on:
            count[0] += 1
            made.world.leads_ohm = 0.07 + 0.2 * count[0]  # a clip that comes off slowly

    made.exchanges.on_call = on_call
    found = measure(made)
    assert (found.status, found.reason) == ("unstable", "current-wanders")
    assert currents(made)[-1] == 0.0
    assert not made.world.on


def test_a_slow_meter_does_not_heat_the_part(tmp_path: Path) -> None:
    made = rig(tmp_path)

    def on_call(name: str) -> None:
        if name == "impedance_meter.read_impedance" and made.world.on:
            made.clock.advance(LONGEST_AT_S)

    made.exchanges.on_call = on_call
    with pytest.raises(StepAborted, match="the part warms"):
        measure(made)
    assert currents(made)[-1] == 0.0
    assert not made.world.on


def test_a_current_that_does_not_run_down_is_told_before_anything_is_touched(
    tmp_path: Path,
) -> None:
    made = rig(tmp_path)
    real = made.supply.read_current

    def read_current(channel: int) -> object:
        if made.supply.programmed and made.supply.programmed[-1].current_a == 0.0:
            made.world.set_a = 0.5  # as if the supply went on
        return real(channel)

    made.supply.read_current = read_current  # type: ignore[method-assign, assignment]
    with pytest.raises(StepAborted, match=r"still reads 0\.5 A"):
        measure(made)
    assert not made.world.on


def test_a_stop_switches_off_at_once(tmp_path: Path) -> None:
    made = rig(tmp_path)

    def on_call(name: str) -> None:
        if name == "impedance_meter.read_impedance" and made.world.on:
            made.stop.request()

    made.exchanges.on_call = on_call
    with pytest.raises(StoppedByPerson):
        measure(made)
    assert made.supply.forced >= 1
    assert not made.world.on


def test_open_and_short_through_the_network_energise_nothing(tmp_path: Path) -> None:
    made = rig(tmp_path, ())  # type: ignore[arg-type]
    made.operator.script.clear()
    found = take_network_open_short(made.bench, (1e5,))
    assert len(found.open.readings) == len(found.short.readings) == 3
    assert made.switch.moves[0] == (198, 209, 210, 211, 212)
    assert "supply.switch_on" not in made.exchanges.names
    assert "supply.program" not in made.exchanges.names


def test_by_hand_the_part_is_heated_gently_and_read_once(tmp_path: Path) -> None:
    made = rig(
        tmp_path, ("hookup", "coil-bias", "done"), ("place", "D3", "done"), YES, by_person=True
    )
    made.impedance_meter.by_hand = True  # type: ignore[attr-defined]
    found = measure(made)
    # 30 mW in 16 mohm is 1.36 A
    assert [r.set_a for r in found.readings] == [0.0, 0.68, 1.36, 0.0]
    assert all(len(r.sweep.readings) == 1 for r in found.readings)
    assert found.limited_by == "the winding would warm above 1.36 A"
    made.operator.finish()


def test_nobody_is_asked_anything_while_current_flows(tmp_path: Path) -> None:
    made = rig(tmp_path)

    def on_call(name: str) -> None:
        if name == "impedance_meter.read_impedance" and made.world.on:
            with pytest.raises(SafetyError, match="not while an output is on"):
                made.bench.open_all()

    made.exchanges.on_call = on_call
    measure(made)


@pytest.mark.parametrize("acts_first", [False, True])
@pytest.mark.parametrize(
    ("error", "every"),
    [
        (lambda: LinkLost("the peer went away"), 1),
        (lambda: ReplyTimeout("no answer"), 5),
        (KeyboardInterrupt, 3),
    ],
    ids=["link-lost", "time-out", "ctrl-c"],
)
def test_every_call_fails_and_the_output_is_off_or_said_to_be_unknown(
    tmp_path: Path, error: Callable[[], BaseException], every: int, acts_first: bool
) -> None:
    clean = rig(tmp_path)
    measure(clean)
    total = len(clean.exchanges.names)
    assert total > 60
    for number in range(int(acts_first), total, every):
        folder = tmp_path / str(number)
        folder.mkdir()
        made = rig(folder)
        made.exchanges.fail_at = number
        made.exchanges.error = error
        made.exchanges.acts_first = acts_first
        raised: BaseException | None = None
        try:
            measure(made)
        except BaseException as caught:
            raised = caught
        what = f"{number} {clean.exchanges.names[number]}"
        assert not made.world.on or isinstance(raised, OutputStateUnknown), what
        journal = read_journal(made.path)
        if not isinstance(raised, OutputStateUnknown):
            assert not journal.channels_not_off(), what
        # what broke was not the supply's own link: then the current was run down first
        if made.supply.programmed and not clean.exchanges.names[number].startswith("supply"):
            assert currents(made)[-1] == 0.0, what
