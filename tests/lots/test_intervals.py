"""Check intervals of variances by their exact special cases.

Does not cover: coverage (test_gauge_study.py draws studies for that).
"""

from __future__ import annotations

import pytest
from scipy.stats import chi2, f

from labbench.lots.intervals import Term, variance_interval


@pytest.mark.parametrize(("df", "confidence"), [(5, 0.95), (78, 0.9), (1, 0.95)])
def test_one_mean_square_gives_the_chi_square_interval(df: int, confidence: float) -> None:
    low, high = variance_interval([Term(0.5, 3.0, df)], confidence=confidence)
    tail = (1 - confidence) / 2
    assert low == pytest.approx(0.5 * 3.0 * df / chi2.ppf(1 - tail, df), rel=1e-9)
    assert high == pytest.approx(0.5 * 3.0 * df / chi2.ppf(tail, df), rel=1e-9)


def test_the_lower_end_of_a_difference_reaches_zero_where_the_f_test_does() -> None:
    # with MS1/MS2 at the critical F the lower bound of MS1 - MS2 is zero (Ting et al. 1990)
    critical = f.ppf(0.975, 9, 18)
    low, _ = variance_interval([Term(1.0, critical, 9), Term(-1.0, 1.0, 18)])
    assert low == pytest.approx(0.0, abs=1e-6)
    low, _ = variance_interval([Term(1.0, 1.05 * critical, 9), Term(-1.0, 1.0, 18)])
    assert low > 0.0


def test_the_upper_end_of_a_difference_reaches_zero_where_the_f_test_does() -> None:
    critical = f.ppf(0.025, 9, 18)
    _, high = variance_interval([Term(1.0, critical, 9), Term(-1.0, 1.0, 18)])
    assert high == pytest.approx(0.0, abs=1e-6)


def test_many_degrees_of_freedom_leave_no_doubt() -> None:
    low, high = variance_interval([Term(1.0, 4.0, 10**7), Term(-0.5, 2.0, 10**7)])
    assert (low, high) == (pytest.approx(3.0, rel=1e-2), pytest.approx(3.0, rel=1e-2))


def test_nothing_has_the_interval_of_nothing() -> None:
    assert variance_interval([]) == (0.0, 0.0)
    assert variance_interval([Term(0.0, 5.0, 3)]) == (0.0, 0.0)
