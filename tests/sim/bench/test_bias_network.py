"""The bias network: its circuit as ngspice solves it, its choke's law, and broken currents.

Not covered: how current builds up in the choke (the direct current of a moment is that of the
resistances), the diode while it conducts, and whether a choke of these figures can be bought.
"""

from __future__ import annotations

import math

import pytest

from sim.bench import VirtualBench
from sim.bias_network import BIAS_RELAYS, BiasNetwork, usual_network
from sim.circuit import CurrentSource, Element, Impedance, Series, solve
from sim.clock import ManualClock
from sim.scenario import load_scenario
from tests.sim.bench.test_wiring_against_ngspice import ngspice

NETWORK = BiasNetwork(1e-3, 40e-3, 0.25, 10.0)
PART_OHM, PART_H = 20e-3, 4.7e-6


def bench_with_coil() -> VirtualBench:
    bench = VirtualBench(load_scenario("bias"), clock=ManualClock())
    assert bench.switch is not None
    bench.switch.close([101, *BIAS_RELAYS])
    bench.clock.sleep_s(0.5)
    return bench


def drive(bench: VirtualBench, amperes: float) -> None:
    assert bench.supply is not None
    bench.supply.set_voltage_v(1, 3.0)
    bench.supply.set_current_a(1, amperes)
    bench.supply.set_output(1, True)
    bench.clock.sleep_s(0.5)
    bench.settle()


@pytest.mark.needs_ngspice
@pytest.mark.parametrize("frequency_hz", [1e3, 1e5, 1e6])
@pytest.mark.parametrize("current_a", [0.0, 10.0])
def test_the_network_around_a_coil_is_that_of_ngspice(
    frequency_hz: float, current_a: float
) -> None:
    # the parts as parts, written down anew; the supply's output capacitor closes the choke's path
    n = NETWORK
    text = "\n".join([
        "bias network",
        "I1 0 lh ac 1",
        f"Rb1 lh a1 {n.block_ohm!r}", f"Lb1 a1 a2 {n.block_h!r}", f"Cb1 a2 jig {n.block_f!r}",
        f"Rp jig p {PART_OHM!r}", f"Lp p low {PART_H!r}",
        f"Cb2 low b1 {n.block_f!r}", f"Lb2 b1 b2 {n.block_h!r}", f"Rb2 b2 0 {n.block_ohm!r}",
        f"Rch jig c {n.choke_ohm!r}", f"Lch c sp {n.choke_at(current_a)!r}",
        f"Cch jig sp {n.choke_f!r}", f"Rloss jig sp {n.choke_loss_ohm!r}",
        "Cout sp low 220u",
        # SPICE wants a path for direct current from every node
        "Rlh lh 0 1e12", "Ra2 a2 0 1e12", "Rlow low 0 1e12", "Rsp sp 0 1e12", "Rb1b b1 0 1e12",
        ".options gmin=1e-20 reltol=1e-9",
        ".control", "set numdgt=15", f"ac lin 1 {frequency_hz!r} {frequency_hz!r}",
        "let found = v(lh)", "print found", ".endc", ".end", "",
    ])  # fmt: skip
    omega = 2.0 * math.pi * frequency_hz
    elements: list[Element] = [
        *NETWORK.elements(set(BIAS_RELAYS), frequency_hz, current_a),
        Series("relay-h", "BH", "AF", 0.0),
        Series("relay-l", "BL", "BF", 0.0),
        Series("relay-s", "CH", "AF", 0.0),
        Impedance("part", "AF", "BF", complex(PART_OHM, omega * PART_H)),
        Impedance("capacitor", "SP", "BF", -1j / (omega * 220e-6)),
        CurrentSource("drive", "LH", "LL", 1.0),
        Series("tie", "LL", "0", 0.0),
    ]
    found = solve(elements, frequency_hz).voltage_v("LH", "LL")
    assert found == pytest.approx(ngspice(text), rel=1e-7)


def test_the_choke_loses_at_its_rating_what_is_written_on_it_and_never_more_below() -> None:
    assert NETWORK.choke_at(0.0) == 1e-3
    assert NETWORK.choke_share(10.0) == pytest.approx(0.75)
    assert NETWORK.choke_share(-10.0) == NETWORK.choke_share(10.0)
    shares = [NETWORK.choke_share(0.1 * i) for i in range(101)]
    assert shares == sorted(shares, reverse=True)
    # the loss grows faster than the current at first: a straight line to the rating bounds it
    assert all(1.0 - s <= 0.25 * i / 100 + 1e-12 for i, s in enumerate(shares))


def test_the_energy_of_a_current_is_that_of_its_inductances() -> None:
    # L I^2 / 2, the definition
    assert NETWORK.stored_j(4.0, 1e-6) == pytest.approx(0.5 * (NETWORK.choke_at(4.0) + 1e-6) * 16.0)


def test_open_and_short_of_the_fixture_take_the_network_out_at_no_current() -> None:
    bench = bench_with_coil()
    assert bench.switch is not None
    f = 1e5
    with_coil = bench.impedance_ohm(f)
    bench.switch.open_all()
    bench.switch.close([198, *BIAS_RELAYS])
    opened = bench.impedance_ohm(f)
    bench.switch.open_all()
    bench.switch.close([199, *BIAS_RELAYS])
    shorted = bench.impedance_ohm(f)
    # the choke in parallel, the capacitors in series
    assert opened.imag / (2 * math.pi * f) == pytest.approx(1e-3, rel=0.25)
    assert shorted.imag < 0.0
    d = with_coil - shorted
    z = d / (1.0 - d / (opened - shorted))
    truth = bench.truth()["K1"].impedance
    assert z.imag == pytest.approx(float(truth([f])[0].imag), rel=5e-3)


def test_the_inductance_that_the_meter_sees_falls_with_the_current() -> None:
    bench = bench_with_coil()
    seen = [bench.impedance_ohm(1e5).imag]
    for amperes in (3.0, 6.0, 9.0):
        drive(bench, amperes)
        assert bench.regulator_current_a(1) == pytest.approx(amperes, rel=0.01)
        seen.append(bench.impedance_ohm(1e5).imag)
    assert seen == sorted(seen, reverse=True)
    assert seen[-1] < 0.8 * seen[0]
    assert bench.damage == []


def test_a_bias_current_that_is_opened_at_a_contact_is_written_down() -> None:
    bench = bench_with_coil()
    drive(bench, 5.0)
    assert bench.switch is not None
    bench.switch.open([211])
    assert any("bias current of 5" in text and "kicked back" in text for text in bench.damage)


def test_an_output_that_goes_off_under_current_leaves_a_mark_and_one_run_down_leaves_none() -> None:
    bench = bench_with_coil()
    assert bench.supply is not None
    drive(bench, 5.0)
    for amperes in (2.0, 0.05):
        bench.supply.set_current_a(1, amperes)
        bench.clock.sleep_s(0.1)
    bench.supply.set_output(1, False)
    assert bench.kicks == []
    drive(bench, 5.0)
    bench.supply.set_output(1, False)
    assert len(bench.kicks) == 1
    assert bench.damage == []


def test_the_meter_is_safe_behind_its_capacitors_and_not_beside_them() -> None:
    bench = bench_with_coil()
    assert bench.damage == []
    assert bench.switch is not None
    bench.switch.close([201])
    assert any("destroys the meter's input" in text for text in bench.damage)


def test_a_bench_without_a_network_has_no_relays_for_one() -> None:
    bench = VirtualBench(load_scenario("one-coil"), clock=ManualClock())
    assert not bench.wiring.relays.intersection(BIAS_RELAYS)
    assert usual_network().highest_a == 10.0


def test_a_probe_on_the_core_sees_the_enamel_of_all_turns_and_a_leak() -> None:
    bench = VirtualBench(load_scenario("bias"), clock=ManualClock())
    assert bench.switch is not None
    assert bench.supply is not None
    bench.supply.set_voltage_v(1, 20.0)
    for position, ohm in ((101, 3e9 / 12), (105, 1.0 / (12 / 3e9 + 1 / 2e6))):
        bench.switch.open_all()
        bench.switch.close([position, 213, 214, 215, 216])
        bench.supply.set_output(1, True)
        bench.clock.sleep_s(2.0)
        bench.settle()
        # 1 Mohm with the 10 Mohm of the multimeter across it
        across = 1e6 * 1e7 / 1.1e7
        expected = 20.0 * across / (across + ohm)
        assert bench.meter_voltage_v() == pytest.approx(expected, rel=5e-3)
        bench.supply.set_output(1, False)
        bench.clock.sleep_s(5.0)
