"""What a switch loses at 0 V beside its siblings: a leak where no multimeter looks.

By hand: D = 1 / (2 pi f R C). Not covered: leaks that need volts (nothing at 0 V shows them).
"""

from __future__ import annotations

import math

import pytest
from attrs import evolve

from labbench.judging.switch import judge_mosfet
from labbench.judging.switch_dissipation import lossier_than_siblings
from labbench.parts.mosfet_type import MosfetType
from labbench.results import Capacitance, Finding, GateLeakage, Readings, ShortCheck

FARAD, HZ = 1.6e-9, 100.0


def readings(name: str, ohm: float = math.inf, path: str = "gate-source") -> Readings:
    loss = 0.002 + 1.0 / (2.0 * math.pi * HZ * FARAD * ohm)
    return Readings(
        name, "fet", lot="board 4",
        short_check=(ShortCheck("drain-source", None, status="over-range",
                                greater_than_ohm=1e6),),
        capacitance=(Capacitance(path, HZ, FARAD, loss, 1e-12, 5e-4),),
    )  # fmt: skip


SIBLINGS = [readings(f"S{n}") for n in range(4)]


def found(part: Readings, siblings: list[Readings] = SIBLINGS) -> list[Finding]:
    return list(lossier_than_siblings(part, siblings))


@pytest.mark.parametrize(("ohm", "seen"), [(60e6, True), (90e6, False), (1e9, False)])
def test_a_leak_is_seen_below_some_eighty_megohms_across_1_6_nf(ohm: float, seen: bool) -> None:
    """By hand: 0.01 is 99.5 MΩ; with both uncertainties some 90 MΩ are not beyond it."""
    suspected = found(readings("Q1", ohm))
    assert bool(suspected) is seen
    if seen:
        assert (suspected[0].fault, suspected[0].path) == ("leak", "gate-source")
        assert suspected[0].grade == "suspect"
        assert "60 MΩ" in suspected[0].because


def test_fewer_than_three_siblings_say_nothing() -> None:
    assert found(readings("Q1", 20e6), SIBLINGS[:2]) == []


def test_where_the_leakage_was_read_by_a_multimeter_that_counts() -> None:
    part = evolve(readings("Q1", 20e6), gate_leakage=(GateLeakage(10.0, 1e-10, 3e-11),))
    assert found(part) == []
    blind = evolve(part, gate_leakage=(GateLeakage(10.0, 0.0, 1e-3, method="supply-readback"),))
    assert len(found(blind)) == 1


def test_another_path_of_the_siblings_is_no_comparison() -> None:
    assert found(readings("Q1", 20e6, path="drain-source")) == []


def test_a_part_that_loses_more_than_its_siblings_is_undecided_and_not_plausible() -> None:
    beyond = ("gate_leakage", "drain_leakage", "body_diode", "threshold", "on_resistance")
    fet = MosfetType(name="fet", polarity="n")
    sound = judge_mosfet(readings("Q1"), fet, siblings=SIBLINGS, beyond=beyond)
    leaky = judge_mosfet(readings("Q1", 40e6), fet, siblings=SIBLINGS, beyond=beyond)
    assert (sound.disposition, leaky.disposition) == ("plausible", "undecided")
    assert leaky.would_decide
