"""The coil's solver against ngspice AC on the circuit that the coil writes.

Does not cover whether the circuit is that of a real coil: only that it is solved right.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from sim.physics.coil import Coil
from sim.physics.construction_file import construction, construction_names
from sim.physics.faults import (
    BadJoint,
    CrackedCore,
    Fault,
    FusedWinding,
    LossyCore,
    OpenWinding,
    ShortedTurn,
)
from sim.physics.network import GROUND, Branch, Network, Shunt

FREQUENCIES = (100.0, 1e3, 1e4, 1e5, 1e6, 5e6)

FAULTS: dict[str, tuple[Fault, ...]] = {
    "healthy": (),
    "hard short": (ShortedTurn((1, 2), 0.5e-3),),
    "soft short": (ShortedTurn((2, 3), 0.5),),
    "short to the finish lead": (ShortedTurn((2, 4), 0.05),),
    "fused winding": (FusedWinding(2e-3, 0.3),),
    "bad joint": (BadJoint(factor=1.5),),
    "open winding": (OpenWinding(1e8, 2),),
    "cracked core": (CrackedCore(inductance_share=0.6),),
    "lossy core": (LossyCore(4),),
    "joint and short": (BadJoint(extra_ohm=1e-3), ShortedTurn((1, 3), 5e-3)),
}
OF_THE_CORE = ("cracked core", "lossy core")
CASES = [
    (name, fault)
    for name in construction_names()
    for fault in FAULTS
    if not (fault in OF_THE_CORE and construction(name).material is None)
]


def test_the_netlist_holds_the_circuit_and_not_the_answer() -> None:
    coil = Coil(construction("moulded-470n")).with_fault(ShortedTurn((2, 3), 0.05))
    netlist = coil.netlist(1e5).splitlines()
    kinds = "".join(line[0] for line in netlist)
    turns = 4
    assert kinds.count("l") == turns + 1
    assert kinds.count("k") == turns * (turns - 1) // 2
    assert kinds.count("h") == turns * (turns - 1)
    assert "rsf0 n1 n2 0.050000000000000003" in netlist
    assert sum(line.startswith("cs") for line in netlist) == 1 + 2 * turns + 4
    impedance = complex(coil.impedance_ohm(1e5))
    for line in netlist:
        for word in line.split():
            assert word[:8] not in (f"{impedance.real:.9g}"[:8], f"{impedance.imag:.9g}"[:8])


@pytest.mark.needs_ngspice
@pytest.mark.parametrize(("name", "fault"), CASES)
def test_a_coil_is_solved_as_ngspice_solves_it(
    name: str, fault: str, ngspice: Callable[[str], complex]
) -> None:
    coil = Coil(construction(name), None, FAULTS[fault])
    for frequency in FREQUENCIES:
        ours = complex(coil.impedance_ohm(frequency))
        theirs = ngspice(coil.netlist(frequency))
        assert abs(ours - theirs) < 1e-6 * abs(theirs), frequency
        assert abs(ours.real - theirs.real) < 1e-6 * theirs.real, frequency


@pytest.mark.needs_ngspice
def test_a_warm_and_biased_coil_is_solved_as_ngspice_solves_it(
    ngspice: Callable[[str], complex],
) -> None:
    coil = Coil(construction("gapped-10u"), None, (ShortedTurn((4, 5), 0.2),))
    for frequency in FREQUENCIES:
        ours = complex(coil.impedance_ohm(frequency, bias_a=10.0, temperature_c=70.0))
        theirs = ngspice(coil.netlist(frequency, bias_a=10.0, temperature_c=70.0))
        assert abs(ours - theirs) < 1e-6 * abs(theirs), frequency


# Terman, Radio Engineers' Handbook (1943): Z = R1 + jwL1 + (wM)^2/(R2 + jwL2), the case of
# test_network.py through the netlist: it checks how the netlist is written and read.
@pytest.mark.needs_ngspice
def test_the_netlist_of_coupled_coils_gives_the_published_impedance(
    ngspice: Callable[[str], complex],
) -> None:
    network = Network(
        (Branch("one", "t", GROUND), Branch("two", "s", GROUND)),
        (Shunt("load", "s", GROUND, 1 / 10e-3),),
    )
    omega, mutual = 2e5 * np.pi, 0.9 * (100e-6 * 0.1e-6) ** 0.5
    branches = 1j * omega * np.array([[100e-6, mutual], [mutual, 0.1e-6]]) + np.diag([0.2, 0])
    netlist = network.netlist(branches, 1e5, "coupled coils")
    assert ngspice(netlist) == pytest.approx(8.0998933634 + 13.1953591623j, rel=1e-9)
