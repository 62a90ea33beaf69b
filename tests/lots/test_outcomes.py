"""Check how often the load survives, from a shop's own history.

Limits of the model are closed forms: one type alone is a beta-binomial; no history at all is the
uniform. Outside checks: scipy's beta-binomial, integrated another way, and a published example of
the same model. Does not cover: where outcomes come from (tests/jobs/test_survival).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import beta, betabinom

from labbench.errors import InputError
from labbench.lots.outcomes import load_survival


def test_without_any_history_nothing_is_claimed() -> None:
    found = load_survival({}, "buoy-radar")
    assert found.mean == pytest.approx(0.5)
    assert found.upper - found.lower > 0.9
    assert not found.is_pooled


def test_much_of_its_own_history_decides_alone() -> None:
    """With 400 boards the interval is that of a beta distribution with a weak prior (scipy)."""
    found = load_survival({"a": (300, 400), "b": (1, 10)}, "a")
    assert found.mean == pytest.approx(0.75, abs=0.01)
    assert found.lower == pytest.approx(beta(301, 101).ppf(0.025), abs=0.01)
    assert found.upper == pytest.approx(beta(301, 101).ppf(0.975), abs=0.01)
    assert (found.own_alive, found.own_boards, found.all_boards) == (300, 400, 410)


def test_a_type_with_little_history_leans_on_the_others() -> None:
    others = {f"t{k}": (18, 20) for k in range(6)}
    alone = load_survival({"new": (0, 1)}, "new")
    pooled = load_survival({**others, "new": (0, 1)}, "new")
    assert alone.mean < 0.5 < pooled.mean < 0.9
    assert pooled.is_pooled
    assert pooled.upper - pooled.lower < alone.upper - alone.lower


def test_an_unknown_type_is_told_from_the_others_with_a_wider_interval() -> None:
    others = {f"t{k}": (18, 20) for k in range(6)}
    unknown, known = load_survival(others, "new"), load_survival(others, "t0")
    assert unknown.mean == pytest.approx(0.88, abs=0.05)
    assert unknown.upper - unknown.lower > known.upper - known.lower


def test_types_that_differ_are_not_forced_together() -> None:
    found = {"good": (40, 40), "bad": (0, 40)}
    assert load_survival(found, "good").mean > 0.93
    assert load_survival(found, "bad").mean < 0.07


def test_counts_that_cannot_be_are_refused() -> None:
    with pytest.raises(InputError, match="3 of 2"):
        load_survival({"a": (3, 2)}, "a")


def test_the_mean_is_that_of_scipys_beta_binomial_integrated_by_chance() -> None:
    """The prior is drawn (seed 3), weighed by scipy's beta-binomial; nothing of ours is in it."""
    counts = {"a": (3, 4), "b": (9, 12), "c": (1, 2), "d": (14, 20)}
    rng = np.random.default_rng(3)
    mu, kappa = rng.uniform(size=60_000), np.exp(rng.uniform(0.0, np.log(100.0), size=60_000))
    a, b = mu * kappa, (1.0 - mu) * kappa
    weight = np.exp(sum(betabinom.logpmf(alive, n, a, b) for alive, n in counts.values()))
    for name, (alive, n) in {**counts, "new": (0, 0)}.items():
        mean = np.average((a + alive) / (a + b + n), weights=weight)
        found = load_survival(counts, name)
        assert found.mean == pytest.approx(mean, abs=0.004)
        inside = beta.cdf(found.upper, a + alive, b + n - alive) - beta.cdf(
            found.lower, a + alive, b + n - alive
        )
        assert np.average(inside, weights=weight) == pytest.approx(0.95, abs=0.004)


# Tumours among laboratory rats: 70 historical groups and a current one of 4 in 14. Tarone 1982,
# Biometrics 38, 215; as in table 5.1 of Gelman et al., Bayesian Data Analysis.
_TUMOURS = [0] * 14 + [1] * 8 + [2] * 9 + [
    1, 5, 2, 5, 3, 2, 7, 7, 3, 3, 2, 9, 10, 4, 4, 4, 4, 4, 4, 4, 10, 4, 4, 4, 5, 11, 12, 5, 5, 6,
    5, 6, 6, 6, 6, 16, 15, 15, 9,
]  # fmt: skip
_RATS = [
    20, 20, 20, 20, 20, 20, 20, 19, 19, 19, 19, 18, 18, 17, 20, 20, 20, 20, 19, 19, 18, 18, 25, 24,
    23, 20, 20, 20, 20, 20, 20, 10, 49, 19, 46, 27, 17, 49, 47, 20, 20, 13, 48, 50, 20, 20, 20, 20,
    20, 20, 20, 48, 19, 19, 19, 22, 46, 49, 20, 20, 23, 19, 22, 20, 20, 20, 52, 46, 47, 24,
]  # fmt: skip


def test_a_published_example_of_pooled_groups_is_met() -> None:
    """The historical groups fit a beta of (1.4, 8.6) by moments; with it the current group of 4 in
    14 has the posterior beta (5.4, 18.6), mean 0.225 (documentation of BayesDA, data `rats`). With
    both parameters integrated out, as ours are, their means are 2.4 and 14.3 (Gelman et al.,
    section 5.3; from memory), which gives the group beta (6.4, 24.3).
    """
    shares = np.array(_TUMOURS) / np.array(_RATS)
    assert len(shares) == 70
    weight = shares.mean() * (1 - shares.mean()) / shares.var(ddof=1) - 1.0
    assert shares.mean() * weight == pytest.approx(1.4, abs=0.05)
    assert (1 - shares.mean()) * weight == pytest.approx(8.6, abs=0.05)
    groups = {f"g{k}": each for k, each in enumerate(zip(_TUMOURS, _RATS, strict=True))}
    found = load_survival({**groups, "current": (4, 14)}, "current")
    assert found.mean == pytest.approx(5.4 / 24.0, abs=0.02)
    assert shares.mean() < found.mean < 4 / 14
    published = beta(6.4, 24.3)
    assert found.mean == pytest.approx(published.mean(), abs=0.01)
    assert found.lower == pytest.approx(published.ppf(0.025), abs=0.02)
    assert found.upper == pytest.approx(published.ppf(0.975), abs=0.02)
