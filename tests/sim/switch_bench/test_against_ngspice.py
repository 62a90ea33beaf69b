"""The bench loop as ngspice sees it: supply, 100 kohm with the multimeter across it, a part.

ngspice (a descendant of Berkeley SPICE 3) solves level-1 equivalents of the part. Does not cover
the devices' own laws, which tests/sim/devices hold against ngspice, nor time (test_transient.py).
"""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable
from typing import Any

import pytest

from sim.circuit import Series
from sim.physics.devices.elements import Conduction
from sim.physics.devices.laws import diode, thermal_v

MakeHands = Callable[..., Any]

pytestmark = pytest.mark.needs_ngspice

_SATURATION_A, _SERIES_OHM = 1e-9, 0.5
_TEMPERATURE_C = 23.0


def by_ngspice(lines: list[str], plus: str, minus: str) -> float:
    text = "\n".join(
        ["loop", *lines, f".temp {_TEMPERATURE_C}", ".options reltol=1e-9 abstol=1e-18 gmin=1e-18",
         ".control", "op", "set numdgt=15", f"print v({plus},{minus})", ".endc", ".end", ""]
    )  # fmt: skip
    done = subprocess.run(
        ["ngspice", "-b", "-n", "/dev/stdin"],
        input=text,
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    found = re.search(r"^v\([^)]*\) = (\S+)", done.stdout, re.MULTILINE)
    assert found is not None, done.stdout + done.stderr
    return float(found[1])


@pytest.mark.parametrize("leak_ohm", [1e4, 1e6, 1e8])
@pytest.mark.parametrize("volts", [3.0, 24.0])
def test_the_whole_loop_agrees_with_ngspice(
    hands: MakeHands, leak_ohm: float, volts: float
) -> None:
    work = hands(ohm={"D-S": leak_ohm, "G-S": 1e12})
    work.connect(101, "fet-drain-100k")
    work.on(volts, 0.05, wait_s=5.0)
    bench = work.bench
    source_v = bench.terminal_voltage_v(1)
    leaks = bench.wiring._leak_ohm
    found_v = by_ngspice(
        [
            f"V1 p 0 {source_v!r}",
            f"R1 p d {bench.wiring.resistor_ohm[408]!r}",
            f"RM p d {bench.multimeter.input_ohm!r}",
            f"IM d p {bench.multimeter.bias_a!r}",
            f"RL d 0 {leak_ohm!r}",
            f"RJ1 d 0 {leaks[0]!r}",
            f"RJ2 d 0 {leaks[2]!r}",
        ],
        "p",
        "d",
    )
    # What is left: thermal voltages of the relays, and the guarded lines' picoamperes.
    assert bench.meter_voltage_v() == pytest.approx(found_v, rel=2e-6, abs=8e-6)


@pytest.mark.parametrize("volts", [0.5, 3.0, 10.0])
def test_a_junction_in_the_loop_agrees_with_ngspice(hands: MakeHands, volts: float) -> None:
    work = hands(ohm={"G-S": 1e12})
    bench = work.bench
    law = diode(_SATURATION_A, 1.1 * thermal_v(_TEMPERATURE_C), _SERIES_OHM)
    part = bench._devices["Q1"]
    part.elements = lambda node, _: [Conduction("q", node["S"], node["D"], law)]
    work.connect(101, "fet-drain-10k", without=(300, 321, 322))
    bench.switch.close([301, 302, 320])  # plus to the source: the junction conducts
    work.on(volts, 0.05, wait_s=2.0)
    ohm = {each.name: each.ohm for each in bench.wiring.elements(0.0) if isinstance(each, Series)}
    way = ("lead-P1+", "relay-301", "relay-320", "lead-P1-")
    seats = [f"{what}-101-{pin}" for what in ("contact", "lead", "kelvin") for pin in "SD"]
    wires_ohm = sum(ohm[name] for name in (*way, *seats))
    found_v = by_ngspice(
        [
            f"V1 p 0 {bench.terminal_voltage_v(1)!r}",
            f"RL p q {wires_ohm!r}",
            f"R1 q s {ohm['relay-407']!r}",
            f"RM q s {bench.multimeter.input_ohm!r}",
            f"IM s q {bench.multimeter.bias_a!r}",
            "D1 s 0 junction",
            f".model junction d(is={_SATURATION_A!r} n=1.1 rs={_SERIES_OHM!r} "
            f"tnom={_TEMPERATURE_C})",
        ],
        "q",
        "s",
    )
    assert bench.meter_voltage_v() == pytest.approx(found_v, rel=1e-5, abs=8e-6)
