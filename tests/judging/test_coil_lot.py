"""Parts beside their siblings: what is found, one bad sibling, a wrong lot, companions.

Coils from closed forms whose parameters scatter as invented here. Not covered: rates (study).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from attrs import evolve

from labbench.judging.coil import Case, judge_coil, judge_coils
from labbench.judging.coil_lot import find_reference
from labbench.judging.coil_lot_book import LotBook
from labbench.judging.coil_lot_tests import LotTests
from labbench.judging.coil_measured import believed
from labbench.results import Readings
from tests.judging.closed_forms import LARGE, LARGE_TYPE, ClosedFormCoil, readings_of

OTHER = evolve(LARGE, inductance_h=4.4e-6, relaxation_hz=17e6, loss_angle=4e-3)


def unit(lot: ClosedFormCoil, seed: int) -> ClosedFormCoil:
    rng = np.random.default_rng([5, seed])
    factors = np.exp(np.array([0.03, 0.025, 0.07, 0.1]) * rng.normal(size=4))
    return evolve(
        lot, inductance_h=lot.inductance_h * factors[0],
        resistance_ohm=lot.resistance_ohm * factors[1],
        relaxation_hz=lot.relaxation_hz * factors[2], loss_angle=lot.loss_angle * factors[3],
    )  # fmt: skip


def part(lot: ClosedFormCoil, seed: int, name: str, **fault: float) -> Readings:
    readings = readings_of(evolve(unit(lot, seed), **fault), LARGE_TYPE, seed=seed, specimen=name)
    return evolve(readings, session="one")


def siblings(lot: ClosedFormCoil = LARGE, count: int = 3) -> list[Readings]:
    return [evolve(part(lot, 100 + i, f"S{i}"), role="sibling") for i in range(count)]


def word(readings: Readings, beside: list[Readings]):
    return judge_coil(readings, LARGE_TYPE, siblings=beside)


@pytest.mark.parametrize("seed", range(8))
def test_a_sound_part_is_fit_beside_its_siblings(seed: int) -> None:
    judgement = word(part(LARGE, seed, "D1"), siblings())
    assert judgement.disposition == "fit"
    assert "compared with 3 siblings" in judgement.remarks


@pytest.mark.parametrize("short_ohm", [0.005, 0.2, 1.0, 3.0])
def test_siblings_show_shorts_of_some_ohm(short_ohm: float) -> None:
    judgement = word(part(LARGE, 1, "D1", short_ohm=short_ohm), siblings())
    assert judgement.disposition == "unfit"
    first = judgement.findings[0]
    assert "shorted-turn" in (first.fault, *first.alternatives)


def test_a_short_that_type_data_do_not_condemn_is_found_beside_siblings() -> None:
    readings = part(LARGE, 1, "D1", short_ohm=5.0)
    assert judge_coil(readings, LARGE_TYPE).disposition != "unfit"
    companions = [part(LARGE, 20 + i, f"C{i}") for i in range(4)]
    case = Case(readings, LARGE_TYPE, siblings(), companions)
    assert judge_coils([case])[0].disposition == "unfit"


@pytest.mark.parametrize(
    ("fault", "name"),
    [({"series_ohm": 3.2e-3}, "high-resistance-joint"), ({"inductance_h": 3.6e-6}, "cracked-core")],
)
def test_a_joint_and_a_crack_inside_the_limits_of_the_type_show_beside_siblings(
    fault: dict[str, float], name: str
) -> None:
    lot = evolve(LARGE, resistance_ohm=14.5e-3)
    judgement = word(part(lot, 2, "D1", **fault), siblings(lot))
    first = judgement.findings[0]
    assert judgement.disposition == "unfit"
    assert name in (first.fault, *first.alternatives)


@pytest.mark.parametrize("count", [3, 4, 5])
@pytest.mark.parametrize("bad", [{"short_ohm": 0.05}, {"short_ohm": 1.0}, {"inductance_h": 2.6e-6}])
def test_one_bad_sibling_is_left_out_and_named(count: int, bad: dict[str, float]) -> None:
    spoiled = siblings(count=count)
    spoiled[1] = evolve(part(LARGE, 101, "S1", **bad), role="sibling")
    healthy = word(part(LARGE, 1, "D1"), spoiled)
    assert healthy.disposition == "fit"
    assert "sibling left out, unlike the others: S1" in healthy.remarks
    assert word(part(LARGE, 1, "D1", short_ohm=1.0), spoiled).disposition == "unfit"


def test_two_siblings_that_differ_are_not_used_and_that_is_said() -> None:
    pair = [siblings()[0], evolve(part(LARGE, 101, "S1", short_ohm=0.5), role="sibling")]
    judgement = word(part(LARGE, 1, "D1"), pair)
    assert judgement.disposition == "fit"
    assert "siblings unlike each other, not used: S0, S1" in judgement.remarks


def test_a_sound_part_beside_siblings_of_another_lot_is_not_condemned() -> None:
    words = [word(part(LARGE, seed, "D1"), siblings(OTHER)) for seed in range(12)]
    assert not any(w.disposition == "unfit" for w in words)
    told = [w for w in words if w.disposition == "undecided"]
    assert told
    for w in told:
        assert w.remarks[0] == "unlike its siblings, as a part of another lot would be"
        assert w.would_decide[0].action == "more-siblings"


def test_a_clear_short_is_found_beside_siblings_of_another_lot_too() -> None:
    for short_ohm in (0.005, 0.2, 1.0):
        judgement = word(part(LARGE, 1, "D1", short_ohm=short_ohm), siblings(OTHER))
        assert judgement.disposition == "unfit"


def test_companions_tell_whose_lot_the_siblings_are_of() -> None:
    companions = [part(LARGE, 20 + i, f"C{i}") for i in range(4)]
    mine, other = siblings(), siblings(OTHER)
    faulty = part(LARGE, 3, "D1", short_ohm=6.0)
    own, wrong = judge_coils(
        [Case(faulty, LARGE_TYPE, mine, companions), Case(faulty, LARGE_TYPE, other, companions)]
    )
    assert own.disposition == "unfit"
    assert wrong.remarks[0] == "unlike its siblings, as a part of another lot would be"


def test_judging_together_and_one_by_one_say_the_same() -> None:
    beside = siblings()
    parts = [part(LARGE, seed, f"D{seed}") for seed in range(5)]
    parts += [part(LARGE, 7, "D7", short_ohm=0.3), part(LARGE, 8, "D8", series_ohm=8e-3)]
    together = judge_coils([Case(p, LARGE_TYPE, beside) for p in parts], book=LotBook())
    alone = [word(p, beside) for p in parts]
    for a, b in zip(together, alone, strict=True):
        assert (a.disposition, a.remarks) == (b.disposition, b.remarks)
        assert [f.fault for f in a.findings] == [f.fault for f in b.findings]


def test_the_tests_have_the_distribution_that_they_claim() -> None:
    # drawn from the reference's own covariance: an independent check of the tails, not of the
    # covariance
    beside = [believed(s, LARGE_TYPE) for s in siblings()]
    view = LotBook().look(beside[0], LARGE_TYPE, [s.readings for s in beside[1:]] + [siblings()[0]])
    assert view.tests is not None
    tests: LotTests = view.tests
    rng = np.random.default_rng(9)
    vectors = rng.multivariate_normal(tests.reference.mean, tests.reference.covariance, size=20000)
    found = tests.compare(vectors)
    for name, exact in (("distance", True), ("joint", True), ("crack", True), ("loop", False)):
        rate = np.mean([e.p[name] < 0.01 for e in found])
        sd = math.sqrt(0.01 * 0.99 / 20000)
        assert rate < 0.01 + 4 * sd
        if exact:
            assert rate > 0.01 - 4 * sd
        else:
            # the bound on a maximum may be loose, but not by much
            assert rate > 0.003


def test_siblings_swept_at_other_frequencies_are_no_reference() -> None:
    odd = [
        evolve(
            readings_of(unit(LARGE, i), LARGE_TYPE, seed=i, specimen=f"S{i}",
                        frequency_hz=(2e3, 2e4, 2e5, 5e5)),
            role="sibling",
        )
        for i in range(3)
    ]  # fmt: skip
    judgement = word(part(LARGE, 1, "D1"), odd)
    assert judgement.disposition == "fit"
    assert not any("compared" in remark for remark in judgement.remarks)


def test_one_sibling_is_no_reference() -> None:
    measured = believed(part(LARGE, 1, "D1"), LARGE_TYPE)
    reference, _ = find_reference(
        [], measured.points.frequency_hz, measured.prior(LARGE_TYPE), LARGE_TYPE, session=None
    )
    assert reference is None
    assert word(part(LARGE, 1, "D1"), siblings(count=1)).disposition == "fit"
