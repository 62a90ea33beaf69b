"""Estimates against the worked examples of the GUM and of its Supplement 2.

Sources: JCGM 100:2008 Annexes G.2, H.1, H.2 and JCGM 102:2011 Tables 6 and 7, as published; full
precision values recomputed with two independent libraries.

Not covered: multivariate coverage regions; Monte Carlo propagation (there is none in the package).
"""

from __future__ import annotations

import math
import subprocess
import sys

import GTC
import numpy as np
import pytest
import uncertainties
from uncertainties import umath

from labbench.metrology.estimates import (
    complex_reading,
    coverage_factor,
    expanded_uncertainty,
    influence,
    limits,
    related_readings,
    repeated,
    to_estimate,
)

# JCGM 100:2008 Table H.2, five simultaneous sets
VOLTS = (5.007, 4.994, 5.005, 4.990, 4.999)
AMPERES = (19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3)
RADIANS = (1.0456, 1.0438, 1.0468, 1.0428, 1.0433)


def end_gauge():
    """JCGM 100:2008 H.1, equation (H.3), lengths in nm."""
    d = (
        influence(215.0, 5.8, "difference of the gauges", dof=24)
        + influence(0.0, 3.9, "comparator, random", dof=5)
        + influence(0.0, 6.7, "comparator, systematic", dof=8)
    )
    standard = influence(50_000_623.0, 25.0, "length of the standard", dof=18)
    alpha = limits(11.5e-6, 2e-6, "expansion of the standard")
    d_alpha = limits(0.0, 1e-6, "difference of expansion", dof=50)
    d_theta = limits(0.0, 0.05, "difference of temperature", dof=2)
    theta = influence(-0.1, 0.2, "mean temperature") + influence(
        0.0,
        0.5 / math.sqrt(2.0),
        "cycle of temperature",  # arcsine, GUM 4.3.7 note and H.1.3.4
    )
    return d, standard + d - standard * (d_alpha * theta + alpha * d_theta)


def test_the_end_gauge_of_the_guide_has_its_length_uncertainty_and_degrees_of_freedom():
    # JCGM 100:2008 H.1: l = 50 000 838 nm, u_c = 32 nm, nu_eff = 16
    _, length = end_gauge()
    estimate = to_estimate(length, "nm")
    assert estimate.value == pytest.approx(50_000_838.0, abs=0.5)
    assert estimate.u == pytest.approx(32.0, abs=0.5)
    assert estimate.u == pytest.approx(31.6639, abs=1e-3)  # full precision
    assert math.floor(estimate.dof) == 16
    assert estimate.dof == pytest.approx(16.752, abs=0.01)


def test_the_comparator_of_the_end_gauge_has_its_degrees_of_freedom():
    # JCGM 100:2008 H.1.3.2: u(d) = 9.7 nm with 25.6 effective degrees of freedom
    difference, _ = end_gauge()
    estimate = to_estimate(difference, "nm")
    assert estimate.u == pytest.approx(9.7, abs=0.05)
    assert estimate.dof == pytest.approx(25.6, abs=1.0)


def test_the_end_gauge_is_expanded_with_students_factor_for_sixteen_degrees_of_freedom():
    # JCGM 100:2008 H.1.6: t99(16) = 2.92; U99 = 93 nm (from memory)
    _, length = end_gauge()
    estimate = to_estimate(length, "nm")
    assert coverage_factor(estimate.dof, 0.99) == pytest.approx(2.92, abs=0.005)
    assert expanded_uncertainty(estimate, 0.99) == pytest.approx(93.0, abs=1.0)


def test_the_end_gauge_budget_names_its_lines_largest_first():
    _, length = end_gauge()
    lines = to_estimate(length, "nm").influences
    assert [line.label for line in lines[:2]] == [
        "length of the standard",
        "difference of temperature",
    ]
    assert [line.u for line in lines] == sorted((line.u for line in lines), reverse=True)
    # JCGM 100:2008 Table H.1: 25 nm and 16.6 nm
    assert lines[0].u == pytest.approx(25.0, abs=0.05)
    assert lines[1].u == pytest.approx(16.6, abs=0.05)
    total = math.sqrt(sum(line.u**2 for line in lines))
    assert total == pytest.approx(to_estimate(length, "nm").u, rel=1e-12)


def test_resistance_and_reactance_read_together_keep_their_correlations():
    # JCGM 100:2008 H.2.3, first approach; tolerance as printed, Table H.3
    q = related_readings({"V": VOLTS, "I": AMPERES, "phi": RADIANS})
    assert GTC.get_correlation(q["V"], q["I"]) == pytest.approx(-0.36, abs=0.006)
    assert GTC.get_correlation(q["V"], q["phi"]) == pytest.approx(0.86, abs=0.006)
    assert GTC.get_correlation(q["I"], q["phi"]) == pytest.approx(-0.65, abs=0.006)
    r = q["V"] / q["I"] * GTC.cos(q["phi"])
    x = q["V"] / q["I"] * GTC.sin(q["phi"])
    z = q["V"] / q["I"]
    for number, value, u in (
        (r, 127.732, 0.071),
        (x, 219.847, 0.295),  # the Guide prints 0.295; full precision is 0.2956
        (z, 254.260, 0.236),
    ):
        estimate = to_estimate(number, "ohm")
        assert estimate.value == pytest.approx(value, abs=0.001)
        assert estimate.u == pytest.approx(u, abs=0.001)
        assert estimate.dof == pytest.approx(4.0, abs=1e-9)  # five sets, one ensemble
    assert GTC.get_correlation(r, x) == pytest.approx(-0.588, abs=0.001)
    assert GTC.get_correlation(r, z) == pytest.approx(-0.485, abs=0.001)
    assert GTC.get_correlation(x, z) == pytest.approx(0.993, abs=0.001)


def test_resistance_and_reactance_of_each_set_averaged_agree_with_the_guide():
    # JCGM 100:2008 H.2.4, second approach, Table H.4
    sets = list(zip(VOLTS, AMPERES, RADIANS, strict=True))
    q = related_readings(
        {
            "R": [v / i * math.cos(p) for v, i, p in sets],
            "X": [v / i * math.sin(p) for v, i, p in sets],
            "Z": [v / i for v, i, _ in sets],
        }
    )
    expected = {
        "R": (127.731630, 0.0712735),
        "X": (219.846895, 0.295489),
        "Z": (254.260050, 0.236248),
    }
    for label, (value, u) in expected.items():
        estimate = to_estimate(q[label], "ohm")
        assert estimate.value == pytest.approx(value, abs=1e-6)
        assert estimate.u == pytest.approx(u, rel=1e-5)
    assert GTC.get_correlation(q["R"], q["X"]) == pytest.approx(-0.588277, abs=1e-6)
    assert GTC.get_correlation(q["R"], q["Z"]) == pytest.approx(-0.485065, abs=1e-6)
    assert GTC.get_correlation(q["X"], q["Z"]) == pytest.approx(0.992508, abs=1e-6)


def test_an_independent_library_agrees_on_the_measured_example_of_the_guide():
    q = related_readings({"V": VOLTS, "I": AMPERES, "phi": RADIANS})
    data = np.array([VOLTS, AMPERES, RADIANS])
    v, i, phi = uncertainties.correlated_values(data.mean(axis=1), np.cov(data) / 5)
    pairs = (
        (q["V"] / q["I"] * GTC.cos(q["phi"]), v / i * umath.cos(phi)),
        (q["V"] / q["I"] * GTC.sin(q["phi"]), v / i * umath.sin(phi)),
        (q["V"] / q["I"], v / i),
    )
    for ours, theirs in pairs:
        estimate = to_estimate(ours, "ohm")
        assert estimate.value == pytest.approx(theirs.nominal_value, rel=1e-12)
        assert estimate.u == pytest.approx(theirs.std_dev, rel=1e-9)


@pytest.mark.parametrize(
    ("dof", "factor"),
    [(1, 12.71), (2, 4.30), (3, 3.18), (4, 2.78), (5, 2.57), (10, 2.23), (20, 2.09), (50, 2.01)],
)
def test_students_factors_for_95_percent_are_those_of_table_g_2(dof, factor):
    # JCGM 100:2008 Table G.2
    assert coverage_factor(dof) == pytest.approx(factor, abs=0.005)


@pytest.mark.parametrize(
    ("dof", "factor"),
    [(1, 13.97), (2, 4.53), (3, 3.31), (4, 2.87), (5, 2.65), (10, 2.28), (20, 2.13), (50, 2.05)],
)
def test_students_factors_for_95_45_percent_are_those_of_table_g_2(dof, factor):
    # JCGM 100:2008 Table G.2
    assert coverage_factor(dof, 0.9545) == pytest.approx(factor, abs=0.005)


def test_without_limit_to_the_degrees_of_freedom_the_factor_is_the_normal_one():
    assert coverage_factor(math.inf) == pytest.approx(1.959964, abs=1e-6)


def test_broken_degrees_of_freedom_count_as_the_whole_number_below():
    # JCGM 100:2008 G.4.1 note 1
    assert coverage_factor(16.752, 0.99) == coverage_factor(16, 0.99)


@pytest.mark.parametrize(("dof", "coverage"), [(0.5, 0.95), (math.nan, 0.95), (5, 0.0), (5, 1.0)])
def test_a_coverage_factor_that_makes_no_sense_is_refused(dof, coverage):
    with pytest.raises(ValueError, match=r"coverage|degrees"):
        coverage_factor(dof, coverage)


@pytest.mark.parametrize(
    ("re", "phase_u", "mean_of_magnitude", "u_of_magnitude", "sampled_phase_u"),
    [(0.001, 10.0, 0.013, 0.007, 1.744)],
)
def test_linear_propagation_of_magnitude_and_phase_near_zero_is_wrong_as_supplement_2_shows(
    re, phase_u, mean_of_magnitude, u_of_magnitude, sampled_phase_u
):
    # JCGM 102:2011 Tables 6 and 7, Re = 0.001, Im = 0, u = 0.010, r = 0
    quantity = complex_reading(complex(re, 0.0), (0.010, 0.010), "quantity")
    magnitude = to_estimate(GTC.magnitude(quantity), "1")
    phase = to_estimate(GTC.phase(quantity), "rad")
    assert magnitude.value == pytest.approx(0.001, abs=1e-9)
    assert magnitude.u == pytest.approx(0.010, abs=1e-6)
    assert phase.u == pytest.approx(phase_u, abs=0.001)
    # what the distribution really is: the reason why estimates.py gives neither
    rng = np.random.default_rng(102)
    draws = rng.normal(re, 0.010, 400_000) + 1j * rng.normal(0.0, 0.010, 400_000)
    assert np.abs(draws).mean() == pytest.approx(mean_of_magnitude, abs=0.001)
    assert np.abs(draws).std() == pytest.approx(u_of_magnitude, abs=0.001)
    assert np.angle(draws).std() == pytest.approx(sampled_phase_u, abs=0.005)


def test_repeated_readings_give_mean_and_standard_deviation_of_the_mean():
    estimate = to_estimate(repeated(VOLTS, "V"), "V")
    # JCGM 100:2008 Table H.2
    assert estimate.value == pytest.approx(4.9990)
    assert estimate.u == pytest.approx(0.0032, abs=5e-5)
    assert estimate.dof == 4.0


def test_readings_that_agree_to_the_digit_do_not_claim_to_be_free_of_noise():
    estimate = to_estimate(repeated([1.0, 1.0, 1.0, 1.0], "V", least_u=0.1), "V")
    assert estimate.u == pytest.approx(0.05)
    assert math.isinf(estimate.dof)


def test_one_reading_without_a_noise_figure_is_refused():
    with pytest.raises(ValueError, match="one reading"):
        repeated([1.0], "V")
    with pytest.raises(ValueError, match="no reading"):
        repeated([], "V")


def test_quantities_read_together_need_equally_many_readings():
    with pytest.raises(ValueError, match="equally many"):
        related_readings({"V": [1.0, 2.0], "I": [1.0]})


def test_an_influence_that_acts_twice_with_opposite_sign_cancels():
    gain = limits(1.0, 0.01, "gain")
    estimate = to_estimate(gain * 5.0 - gain * 5.0 + influence(0.0, 1.0, "rest"), "V")
    assert estimate.u == pytest.approx(1.0, rel=1e-12)
    assert [line.label for line in estimate.influences] == ["rest"]


def test_parts_of_one_label_make_one_line():
    z = complex_reading(1j, (3.0, 0.0), "reading") + complex_reading(0j, (4.0, 1.0), "reading")
    (line,) = to_estimate(z.real, "ohm").influences
    assert (line.label, line.u) == ("reading", pytest.approx(5.0))


def test_an_estimate_has_no_order_and_no_truth():
    one = to_estimate(influence(1.0, 0.1, "one"), "V")
    two = to_estimate(influence(2.0, 0.1, "two"), "V")
    with pytest.raises(TypeError, match="no order"):
        _ = one < two
    with pytest.raises(TypeError, match="neither"):
        bool(one)


def test_importing_the_metrology_package_does_not_load_the_engine():
    code = (
        "import sys\n"
        "import labbench.metrology.accuracy, labbench.metrology.averaging\n"
        "import labbench.metrology.compensation, labbench.metrology.estimates\n"
        "import labbench.metrology.fixture_check, labbench.metrology.impedance\n"
        "import labbench.metrology.resistance, labbench.metrology.temperature\n"
        "print(sorted({'GTC', 'scipy', 'pandas'} & set(sys.modules)))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout.strip() == "[]"
