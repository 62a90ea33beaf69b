"""Coils solved by ngspice are judged right.

ngspice is an outside solver: the netlists below are circuits (coupled inductors, a core loss
resistor, a winding), not answers. Not covered: spreads of populations.
"""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import numpy as np
import pytest

from labbench.judging.coil import judge_coil
from labbench.results import DcResistance, Judgement, Readings
from tests.judging.closed_forms import BENCH_HZ, LARGE_TYPE, sweep

# 16 mohm and 4.7 uH. An inductor with a resistor across is a core that relaxes as Debye has it:
# jwL/(1 + jwL/Rp), so Rp = 2 pi 30 MHz L. Skin effect as two branches of the wire, one of which
# is fed through its own flux.
HEALTHY = """* healthy coil with a lossy core
I1 0 1 AC 1
Ra 1 2 24m
Rb 1 9 48m
Lb 9 2 60n
L1 2 3 4.7u
V1 3 0 0
Rp 2 3 886
C1 1 0 8p
"""
SHORTED = """* one of twelve turns shorted through {contact} ohm
I1 0 1 AC 1
Ra 1 2 24m
Rb 1 9 48m
Lb 9 2 60n
L1 2 3 4.7u
V1 3 0 0
Rp 2 3 886
L2 4 0 36n
K1 L1 L2 0.95
Rt 4 5 1.33m
Rc 5 0 {contact}
C1 1 0 8p
"""
CRACKED = HEALTHY.replace("4.7u", "2.8u").replace("886", "528")

# relaxation at 2.5 MHz instead of 30: burned binder
LOSSY = HEALTHY.replace("886", "74")
# a winding of 12 turns whose capacitance resonates with 4.7 uH at 3 MHz
RESONANT = HEALTHY.replace("8p", "600p")
RESONANT_SHORTED = SHORTED.replace("8p", "600p")


def solve(netlist: str, folder: Path) -> np.ndarray:
    """Run ngspice in batch mode: 1 A into node 1, so the voltage there is the impedance."""
    lines = [".control", "set numdgt=12"]
    for f in BENCH_HZ:
        lines += [f"ac lin 1 {f:g} {f:g}", "print real(v(1))", "print imag(v(1))"]
    lines += [".endc", ".end"]
    path = folder / "coil.cir"
    path.write_text(netlist + "\n".join(lines) + "\n", encoding="utf-8")
    done = subprocess.run(
        ["ngspice", "-b", str(path)], capture_output=True, text=True, timeout=60, check=False
    )
    real = re.findall(r"real\(v\(1\)\) = (\S+)", done.stdout)
    imaginary = re.findall(r"imag\(v\(1\)\) = (\S+)", done.stdout)
    assert len(real) == len(imaginary) == len(BENCH_HZ), done.stdout + done.stderr
    return np.array(real, dtype=float) + 1j * np.array(imaginary, dtype=float)


def judge(netlist: str, folder: Path, *, seed: int) -> Judgement:
    impedance, contact = sweep(solve(netlist, folder), BENCH_HZ, random=np.random.default_rng(seed))
    readings = Readings(
        specimen="D1", type=LARGE_TYPE.name, temperature_c=25.0, impedance=impedance,
        contact=contact,
        # a shorted turn takes at most a twelfth of the resistance away
        dc_resistance=DcResistance(15.5e-3, 1.2e-4, 25.0, method="multimeter-on-off"),
    )  # fmt: skip
    return judge_coil(readings, LARGE_TYPE)


@pytest.mark.needs_ngspice
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_healthy_coil_with_a_lossy_core_is_fit(tmp_path: Path, seed: int) -> None:
    assert judge(HEALTHY, tmp_path, seed=seed).disposition == "fit"


@pytest.mark.needs_ngspice
@pytest.mark.parametrize("contact", ["0.5m", "5m", "50m", "0.5"])
def test_a_turn_shorted_in_the_netlist_is_called_shorted(tmp_path: Path, contact: str) -> None:
    judgement = judge(SHORTED.format(contact=contact), tmp_path, seed=4)
    finding = judgement.findings[0]
    assert (judgement.disposition, finding.grade) == ("unfit", "sure")
    assert "shorted-turn" in (finding.fault, *finding.alternatives)


@pytest.mark.needs_ngspice
@pytest.mark.parametrize(("contact", "loop_ohm"), [("5m", 6.33e-3), ("50m", 51.33e-3)])
def test_the_loop_of_the_netlist_is_recovered(
    tmp_path: Path, contact: str, loop_ohm: float
) -> None:
    finding = judge(SHORTED.format(contact=contact), tmp_path, seed=4).findings[0]
    assert finding.fault == "shorted-turn"
    # R2 / (2 pi L2) with L2 = 36 nH
    assert finding.details["corner_hz"] == pytest.approx(loop_ohm / (2 * np.pi * 36e-9), rel=0.2)
    short = finding.details["short_resistance_ohm"]
    assert short["lower"] <= loop_ohm <= short["upper"]


@pytest.mark.needs_ngspice
def test_a_core_that_lost_forty_percent_in_the_netlist_is_cracked(tmp_path: Path) -> None:
    judgement = judge(CRACKED, tmp_path, seed=5)
    assert judgement.disposition == "unfit"
    assert judgement.findings[0].fault == "cracked-core"


@pytest.mark.needs_ngspice
def test_a_core_that_relaxes_too_low_in_the_netlist_is_lossy_or_a_short(tmp_path: Path) -> None:
    judgement = judge(LOSSY, tmp_path, seed=6)
    finding = judgement.findings[0]
    assert (judgement.disposition, finding.grade) == ("unfit", "sure")
    assert "lossy-core" in (finding.fault, *finding.alternatives)


@pytest.mark.needs_ngspice
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_healthy_coil_near_its_resonance_is_not_condemned(tmp_path: Path, seed: int) -> None:
    judgement = judge(RESONANT, tmp_path, seed=seed)
    assert judgement.disposition != "unfit"
    assert not any(f.grade == "sure" for f in judgement.findings)


@pytest.mark.needs_ngspice
@pytest.mark.parametrize("contact", ["5m", "50m"])
def test_a_shorted_turn_near_resonance_is_called_shorted(tmp_path: Path, contact: str) -> None:
    judgement = judge(RESONANT_SHORTED.format(contact=contact), tmp_path, seed=4)
    finding = judgement.findings[0]
    assert judgement.disposition == "unfit"
    assert "shorted-turn" in (finding.fault, *finding.alternatives)


@pytest.mark.needs_ngspice
def test_netlists_of_one_lot_are_told_apart_by_their_siblings(tmp_path: Path) -> None:
    def readings(netlist: str, name: str, seed: int, role: str = "test") -> Readings:
        random = np.random.default_rng(seed)
        impedance, contact = sweep(solve(netlist, tmp_path), BENCH_HZ, random=random)
        return Readings(
            specimen=name, type=LARGE_TYPE.name, temperature_c=25.0, impedance=impedance,
            contact=contact, session="one", role=role,  # type: ignore[arg-type]
            dc_resistance=DcResistance(15.9e-3, 1.2e-4, 25.0, method="multimeter-on-off"),
        )  # fmt: skip

    like = [HEALTHY.replace("4.7u", f"{value}u") for value in (4.6, 4.8, 4.75)]
    siblings = [readings(net, f"S{i}", 20 + i, "sibling") for i, net in enumerate(like)]
    sound = judge_coil(readings(HEALTHY, "D1", 31), LARGE_TYPE, siblings=siblings)
    assert sound.disposition == "fit"
    weak = readings(SHORTED.format(contact="4"), "D2", 32)
    assert judge_coil(weak, LARGE_TYPE, siblings=siblings).disposition == "unfit"
