"""Check the analysis of variance: NIST's certified sets, statsmodels, arithmetic by hand.

Does not cover: unbalanced crossed data (refused), fixed factors.
"""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from labbench.errors import InputError
from labbench.lots.anova import combination, crossed, one_way, pooled
from tests.lots.published import aiag_study, strd_groups

SEED = 20261125


def test_the_certified_values_of_sirstv_come_out() -> None:
    # NIST StRD, SiRstv: certified values of the file
    found = one_way(strd_groups("SiRstv"))
    assert (found.between_df, found.within_df) == (4, 20)
    assert found.between_ss == pytest.approx(5.11462616000000e-02, rel=1e-9)
    assert found.between_ms == pytest.approx(1.27865654000000e-02, rel=1e-9)
    assert found.within_ss == pytest.approx(2.16636560000000e-01, rel=1e-9)
    assert found.within_ms == pytest.approx(1.08318280000000e-02, rel=1e-9)
    assert found.f == pytest.approx(1.18046237440255e00, rel=1e-9)
    assert found.r_squared == pytest.approx(1.90999039051129e-01, rel=1e-9)
    assert found.residual_sd == pytest.approx(1.04076068334656e-01, rel=1e-9)


def test_seven_constant_leading_digits_cost_nothing() -> None:
    # NIST StRD, AtmWtAg: certified values of the file; squares of the readings would lose them all
    found = one_way(strd_groups("AtmWtAg"))
    assert (found.between_df, found.within_df) == (1, 46)
    assert found.between_ss == pytest.approx(3.63834187500000e-09, rel=1e-7)
    assert found.within_ss == pytest.approx(1.04951729166667e-08, rel=1e-7)
    assert found.f == pytest.approx(1.59467335677930e01, rel=1e-7)
    assert found.r_squared == pytest.approx(2.57426544538321e-01, rel=1e-7)
    assert found.residual_sd == pytest.approx(1.51048314446410e-05, rel=1e-7)


def test_a_one_way_study_as_crossed_is_the_same_analysis() -> None:
    groups = strd_groups("AtmWtAg")
    by_group, rest = crossed(np.array(groups), ("part",))
    assert by_group.f == pytest.approx(1.59467335677930e01, rel=1e-7)  # NIST StRD
    assert rest.ss == pytest.approx(1.04951729166667e-08, rel=1e-7)


def test_the_published_study_gives_its_table() -> None:
    # AIAG study: sums of squares by statsmodels and the manual; F of the random model
    table = {effect.name: effect for effect in crossed(aiag_study(), ("part", "operator"))}
    expected = {
        "part": (88.361934, 9), "operator": (3.167262, 2),
        "part x operator": (0.358982, 18), "repeatability": (2.758933, 60),
    }  # fmt: skip
    for name, (ss, df) in expected.items():
        assert table[name].ss == pytest.approx(ss, abs=1e-6)
        assert table[name].df == df
    assert table["part x operator"].f == pytest.approx(0.43372, abs=1e-5)
    assert table["part x operator"].p == pytest.approx(0.9741, abs=1e-4)
    assert table["operator"].f == pytest.approx(79.406, abs=1e-3)
    assert table["part"].f == pytest.approx(492.291, abs=1e-3)


@pytest.mark.parametrize("factors", [("part", "operator"), ("part", "operator", "day")])
def test_statsmodels_finds_the_same_sums_of_squares(factors: tuple[str, ...]) -> None:
    # an independent library: ordinary least squares with sequential sums of squares
    import pandas as pd
    import statsmodels.api as sm
    import statsmodels.formula.api as smf

    chance = np.random.default_rng(SEED)
    shape = (5, 3, 2)[: len(factors)]
    y = chance.normal(100.0, 1.0, (*shape, 3)) + chance.normal(0, 2, (5, *(1,) * len(factors)))
    rows = [
        {**dict(zip(factors, place, strict=False)), "y": y[place]}
        for place in product(*(range(n) for n in y.shape))
    ]
    model = " * ".join(f"C({name})" for name in factors)
    table = sm.stats.anova_lm(smf.ols(f"y ~ {model}", pd.DataFrame(rows)).fit())
    for effect in crossed(y, factors):
        row = ":".join(f"C({name})" for name in effect.factors) or "Residual"
        assert effect.ss == pytest.approx(table.loc[row, "sum_sq"], rel=1e-9), effect.name
        assert effect.df == table.loc[row, "df"]


def test_an_interaction_that_does_not_show_is_pooled_and_one_that_shows_stays() -> None:
    kept = pooled(crossed(aiag_study(), ("part", "operator")))
    assert [effect.name for effect in kept] == ["part", "operator", "repeatability"]
    assert kept[-1].df == 78
    assert kept[-1].ms == pytest.approx(0.0399733, abs=1e-7)  # AIAG study, pooled
    y = aiag_study()
    y[::2, 0] += 1.0  # one person reads every other part higher
    assert "part x operator" in [e.name for e in pooled(crossed(y, ("part", "operator")))]


def test_an_interaction_inside_one_that_stays_is_not_pooled() -> None:
    chance = np.random.default_rng(SEED)
    y = chance.normal(0, 0.01, (4, 3, 3, 2)) + chance.normal(0, 1, (4, 3, 3, 1))
    names = [e.name for e in pooled(crossed(y, ("part", "operator", "day")))]
    assert names == [e.name for e in crossed(y, ("part", "operator", "day"))]


def test_the_combination_for_three_factors_is_the_alternating_sum() -> None:
    y = np.random.default_rng(SEED).normal(size=(3, 2, 2, 2))
    effects = crossed(y, ("part", "operator", "day"))
    assert combination(effects, ("part",)) == {
        ("part",): 1, ("part", "operator"): -1, ("part", "day"): -1,
        ("part", "operator", "day"): 1,
    }  # fmt: skip
    assert combination(effects, ("part", "operator", "day")) == {
        ("part", "operator", "day"): 1, (): -1,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("values", "factors", "says"),
    [
        (np.zeros((1, 3, 2)), ("part", "operator"), "one part"),
        (np.zeros((3, 3, 1)), ("part", "operator"), "one trial"),
        (np.full((2, 2, 2), np.nan), ("part", "operator"), "no finite number"),
        (np.zeros((2, 2)), ("part", "operator"), "2 axes for 2 factors"),
    ],
)
def test_data_that_cannot_be_analysed_say_why(
    values: np.ndarray, factors: tuple[str, ...], says: str
) -> None:
    with pytest.raises(InputError, match=says):
        crossed(values, factors)


@pytest.mark.parametrize("groups", [[[1.0, 2.0]], [[1.0], []], [[1.0], [2.0]]])
def test_groups_that_cannot_be_analysed_are_refused(groups: list[list[float]]) -> None:
    with pytest.raises(InputError):
        one_way(groups)
