"""Check how often the load survives, from a shop's own history.

Limits of the model are closed forms: one type alone is a beta-binomial; no history at all is the
uniform. Does not cover: where outcomes come from (the store).
"""

from __future__ import annotations

import pytest
from scipy.stats import beta

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
