"""Check control charts: constants against tables, zone rules and EWMA by hand, NIST's data.

Does not cover: run lengths of the rules together; charts of counts.
"""

from __future__ import annotations

import csv
import math
from statistics import fmean, stdev

import pytest
from scipy.integrate import quad
from scipy.stats import norm, t

from labbench.errors import InputError
from labbench.lots.check_chart import CheckPoint, check_chart
from labbench.lots.control_charts import (
    Limits,
    c4,
    d2,
    d2_star,
    d3,
    ewma,
    history_limits,
    individuals_limits,
    range_limits,
    xbar_r_limits,
    xbar_s_limits,
    zone_alarms,
)
from tests.lots.published import REFERENCES, check_standard_137

STANDARD = Limits(0.0, 1.0)


def test_the_constants_agree_with_a_printed_table() -> None:
    # public textbook table and e-Handbook 6.3.2.1; 0.001 because tables differ in rounding
    with (REFERENCES / "shewhart_constants.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 9
    for row in rows:
        n = int(row["n"])
        found = {
            "d2": d2(n), "d3": d3(n), "c4": c4(n),
            "A2": 3 / (d2(n) * math.sqrt(n)),
            "D3": range_limits(1.0, n)[0], "D4": range_limits(1.0, n)[1],
        }  # fmt: skip
        for name, value in found.items():
            assert value == pytest.approx(float(row[name]), abs=1e-3), (name, n)


def test_the_constants_agree_with_another_quadrature() -> None:
    # d2 = int 1 - (1 - Phi)^n - Phi^n, by scipy's adaptive quadrature; c4 by the chi distribution
    for n in (2, 3, 5, 10, 25):
        expected, _ = quad(lambda x, n=n: 1 - norm.sf(x) ** n - norm.cdf(x) ** n, -9, 9)
        assert d2(n) == pytest.approx(expected, rel=1e-7)
    # recomputed values of the reference table, five decimals
    assert [round(d3(n), 5) for n in (2, 3, 10)] == [0.85250, 0.88837, 0.79705]
    assert [round(c4(n), 5) for n in (2, 3, 10)] == [0.79788, 0.88623, 0.97266]
    assert d2_star(3) == pytest.approx(1 / 0.5231, rel=1e-4)  # K2 of the AIAG manual
    assert d2_star(10) == pytest.approx(1 / 0.3146, rel=2e-4)  # K3 of the AIAG manual


def test_a_value_beyond_three_standard_deviations_is_one_in_370() -> None:
    # e-Handbook 6.3.1: false alarm 0.0027, average run length 371
    share = 2 * norm.sf(STANDARD.upper)
    assert share == pytest.approx(0.0027, abs=1e-5)
    assert 1 / share == pytest.approx(371, abs=1)


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        ([0.0, 3.1], [(1, "beyond 3 s")]),
        ([0.0, -3.1, 0.0], [(1, "beyond 3 s")]),
        ([2.9, 0.0, 0.0], []),
        ([2.1, 0.0, 2.1], [(2, "2 of 3 beyond 2 s")]),
        ([2.1, 0.0, 0.0, 2.1], []),
        ([2.1, -2.1, 0.0], []),  # not on one side
        ([1.1, 1.1, 0.0, 1.1, 1.1], [(4, "4 of 5 beyond 1 s")]),
        ([1.1, 1.1, -0.5, -0.5, 1.1, 1.1], []),
        ([1.1, 1.1, 1.1, 1.1, 0.5], [(3, "4 of 5 beyond 1 s")]),  # not at a quiet point after it
        ([0.1] * 8, [(7, "8 on one side")]),
        ([0.1] * 7 + [0.0], []),  # on the line is not above it
        ([-0.1] * 9, [(7, "8 on one side"), (8, "8 on one side")]),
    ],
)
def test_zone_rules_on_series_made_by_hand(
    values: list[float], expected: list[tuple[int, str]]
) -> None:
    assert [(a.index, a.rule) for a in zone_alarms(values, STANDARD)] == expected


def test_several_rules_can_break_at_one_point() -> None:
    rules = {a.rule for a in zone_alarms([2.5, 2.5, 2.5, 3.5], STANDARD) if a.index == 3}
    assert rules == {"beyond 3 s", "2 of 3 beyond 2 s", "4 of 5 beyond 1 s"}


def test_ewma_by_hand() -> None:
    # weight 0.5, centre 10, sigma 2: z = 11, 11.5, 8.75; factors of the limits by hand
    found = ewma([12.0, 12.0, 6.0], Limits(10.0, 2.0), weight=0.5)
    assert found.averages == pytest.approx((11.0, 11.5, 8.75))
    third = 0.5 / 1.5
    expected = [10 + 3 * 2 * math.sqrt(third * (1 - 0.25**i)) for i in (1, 2, 3)]
    assert found.upper == pytest.approx(expected)
    assert found.lower == pytest.approx([20 - u for u in expected])
    assert found.upper[0] == pytest.approx(10 + 3 * 0.5 * 2)  # of one value: weight x sigma
    assert found.beyond == ()


def test_ewma_of_the_handbook_example() -> None:
    # e-Handbook 6.3.2.4 (from memory; each step recomputed): weight 0.3, EWMA0 50, s 2.0539
    values = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3,
              47.8, 51.2, 52.6, 52.4, 53.6, 52.1]  # fmt: skip
    expected = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36,
                49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]  # fmt: skip
    found = ewma(values, Limits(50.0, 2.0539), weight=0.3)
    assert found.averages == pytest.approx(expected, abs=0.006)
    assert found.upper[-1] == pytest.approx(52.5884, abs=2e-3)  # the limit for many points
    assert found.beyond == ()


def test_ewma_sees_a_drift_that_no_single_value_shows() -> None:
    values = [0.0] * 10 + [1.2] * 12
    assert ewma(values, STANDARD).beyond
    assert not any(a.rule == "beyond 3 s" for a in zone_alarms(values, STANDARD))


def test_limits_from_ranges_and_from_standard_deviations_by_hand() -> None:
    groups = [[9.0, 11.0], [10.0, 14.0], [8.0, 10.0]]
    by_range = xbar_r_limits(groups)
    assert by_range.centre == pytest.approx(31 / 3)
    assert 3 * by_range.sigma == pytest.approx(1.880 * 8 / 3, rel=1e-3)  # A2, printed table
    by_sd = xbar_s_limits(groups)
    # of two values s = range / sqrt 2, so both agree
    assert by_sd.sigma == pytest.approx(by_range.sigma, rel=1e-9)
    single = individuals_limits([10.0, 12.0, 11.0, 13.0])
    assert single.sigma == pytest.approx((2 + 1 + 2) / 3 / 1.128, rel=1e-3)  # d2, printed table


def test_the_check_standard_of_a_handbook_study_gives_its_mean_and_scatter() -> None:
    # e-Handbook 7.2.6: 25 values, mean 97.06984, s 0.0267981
    values = check_standard_137()
    assert len(values) == 25
    limits = history_limits(values)
    assert limits is not None
    assert limits.centre == pytest.approx(97.06984, abs=1e-5)
    assert limits.sigma == pytest.approx(stdev(values), rel=1e-12)
    assert limits.sigma == pytest.approx(0.0267981, abs=1e-7)
    assert not [a for a in zone_alarms(values, limits) if a.rule == "beyond 3 s"]


def test_few_checks_widen_the_limits_to_a_prediction_interval() -> None:
    values = check_standard_137()[:8]
    limits = history_limits(values)
    assert limits is not None
    factor = t.ppf(norm.cdf(3.0), 7) * math.sqrt(1 + 1 / 8)
    assert limits.upper - limits.centre == pytest.approx(factor * stdev(values), rel=1e-9)
    assert history_limits(values[:4]) is None


def test_a_display_that_shows_the_same_digits_every_day_keeps_a_width() -> None:
    limits = history_limits([5.0] * 8, least_sigma=0.01)
    assert limits == Limits(5.0, 0.01)


def points(values: list[float], u: float = 0.0) -> list[CheckPoint]:
    return [CheckPoint(utc=f"2026-11-{i:02d}", value=v, u=u, run=str(i))
            for i, v in enumerate(values, start=1)]  # fmt: skip


def test_a_chart_without_history_has_no_limits_and_no_alarm() -> None:
    chart = check_chart("inductance", "H", points([1.0, 1.1, 0.9, 1.0, 1.05]))
    assert chart.limits is None
    assert chart.in_control


def test_a_jump_of_the_reference_part_is_out_of_control_and_a_quiet_day_after_it_is_not() -> None:
    values = [1.0, 1.01, 0.99, 1.0, 1.005, 0.995, 1.0, 1.01]
    jumped = check_chart("dc resistance", "ohm", points([*values, 1.2]))
    assert "the value is beyond 3 s above" in jumped.alarms
    after = check_chart("dc resistance", "ohm", points([*values, 1.0]))
    assert after.in_control


def test_limits_do_not_follow_a_drift() -> None:
    steady = [1.0 + 0.01 * math.sin(7.0 * i) for i in range(20)]
    drifting = [1.0 + 0.002 * i for i in range(12)]
    chart = check_chart("inductance", "H", points(steady + drifting))
    assert chart.limits is not None
    assert chart.limits.centre == pytest.approx(fmean(steady))
    assert any("drifted above" in alarm for alarm in chart.alarms)


def test_limits_are_no_narrower_than_a_tenth_of_the_stated_uncertainty() -> None:
    chart = check_chart("inductance", "H", points([1.0] * 8 + [1.002], u=0.02))
    assert chart.limits is not None
    assert chart.limits.sigma == pytest.approx(0.002)
    assert chart.in_control


@pytest.mark.parametrize("weight", [0.0, 1.5])
def test_a_weight_of_an_ewma_outside_its_range_is_refused(weight: float) -> None:
    with pytest.raises(InputError, match="weight"):
        ewma([1.0], STANDARD, weight=weight)


def test_groups_of_different_size_are_refused() -> None:
    with pytest.raises(InputError, match="same size"):
        xbar_r_limits([[1.0, 2.0], [1.0]])
    with pytest.raises(InputError):
        individuals_limits([1.0])
    with pytest.raises(InputError):
        d2(1)
    with pytest.raises(InputError):
        c4(1)
