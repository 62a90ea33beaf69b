"""Global risks of a population, and a prior.

Not covered: where populations come from; the sampling of a lot.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from labbench.errors import InputError
from labbench.judging.conformity import (
    Prior,
    could_accept,
    decide,
    needed_expanded_uncertainty,
    posterior_conforming,
    probability_conforming,
)
from labbench.judging.risks import acceptance_limits, global_risks, guard_band_for

# Ball bearings: JCGM 106:2012, 9.5.4 (gamma process of mean 1 um and sd 0.5 um, T_U = 2 um,
# u = 0.25 um), as quoted in a public notebook of an open uncertainty calculator; the digits beyond
# the printed 0.8 %, 4.2 % and 0.33 um are recomputed by two independent programs.
BEARINGS = stats.gamma(a=4.0, scale=0.25)


def test_the_bearings_fail_their_limit_as_often_as_published() -> None:
    risks = global_risks(BEARINGS, 0.25, lower=None, upper=2.0, accept_lower=None, accept_upper=2.0)
    assert 1.0 - risks.conforming == pytest.approx(0.0423801, abs=1e-6)
    assert risks.consumer == pytest.approx(0.00801911, abs=1e-7)
    assert risks.producer == pytest.approx(0.0174445, abs=1e-6)


def test_the_guard_band_of_the_bearings_is_the_published_one() -> None:
    w = guard_band_for(BEARINGS, 0.25, lower=None, upper=2.0, consumer_risk=0.001)
    assert w == pytest.approx(0.328171, abs=1e-5)
    risks = global_risks(
        BEARINGS, 0.25, lower=None, upper=2.0, accept_lower=None, accept_upper=2.0 - w
    )
    assert risks.consumer == pytest.approx(0.001, abs=1e-8)
    assert risks.producer == pytest.approx(0.0754939, abs=1e-6)


@pytest.mark.parametrize(
    ("in_tolerance", "ratio", "consumer", "producer"),
    [
        # two-sided centred normal process, simple acceptance; limits +-1, u = 1/(2 ratio):
        # recomputed by own integral and by an open uncertainty calculator, to 1e-9
        (0.95, 4.0, 0.00858266, 0.0155365),
        (0.80, 2.0, 0.0345796, 0.0568765),
        (0.90, 4.0, 0.0137410, 0.0208878),
        (0.95, 10.0, 0.00406017, 0.00516246),
    ],
)
def test_the_two_sided_risk_table(
    in_tolerance: float, ratio: float, consumer: float, producer: float
) -> None:
    sd = 1.0 / stats.norm.ppf(0.5 + in_tolerance / 2.0)
    risks = global_risks(
        stats.norm(0.0, sd), 1.0 / (2.0 * ratio),
        lower=-1.0, upper=1.0, accept_lower=-1.0, accept_upper=1.0,
    )  # fmt: skip
    assert risks.consumer == pytest.approx(consumer, abs=1e-7)
    assert risks.producer == pytest.approx(producer, abs=1e-6)


def test_limits_at_two_sigma_with_a_ratio_of_four() -> None:
    # published anchor: 0.008 and 0.015 (Deaver, a conference paper, as a public test cites it)
    risks = global_risks(
        stats.norm(0.0, 1.0), 0.25, lower=-2.0, upper=2.0, accept_lower=-2.0, accept_upper=2.0
    )
    assert risks.consumer == pytest.approx(0.008, abs=1e-4)
    assert risks.producer == pytest.approx(0.015, abs=2e-4)


def test_the_root_sum_square_guard_band_of_a_ratio_of_four() -> None:
    # factor sqrt(1 - 1/TUR^2), definition: 0.968246; the guarded consumer's risk is below simple
    # acceptance's
    factor = math.sqrt(1.0 - 1.0 / 4.0**2)
    assert factor == pytest.approx(0.968246, abs=1e-6)
    process = stats.norm(0.0, 0.5)
    plain = global_risks(process, 0.125, lower=-1, upper=1, accept_lower=-1, accept_upper=1)
    guarded = global_risks(
        process, 0.125, lower=-1, upper=1, accept_lower=-factor, accept_upper=factor
    )
    assert guarded.consumer < plain.consumer
    assert guarded.producer > plain.producer


def test_a_guarded_limit_holds_its_risk_for_a_part_exactly_at_the_limit() -> None:
    lower, upper = acceptance_limits(-1.0, 1.0, 0.1, risk=0.05)
    assert upper == pytest.approx(1.0 - 1.644854 * 0.1, abs=1e-6)
    assert lower == -upper
    assert stats.norm.sf(1.0, upper, 0.1) == pytest.approx(0.05, abs=1e-9)


def test_a_risk_that_is_none_is_refused() -> None:
    with pytest.raises(InputError, match="between 0 and 1"):
        guard_band_for(BEARINGS, 0.25, lower=None, upper=2.0, consumer_risk=0.0)


@given(
    value=st.floats(-4.0, 4.0), u=st.floats(0.02, 1.0), mean=st.floats(-0.5, 0.5),
    sd=st.floats(0.05, 0.6), share=st.floats(0.01, 0.9),
)  # fmt: skip
def test_the_posterior_agrees_with_integrating_bayes_rule(
    value: float, u: float, mean: float, sd: float, share: float
) -> None:
    # Bayes' rule by quadrature on a grid: another method than the closed form
    grid = [i * 2e-3 for i in range(-5000, 5001)]
    density = [
        ((1 - share) * stats_pdf(x, mean, sd) + share * stats_pdf(x, mean, 20 * sd))
        * stats_pdf(value, x, u)
        for x in grid
    ]
    total = math.fsum(density)
    inside = math.fsum(d for x, d in zip(grid, density, strict=True) if abs(x) <= 1.0)
    found = posterior_conforming(value, u, -1.0, 1.0, prior=Prior(mean, sd, share))
    # the edge of the grid's cells at a limit, and its finite width, leave this much
    assert found == pytest.approx(inside / total, abs=0.03)


def stats_pdf(x: float, mean: float, sd: float) -> float:
    return math.exp(-0.5 * ((x - mean) / sd) ** 2) / sd


def test_a_known_population_settles_a_value_inside_the_guard_band() -> None:
    plain = decide(1.08, 0.02, 0.9, 1.1, risk=0.05)
    known = decide(1.08, 0.02, 0.9, 1.1, risk=0.05, prior=Prior(1.0, 0.03))
    assert plain.verdict == "undecided"
    assert known.verdict == "conforms"
    assert known.probability_conforming is not None
    assert plain.probability_conforming is not None
    assert known.probability_conforming > plain.probability_conforming


def test_a_population_never_stands_in_for_a_measurement_that_could_not_accept() -> None:
    # u is so large that not even a part in the middle could be accepted
    assert not could_accept(0.2, 0.9, 1.1, risk=0.05)
    known = decide(1.0, 0.2, 0.9, 1.1, risk=0.05, prior=Prior(1.0, 0.01))
    assert known.verdict == "undecided"


def test_a_value_far_from_its_population_is_judged_as_if_there_were_none() -> None:
    prior = Prior(1.0, 0.01)
    far = posterior_conforming(1.3, 0.02, 0.9, 1.1, prior=prior)
    assert far == pytest.approx(probability_conforming(1.3, 0.02, 0.9, 1.1), abs=1e-6)
    assert decide(1.3, 0.02, 0.9, 1.1, prior=prior).verdict == "fails"


def test_a_prior_that_makes_no_sense_is_refused() -> None:
    with pytest.raises(InputError, match="makes no sense"):
        decide(1.0, 0.02, 0.9, 1.1, prior=Prior(1.0, 0.0))


@given(value=st.floats(0.5, 1.5), risk=st.floats(0.001, 0.3))
def test_the_needed_uncertainty_just_settles_the_value(value: float, risk: float) -> None:
    needed = needed_expanded_uncertainty(value, 0.9, 1.1, risk=risk, rejection_risk=0.01)
    if needed is None or min(abs(value - 0.9), abs(value - 1.1)) < 1e-6:
        return
    u = needed / 1.959963984540054
    settled = decide(value, u * 0.999, 0.9, 1.1, risk=risk, rejection_risk=0.01)
    open_still = decide(value, u * 1.001, 0.9, 1.1, risk=risk, rejection_risk=0.01)
    assert settled.verdict in ("conforms", "fails")
    assert open_still.verdict == "undecided"


def test_a_value_on_its_limit_is_settled_by_no_uncertainty() -> None:
    assert needed_expanded_uncertainty(1.1, 0.9, 1.1, risk=0.05) is None
    assert needed_expanded_uncertainty(1.1, None, None, risk=0.05) is None
