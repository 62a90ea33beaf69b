"""What the monitor counts as the output capacitor's energy, by hand and by ngspice.

A capacitor C charged to V0 and a regulator in its current limit IL feed a part Rp through wires
Rw. The capacitor gives what the loop carries beyond IL; while the voltage falls from V0 to IL R,
R = Rp + Rw, the part takes of it (Rp/R) (C/2) (V0^2 - (IL R)^2). ngspice (a descendant of Berkeley
SPICE 3) integrates the same loop. Does not cover parts that are no resistors.
"""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable
from typing import Any

import pytest

from sim.monitor import CAPACITOR_J, DIRECT_CAPACITOR_J, DRIVER_CAPACITOR_J

MakeHands = Callable[..., Any]
Part = tuple[float, float, float, float]

#: farad, volts, ohm of the part, ampere of the limit
DUMPS: list[Part] = [(220e-6, 1.5, 0.5, 0.1), (1e-3, 1.0, 0.2, 1.0), (1e-3, 0.5, 0.05, 0.5)]


def dumped(hands: MakeHands, part: Part) -> tuple[float, float]:
    """Let a charged output fall on a part; return what was counted (J), and the loop (ohm)."""
    farad, volts, ohm, amperes = part
    work = hands(ohm={"D-S": ohm, "G-S": 1e9}, output_f=farad)
    work.connect(101, "fet-grade-ds", without=(310,))
    work.on(volts, amperes, wait_s=2.0)
    bench = work.bench
    bench.switch.close([310])
    work.wait(0.2)
    (watched,) = bench._monitor._parts.values()
    loop_ohm = bench.terminal_voltage_v(1) / bench.regulator_current_a(1)
    return watched.capacitor_j[1], loop_ohm


@pytest.mark.parametrize("part", DUMPS)
def test_what_the_capacitor_gives_beyond_the_limit_is_counted_as_by_hand(
    hands: MakeHands, part: Part
) -> None:
    farad, volts, ohm, amperes = part
    counted_j, loop_ohm = dumped(hands, part)
    by_hand_j = ohm / loop_ohm * farad / 2.0 * (volts**2 - (amperes * loop_ohm) ** 2)
    # Steps of some per cent, settings within 0.2 %, and a tail within 5 % of the limit uncounted.
    assert counted_j == pytest.approx(by_hand_j, rel=0.06)


@pytest.mark.needs_ngspice
@pytest.mark.parametrize("part", DUMPS)
def test_what_is_counted_agrees_with_an_integral_by_ngspice(hands: MakeHands, part: Part) -> None:
    farad, volts, ohm, amperes = part
    counted_j, loop_ohm = dumped(hands, part)
    lasts_s = 12.0 * farad * loop_ohm
    netlist = "\n".join([
        "dump", f"C1 p 0 {farad!r} ic={volts!r}", f"I1 0 p {amperes!r}",
        f"RW p d {loop_ohm - ohm!r}", f"RP d 0 {ohm!r}",
        # the part's power times the capacitor's share of the loop's current, integrated on 1 F
        f"B1 0 e I = (v(d)^2 / {ohm!r}) * max(0, 1 - {amperes!r} * {loop_ohm!r} / v(p))",
        "CE e 0 1 ic=0", "RE e 0 1e12", f".tran {lasts_s / 4e3!r} {lasts_s!r} uic",
        ".control", "run", "set numdgt=12", "print v(e)[length(v(e))-1]", ".endc", ".end", "",
    ])  # fmt: skip
    done = subprocess.run(
        ["ngspice", "-b", "-n", "/dev/stdin"],
        input=netlist,
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    found = re.search(r"^v\(e\)\S* = (\S+)", done.stdout, re.MULTILINE)
    assert found is not None, done.stdout + done.stderr
    assert counted_j == pytest.approx(float(found[1]), rel=0.06)


def test_within_the_limit_the_capacitor_gives_what_the_regulator_would(hands: MakeHands) -> None:
    work = hands(ohm={"D-S": 10.0, "G-S": 1e9})
    work.connect(101, "fet-grade-ds", without=(310,))
    work.on(0.2, 0.05, wait_s=2.0)  # 20 mA of 50: nothing beyond the limit
    work.bench.switch.close([310])
    work.wait(0.2)
    (watched,) = work.bench._monitor._parts.values()
    assert watched.capacitor_j == {}


def test_the_bounds_are_those_of_the_rules() -> None:
    # 20 uJ, 25 uJ where a step has no resistor, C V^2 / 2 of 1 mF at 5 V behind a driver's 22 ohm;
    # the first two with 2 % for the errors of settings.
    assert pytest.approx(20e-6, rel=0.03) == CAPACITOR_J
    assert pytest.approx(25e-6, rel=0.03) == DIRECT_CAPACITOR_J
    assert pytest.approx(0.5 * 1e-3 * 5.0**2) == DRIVER_CAPACITOR_J


def test_a_large_current_for_too_long_is_written_down(hands: MakeHands) -> None:
    work = hands()
    work.connect(101, "fet-on")
    work.on(10.0, 0.01, channel=2)
    work.on(0.3, 3.0, wait_s=0.2)
    assert work.bench.damage == []
    work.wait(0.2)
    assert [each.rule for each in work.bench.violations] == ["time"]


def test_a_part_that_is_half_on_is_written_down_for_its_energy(hands: MakeHands) -> None:
    work = hands(ohm={"D-S": 4.7, "G-S": 1e9})
    work.connect(101, "fet-on-one")  # behind 4.7 ohm, its gate on the same supply: half a watt
    work.on(3.0, 2.0, wait_s=3.0)
    rules = {each.rule for each in work.bench.violations}
    assert "energy" in rules, work.bench.nearest
