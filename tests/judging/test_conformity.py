"""Decisions with a stated risk.

Not covered: where the uncertainties come from (metrology), and global risks of a population.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labbench.errors import InputError
from labbench.judging.conformity import decide, expanded_uncertainty, probability_conforming


@pytest.mark.parametrize(
    ("value", "u", "lower", "upper", "expected"),
    [
        # Inputs of the examples of JCGM 106:2012 from memory; the probabilities are recomputed
        # from the normal distribution (exact whatever the inputs' origin).
        (-5.47, 0.05, None, -5.40, 0.919243),  # breakdown voltage, upper limit
        (509.7, 8.6, 490.0, None, 0.989010),  # burst pressure, lower limit
        (13.6, 1.8, 12.5, 16.3, 0.662630),  # viscosity, interval
    ],
)
def test_conformance_probabilities_agree_with_the_worked_examples(
    value: float, u: float, lower: float | None, upper: float | None, expected: float
) -> None:
    assert probability_conforming(value, u, lower, upper) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize(("k", "expected"), [(2.0, 0.977250), (1.645, 0.950015)])
def test_a_guard_band_of_k_u_gives_the_normal_probability_of_k(k: float, expected: float) -> None:
    # Phi(k): recomputed
    assert probability_conforming(10.0 - k * 0.3, 0.3, None, 10.0) == pytest.approx(
        expected, abs=1e-6
    )


def test_expanded_uncertainty_uses_students_factor_for_few_degrees_of_freedom() -> None:
    # JCGM 100:2008, table G.2: t for 95 % is 2.23 at 10 degrees of freedom, 1.960 at infinity
    assert expanded_uncertainty(1.0, 10.0) == pytest.approx(2.23, abs=0.005)
    assert expanded_uncertainty(1.0) == pytest.approx(1.960, abs=0.0005)


def test_few_degrees_of_freedom_make_the_same_value_undecided() -> None:
    assert decide(9.0, 0.58, None, 10.0, risk=0.05).verdict == "conforms"
    assert decide(9.0, 0.58, None, 10.0, risk=0.05, dof=3.0).verdict == "undecided"


@pytest.mark.parametrize(
    ("value", "verdict"),
    [(9.0, "conforms"), (9.9, "undecided"), (10.4, "undecided"), (11.0, "fails")],
)
def test_both_guard_bands_lie_between_acceptance_and_rejection(value: float, verdict: str) -> None:
    decision = decide(value, 0.3, None, 10.0, risk=0.05, rejection_risk=0.002)
    assert decision.verdict == verdict
    assert decision.expanded_uncertainty == pytest.approx(1.96 * 0.3, rel=1e-3)
    assert decision.coverage == 0.95


def test_an_uncertainty_wider_than_the_limits_decides_nothing_inside_them() -> None:
    assert decide(1.5, 1.0, 1.35, 1.65, risk=0.05, rejection_risk=0.002).verdict == "undecided"


def test_a_value_inside_its_limits_never_fails_and_one_outside_never_conforms() -> None:
    assert decide(1.5, 50.0, 1.49, 1.51, risk=0.4, rejection_risk=0.4).verdict == "undecided"
    assert decide(1.52, 0.5, None, 1.51, risk=0.49, rejection_risk=0.1).verdict == "undecided"


def test_a_value_that_could_not_be_had_is_not_measured() -> None:
    decision = decide(None, None, 1.0, 2.0, status="not-measured")
    assert decision.verdict == "not-measured"
    assert decision.probability_conforming is None
    assert decision.expanded_uncertainty is None


@pytest.mark.parametrize(
    ("greater_than", "less_than", "verdict"),
    [
        (100.0, None, "fails"),
        (1.5, None, "not-measured"),
        (None, 0.1, "fails"),
        (None, None, "not-measured"),
    ],
)
def test_an_over_range_value_fails_only_where_its_bound_is_outside(
    greater_than: float | None, less_than: float | None, verdict: str
) -> None:
    decision = decide(
        None, None, 1.0, 2.0, status="over-range", greater_than=greater_than, less_than=less_than
    )
    assert decision.verdict == verdict


def test_without_a_limit_nothing_is_decided_but_the_uncertainty_is_given() -> None:
    decision = decide(1.0, 0.1, None, None)
    assert decision.verdict == "undecided"
    assert decision.probability_conforming is None
    assert decision.expanded_uncertainty == pytest.approx(0.196, rel=1e-3)


def test_every_senseless_argument_is_named_at_once() -> None:
    with pytest.raises(InputError) as caught:
        decide(1.0, -0.1, 2.0, 1.0, risk=0.7, rejection_risk=0.0, dof=0.5)
    for part in ("uncertainty", "above the upper limit", "risk", "rejection risk", "freedom"):
        assert part in str(caught.value)


@given(
    value=st.floats(-10, 10), u=st.floats(1e-3, 10), lower=st.floats(-5, 0), width=st.floats(0, 5),
    dof=st.one_of(st.just(math.inf), st.floats(1, 100)),
)  # fmt: skip
def test_one_limit_is_never_harder_than_two(
    value: float, u: float, lower: float, width: float, dof: float
) -> None:
    both = probability_conforming(value, u, lower, lower + width, dof=dof)
    assert 0.0 <= both <= 1.0
    assert both <= probability_conforming(value, u, lower, None, dof=dof) + 1e-12
