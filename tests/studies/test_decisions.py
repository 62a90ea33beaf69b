"""A reduced study of decisions: the full one is `python tests/studies/decisions.py` (results/).

Not covered: diagnosis (findings), whose own risks are studied with it; real instruments.
"""

from __future__ import annotations

import pytest

from tests.studies.decisions import PLANS, RISK, at_limit, limit_rows, population_rows
from tests.studies.in_process import wilson


@pytest.mark.slow
def test_a_part_exactly_at_its_limit_is_accepted_no_more_often_than_stated() -> None:
    rows = limit_rows(250, seed=21, naive_runs=0)
    assert len(rows) == 2 * len(PLANS)
    for row in rows:
        assert row.holds, f"{row.plan}, {row.limit}: {row.accepted} of {row.runs}"
    # together they are many: a small excess everywhere would show here
    accepted = sum(row.accepted for row in rows)
    assert accepted / sum(row.runs for row in rows) < RISK


@pytest.mark.slow
def test_the_study_notices_a_rule_that_looks_until_it_likes_what_it_sees() -> None:
    noisy = next(plan for plan in PLANS if plan.noise > 1.0)
    row = at_limit(noisy, 1, 5, 31, naive_runs=100)
    assert wilson(row.naive, row.naive_runs)[0] > RISK


@pytest.mark.slow
def test_wrong_decisions_over_a_population_are_as_many_as_foretold() -> None:
    for row in population_rows(300, seed=41):
        accepts, rejects = row.z()
        assert abs(accepts) < 3.5, f"{row.plan}, {row.how}: {row.wrong_accepts} wrongly accepted"
        assert abs(rejects) < 3.5, f"{row.plan}, {row.how}: {row.wrong_rejects} not accepted"


@pytest.mark.slow
def test_clear_parts_take_fewer_pairs_than_a_fixed_number() -> None:
    rows = {(row.plan, row.how): row for row in population_rows(60, seed=51)}
    quick = rows[PLANS[0].name, "until decided"]
    usual = rows[PLANS[0].name, "4 pairs"]
    assert quick.pairs < 0.7 * usual.pairs
