"""A reduced coverage study: the full one is `python tests/studies/coverage.py` (results/).

Not covered: real instruments; a check against our own simulator is no outside check.
"""

from __future__ import annotations

import pytest

from labbench.results import Estimate
from tests.studies.coverage import PARTS, RESISTANCES, kinds, run
from tests.studies.switch_coverage import LEAKS, SWITCH_KINDS, switch_session


@pytest.mark.slow
def test_the_stated_intervals_hold_the_truth_as_often_as_stated() -> None:
    counts = run(60, first_seed=5001, only=PARTS["coils"])
    # sweeps: two values a frequency; three frequencies by hand, four, five and six by bench
    assert len(counts) == 2 * (3 + 4 + 5 + 6) + len(RESISTANCES)
    assert len(kinds()) == 4 + len(RESISTANCES) + len(SWITCH_KINDS)
    for name, count in counts.items():
        assert count.n == 60, f"{name}: {count.missing} measurements gave no value"
        assert count.verdict() != "LOW", f"{name}: {count.inside} of {count.n} covered"
        assert count.verdict() != "HIGH", f"{name}: {count.inside} of {count.n} covered"
    # together they are many: a systematic shortfall too small to show in one kind shows here
    inside = sum(count.inside for count in counts.values())
    total = sum(count.n for count in counts.values())
    assert inside / total > 0.945


@pytest.mark.slow
def test_the_study_notices_an_uncertainty_that_is_stated_too_small(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    import tests.studies.coverage as coverage

    real = coverage.expanded_uncertainty
    monkeypatch.setattr(coverage, "expanded_uncertainty", lambda estimate: 0.6 * real(estimate))
    counts: coverage.Counts = {}
    for seed in range(60):
        coverage.impedance_session("bench-1MHz", seed, counts)
    assert any(count.verdict() == "LOW" for count in counts.values())


@pytest.mark.slow
def test_the_stated_intervals_of_switches_hold_the_truth_as_often_as_stated() -> None:
    counts = run(40, first_seed=5001, only=PARTS["switches"])
    for name, count in counts.items():
        assert count.missing == 0, f"{name}: {count.missing} measurements gave no value"
        assert count.verdict() != "LOW", f"{name}: {count.inside} of {count.n} covered"
        assert count.verdict() != "HIGH", f"{name}: {count.inside} of {count.n} covered"
    inside = sum(count.inside for count in counts.values())
    assert inside / sum(count.n for count in counts.values()) > 0.95
    # every element of the ladder was reached by currents that suit it
    for element in LEAKS:
        words = "by the meter" if element == "meter" else f"through {element},"
        assert sum(c.n for name, c in counts.items() if words in name) >= 10, element


@pytest.mark.slow
def test_the_study_notices_a_switch_whose_uncertainty_is_stated_too_small() -> None:
    outside = 0

    def take(name: str, stated: Estimate | None, truth: float) -> None:
        nonlocal outside
        assert stated is not None
        outside += abs(stated.value - truth) > 0.3 * 2.0 * stated.u

    for seed in range(30):
        switch_session(("on-two", "6.5-digit", "1mV-1mA"), seed, take)
    assert outside > 6
