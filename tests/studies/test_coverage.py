"""A reduced coverage study: the full one is `python tests/studies/coverage.py` (results/).

Not covered: real instruments; a check against our own simulator is no outside check.
"""

from __future__ import annotations

import pytest

from tests.studies.coverage import RESISTANCES, kinds, run


@pytest.mark.slow
def test_the_stated_intervals_hold_the_truth_as_often_as_stated() -> None:
    counts = run(60, first_seed=5001)
    # sweeps: two values a frequency; three frequencies by hand, four, five and six by bench
    assert len(counts) == 2 * (3 + 4 + 5 + 6) + len(RESISTANCES)
    assert len(kinds()) == 4 + len(RESISTANCES)
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
