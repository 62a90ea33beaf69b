"""The safety monitor: sound procedures pass it, and each broken one is written down.

Does not cover what the rules are worth on real parts; the limits are those of the bench's own
rules (assumed, no hardware was measured).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

MakeHands = Callable[..., Any]

SOUND = [
    ("fet-short-ds", 0.2, 0.05),
    ("fet-short-gs", 0.2, 0.05),
    ("fet-short-gd", 0.2, 0.05),
    ("fet-gate-plus", 10.0, 0.005),
    ("fet-gate-minus", 10.0, 0.005),
    ("fet-gate-plus-1M", 10.0, 0.005),
    ("fet-drain-1k", 3.0, 0.005),
    ("fet-drain-100k", 24.0, 0.005),
    ("fet-drain-meter", 24.0, 0.005),
    ("fet-diode-4k3", 5.0, 0.005),
    ("fet-diode-22", 3.0, 0.1),
    ("fet-threshold-10k", 4.1, 0.01),
    ("fet-threshold-3k", 4.8, 0.01),
]


@pytest.mark.parametrize(("hookup", "volts", "amperes"), SOUND)
def test_a_sound_step_leaves_nothing_to_say(
    hands: MakeHands, hookup: str, volts: float, amperes: float
) -> None:
    work = hands()
    work.connect(101, hookup)
    work.on(volts, amperes)
    work.off()
    work.bench.switch.open_all()
    assert work.bench.damage == []


@pytest.mark.parametrize("position", [101, 103, 104, 106])
def test_a_sound_sequence_on_a_stage_leaves_nothing_to_say(hands: MakeHands, position: int) -> None:
    work = hands("stages")
    for hookup, volts, amperes in (
        ("stage-short-vin-pgnd", 0.2, 0.05),
        ("stage-diode-hs", 5.0, 0.05),
        ("stage-diode-ls", 5.0, 0.05),
        ("stage-hs-leak", 12.0, 0.005),
        ("stage-ls-leak-100k", 12.0, 0.005),
        ("stage-drive-off", 5.0, 0.015),
        ("stage-drive-en-high", 5.0, 0.015),
    ):
        work.connect(position, hookup)
        work.on(volts, amperes)
        work.off()
    work.connect(position, "stage-on-ls")
    work.on(5.0, 0.05, channel=2)
    work.on(0.4, 2.0)
    work.off()
    work.off(channel=2)
    work.bench.switch.open_all()
    assert work.bench.damage == []


def leave_the_gate_floating(work: Any) -> None:
    work.connect(101, "fet-drain-100k", without=(322,))
    work.on(12.0, 0.005)


def leave_out_the_resistor(work: Any) -> None:
    work.connect(101, "fet-grade-ds")
    work.on(12.0, 0.05)


def take_a_resistor_too_small_for_the_voltage(work: Any) -> None:
    work.connect(101, "fet-drain-1k")
    work.on(24.0, 0.05)


def drive_the_gate_without_a_resistor(work: Any) -> None:
    work.connect(101, "fet-grade-gs")
    work.on(5.0, 0.05)


def bias_the_body_diode_with_too_much_current(work: Any) -> None:
    work.connect(101, "fet-diode-direct")
    work.on(1.4, 2.0)


def move_relays_under_voltage(work: Any) -> None:
    work.connect(101, "fet-drain-100k")
    work.on(12.0, 0.005)
    work.bench.switch.open_all()


def move_relays_before_the_capacitor_is_empty(work: Any) -> None:
    work.connect(101, "fet-drain-100k")
    work.on(24.0, 0.005)
    work.bench.supply.set_output(1, False)
    work.wait(0.2)
    work.bench.switch.open_all()


def move_relays_under_current(work: Any) -> None:
    work.connect(107, "fet-grade-ds")
    work.on(0.2, 0.05)
    work.bench.switch.open([310])


def close_a_relay_on_a_live_supply(work: Any) -> None:
    work.connect(107, "fet-grade-ds", without=(310,))
    work.on(0.2, 0.05)
    work.bench.switch.close([310])
    work.wait(0.01)


def dump_the_output_capacitor_into_the_part(work: Any) -> None:
    work.connect(101, "fet-diode-direct", without=(311,))
    work.on(1.5, 0.1)
    work.bench.supply.set_output(1, False)
    work.bench.switch.close([311])
    work.wait(0.01)


def join_the_impedance_meter_and_the_supply(work: Any) -> None:
    work.connect(101, "fet-impedance-gs")
    work.bench.switch.close([310])


def burn_the_part(work: Any) -> None:
    work.connect(101, "fet-on")
    work.on(2.0, 0.05, channel=2)
    work.on(5.0, 5.0)


BROKEN = [
    (leave_the_gate_floating, "floated"),
    (leave_out_the_resistor, "ohm are wanted"),
    (take_a_resistor_too_small_for_the_voltage, "ohm are wanted"),
    (drive_the_gate_without_a_resistor, "ohm are wanted"),
    (bias_the_body_diode_with_too_much_current, "ohm are wanted"),
    (move_relays_under_voltage, "at a re-tie"),
    (move_relays_before_the_capacitor_is_empty, "at a re-tie"),
    (move_relays_under_current, "flowed through contact 310"),
    (close_a_relay_on_a_live_supply, "flowed through contact 310"),
    (dump_the_output_capacitor_into_the_part, "output capacitor of supply 1 put"),
    (join_the_impedance_meter_and_the_supply, "LCR meter"),
    (burn_the_part, "dissipated"),
]


@pytest.mark.parametrize(("broken", "says"), BROKEN, ids=[each[0].__name__ for each in BROKEN])
def test_the_monitor_bites(hands: MakeHands, broken: Callable[[Any], None], says: str) -> None:
    work = hands()
    broken(work)
    assert any(says in sentence for sentence in work.bench.damage), work.bench.damage


@pytest.mark.parametrize("missing", [323, 326])
def test_a_floating_driver_input_is_written_down(hands: MakeHands, missing: int) -> None:
    work = hands("stages")
    others = {323, 325, 326} - {missing}
    assert others < set(work.relays["stage-hs-leak"])
    work.connect(101, "stage-hs-leak", without=(missing,))
    work.on(12.0, 0.005)
    assert any("floated" in sentence for sentence in work.bench.damage)


def test_a_driver_without_its_22_ohm_is_written_down(hands: MakeHands) -> None:
    work = hands("stages")
    work.connect(101, "stage-drive-off", without=(303, 401, 420, 421))
    work.bench.switch.close([313])
    work.on(5.0, 0.015)
    assert any("21 ohm are wanted" in sentence for sentence in work.bench.damage)


@pytest.mark.parametrize(("volts", "says"), [(0.6, "ohm are wanted"), (0.5, "V were put on")])
def test_too_much_voltage_on_a_load_is_written_down(
    hands: MakeHands, volts: float, says: str
) -> None:
    work = hands("rails")
    work.connect(106, "rail-check")
    work.on(volts, 0.1)
    assert any(says in sentence for sentence in work.bench.damage)


def test_reverse_polarity_on_a_load_is_written_down(hands: MakeHands) -> None:
    work = hands("rails")
    work.connect(106, "rail-check", without=(310, 321))
    work.bench.switch.close([311, 320])
    work.on(0.2, 0.1)
    assert any(
        ": -0." in sentence and "V were put on" in sentence for sentence in work.bench.damage
    )
