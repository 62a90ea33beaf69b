"""Compensated sweeps: values, uncertainties, what is shared, and what has no value.

Outside check: the library `uncertainties` propagates one point independently. The Monte Carlo
runs the measurement model of the module's docstring forwards without linearising (JCGM 101:2008).

Not covered: whether a real meter's errors are as large as its class assumes.
"""

from __future__ import annotations

import math

import attrs
import numpy as np
import pytest
import uncertainties

from labbench.errors import CompensationError, InputError
from labbench.metrology.accuracy import impedance_accuracy
from labbench.metrology.compensation import Compensation
from labbench.metrology.impedance import compensated, impedance_budget, uncertain_impedances
from labbench.results import Sweep
from tests.metrology.builders import (
    FREQUENCIES_HZ,
    TAKEN_UTC,
    coil,
    compensation_of,
    in_fixture,
    open_fixture,
    reading,
    sweep_of,
)

BENCH = impedance_accuracy("bench-1MHz")
QUIET = impedance_accuracy("bench-1MHz", {"noise": "1 ppm"})
COMPENSATION = compensation_of(BENCH)


def placed(z, **more):
    return sweep_of(lambda f: in_fixture(z(f), f), **more)


def test_a_compensated_coil_is_the_coil():
    impedance, _ = compensated(placed(coil), COMPENSATION, BENCH)
    assert impedance.frequency_hz == FREQUENCIES_HZ
    assert impedance.status is None
    for i, f in enumerate(FREQUENCIES_HZ):
        assert impedance.resistance_ohm[i] == pytest.approx(coil(f).real, rel=1e-5)
        assert impedance.reactance_ohm[i] == pytest.approx(coil(f).imag, rel=1e-5)


def test_frequencies_come_out_ascending_and_repeats_averaged_whatever_the_order_taken():
    readings = list(placed(coil, repeats=3).readings)
    shuffled = Sweep(tuple(readings[i] for i in np.random.default_rng(5).permutation(15)))
    impedance, _ = compensated(shuffled, COMPENSATION, BENCH)
    assert impedance.frequency_hz == FREQUENCIES_HZ
    assert impedance.reactance_ohm[4] == pytest.approx(coil(1e6).imag, rel=1e-5)


def test_uncertainties_of_a_small_coil_are_those_of_contacts_and_zero_at_low_frequency():
    impedance, contact = compensated(placed(coil), COMPENSATION, BENCH)
    # sqrt 2 x 0.2 mohm of contact, 0.1 mohm / sqrt 3 of zero error, noise below 0.1 mohm
    least = math.hypot(math.sqrt(2.0) * 0.2e-3, 0.1e-3 / math.sqrt(3.0))
    assert least <= impedance.u_resistance_ohm[0] <= 1.15 * least
    assert contact.u_resistance_ohm == pytest.approx(math.sqrt(2.0) * 0.2e-3)
    assert contact.u_inductance_h == pytest.approx(math.sqrt(2.0) * 1e-9)
    omega = 2.0 * math.pi * 1e6
    assert impedance.u_reactance_ohm[4] >= omega * contact.u_inductance_h


def test_gain_error_is_contained_in_both_parts_and_reported_over_the_magnitude():
    big = 1000.0 + 700.0j
    sweep = sweep_of(lambda f: in_fixture(big, f), (1e4,))
    impedance, _ = compensated(sweep, COMPENSATION, QUIET)
    gain = impedance.u_gain_relative[0]
    assert gain == pytest.approx(BENCH.relative_limit(abs(big), 1e4) / math.sqrt(3.0), rel=1e-6)
    for u in (impedance.u_resistance_ohm[0], impedance.u_reactance_ohm[0]):
        assert gain * abs(big) <= u <= 1.05 * gain * abs(big)


def test_gain_and_contacts_are_shared_between_frequencies_and_noise_is_not():
    import GTC

    big = sweep_of(lambda f: in_fixture(1000.0 + 0j, f), (1e4, 1e5))
    one, two = (p.impedance.real for p in uncertain_impedances(big, COMPENSATION, QUIET))
    assert GTC.get_correlation(one, two) > 0.98  # gain
    small = sweep_of(lambda f: in_fixture(1e-3 + 0j, f), (1e3, 1e4))
    one, two = (p.impedance.real for p in uncertain_impedances(small, COMPENSATION, QUIET))
    shared = 2.0 * BENCH.contact_resistance_ohm**2
    assert GTC.get_covariance(one, two) == pytest.approx(shared, rel=1e-3)
    assert GTC.get_correlation(one, two) < 0.98


def test_the_budget_names_its_lines_largest_first_and_adds_up():
    budgets = impedance_budget(placed(coil), COMPENSATION, BENCH)
    impedance, _ = compensated(placed(coil), COMPENSATION, BENCH)
    assert {line.label for line in budgets[0].resistance.influences} == {
        "gain of the meter", "contact of the part", "contact of the short",
        "change of stray capacitance", "zero error of the meter", "short reading",
        "open reading", "repeatability",
    }  # fmt: skip
    for i, budget in enumerate(budgets):
        for estimate, u in (
            (budget.resistance, impedance.u_resistance_ohm[i]),
            (budget.reactance, impedance.u_reactance_ohm[i]),
        ):
            lines = [line.u for line in estimate.influences]
            assert lines == sorted(lines, reverse=True)
            assert estimate.u == pytest.approx(u, rel=1e-9)
            assert math.sqrt(sum(u**2 for u in lines)) == pytest.approx(u, rel=1e-9)
    assert budgets[2].inductance.value == pytest.approx(470e-9, rel=1e-5)
    assert budgets[0].resistance.influences[0].label in (
        "contact of the part", "contact of the short",
    )  # fmt: skip


def test_scatter_of_the_readings_counts_with_its_degrees_of_freedom():
    noise = 0.05e-3 * np.array([1.0, -1.0, 2.0, -2.0, 0.0]) * 30.0
    z = 1000.0 + 0j
    sweep = Sweep(tuple(reading(1e4, in_fixture(z, 1e4) + n * 1000.0) for n in noise))
    (budget,) = impedance_budget(sweep, COMPENSATION, BENCH)
    line = next(x for x in budget.resistance.influences if x.label == "repeatability")
    assert line.u == pytest.approx(np.std(noise * 1000.0, ddof=1) / math.sqrt(5.0), rel=1e-2)
    assert 4.0 <= budget.resistance.dof < 10.0


def test_readings_that_agree_to_the_digit_keep_the_noise_of_the_class():
    sweep = sweep_of(lambda f: in_fixture(coil(f), f), (1e5,), repeats=4)
    (budget,) = impedance_budget(sweep, COMPENSATION, BENCH)
    line = next(x for x in budget.resistance.influences if x.label == "repeatability")
    z = abs(in_fixture(coil(1e5), 1e5))
    assert line.u == pytest.approx(BENCH.noise_ohm(z, 0.1) / 2.0, rel=1e-3)


def test_an_independent_library_agrees_on_the_uncertainty_of_one_point():
    # The same model written with real numbers for `uncertainties`; complex by hand.
    f = 1e5
    omega = 2.0 * math.pi * f
    part = 40.0 + 3000.0j  # high enough for the open reading to count
    raw = in_fixture(part, f)
    i = FREQUENCIES_HZ.index(f)
    short, open_ = COMPENSATION.short_ohm[i], COMPENSATION.open_ohm[i]
    root3 = math.sqrt(3.0)

    def real(x, u):
        return uncertainties.ufloat(x, u) if u else x  # the library warns about a zero u

    def pair(z, u_re, u_im):
        return real(z.real, u_re), real(z.imag, u_im)

    def add(a, b, sign=1):
        return a[0] + sign * b[0], a[1] + sign * b[1]

    def times(a, b):
        return a[0] * b[0] - a[1] * b[1], a[0] * b[1] + a[1] * b[0]

    def inverse(a):
        square = a[0] ** 2 + a[1] ** 2
        return a[0] / square, -a[1] / square

    zs = pair(short, *COMPENSATION.u_short_ohm[i])
    u = BENCH.relative_limit(abs(short), f) * abs(short) / root3
    zs = add(zs, pair(0j, u, u))
    zo = pair(open_, *COMPENSATION.u_open_ohm[i])
    u = BENCH.relative_limit(abs(open_), f) * abs(open_) / root3
    zo = add(zo, pair(0j, u, u))
    u = BENCH.noise_ohm(abs(raw), 0.1)
    zm = pair(raw, u, u)
    zm = add(
        zm, pair(0j, BENCH.floor_resistance_ohm / root3, omega * BENCH.floor_inductance_h / root3)
    )
    for _ in range(2):  # contact of the part, contact of the short
        zm = add(zm, pair(0j, BENCH.contact_resistance_ohm, omega * BENCH.contact_inductance_h))
    d = add(zm, zs, -1)
    y = add(inverse(add(zo, zs, -1)), pair(0j, 0.0, omega * BENCH.stray_capacitance_f))
    z = times(d, inverse(add((1.0, 0.0), times(d, y), -1)))
    size = math.hypot(z[0].nominal_value, z[1].nominal_value)
    gain = BENCH.relative_limit(size, f) / root3
    z = times(z, add((1.0, 0.0), pair(0j, gain, gain)))

    sweep = Sweep((reading(f, raw),))
    impedance, _ = compensated(sweep, COMPENSATION, BENCH)
    assert impedance.resistance_ohm[0] == pytest.approx(z[0].nominal_value, rel=1e-10)
    assert impedance.reactance_ohm[0] == pytest.approx(z[1].nominal_value, rel=1e-10)
    assert impedance.u_resistance_ohm[0] == pytest.approx(z[0].std_dev, rel=1e-8)
    assert impedance.u_reactance_ohm[0] == pytest.approx(z[1].std_dev, rel=1e-8)


@pytest.mark.parametrize("class_name", ["hand-100kHz", "bench-300kHz", "bench-1MHz"])
def test_what_is_stated_is_what_the_model_run_forwards_gives(class_name):
    # JCGM 101:2008: draw every influence, put it into a forward measurement, compensate, look at
    # the scatter. No formula of the propagation is used.
    accuracy = impedance_accuracy(class_name)
    frequencies = [f for f in FREQUENCIES_HZ if f <= accuracy.frequency_max_hz]
    compensation = compensation_of(accuracy, frequencies)
    rng = np.random.default_rng(101)
    n = 20_000
    stated, _ = compensated(
        sweep_of(lambda f: in_fixture(coil(f), f), frequencies), compensation, accuracy
    )

    def normal(u):
        return rng.normal(0.0, u, n)

    def both(u):
        return normal(u) + 1j * normal(u)

    def even(limit):
        return rng.uniform(-limit, limit, n)

    gain = even(1.0) + 1j * even(1.0)
    contact = [
        (normal(accuracy.contact_resistance_ohm), normal(accuracy.contact_inductance_h))
        for _ in range(2)
    ]
    for k, f in enumerate(frequencies):
        omega = 2.0 * math.pi * f

        def at(which, omega=omega):
            return contact[which][0] + 1j * omega * contact[which][1]

        part = in_fixture(coil(f), f, contact=at(0)) * (
            1.0 + accuracy.relative_limit(abs(coil(f)), f) * gain
        )
        zero = even(accuracy.floor_resistance_ohm) + 1j * omega * even(accuracy.floor_inductance_h)
        part = part + zero + both(accuracy.noise_ohm(abs(coil(f)), 0.1))
        short = in_fixture(0j, f, contact=at(1)) + both(accuracy.noise_ohm(0.01, 0.1))
        d = part - short
        z = d / (1.0 - d / (open_fixture(f) - short))
        for seen, u in (
            (z.real.std(), stated.u_resistance_ohm[k]),
            (z.imag.std(), stated.u_reactance_ohm[k]),
        ):
            # stated is the larger: it also carries the accuracy of short and open readings
            assert 0.80 * u < seen < 1.03 * u


def test_an_open_winding_has_no_value_but_a_bound():
    sweep = sweep_of(lambda f: None if f == 1e3 else in_fixture(coil(f), f))
    impedance, _ = compensated(sweep, COMPENSATION, BENCH)
    assert impedance.resistance_ohm[0] is None
    assert impedance.reactance_ohm[0] is None
    assert impedance.u_resistance_ohm[0] is None
    assert impedance.status == ("over-range", "ok", "ok", "ok", "ok")
    # part in parallel with the open fixture: at least half of the smaller of the two
    assert 0.49e6 < impedance.greater_than_ohm[0] <= BENCH.impedance_max_ohm
    assert impedance.greater_than_ohm[1] is None
    assert len(impedance.u_gain_relative) == 5


def test_a_bound_holds_for_the_part_that_gave_it():
    # a part of 0.6 Mohm in a fixture of 1.5 pF at 300 kHz (354 kohm): hard to see
    for true in (0.6e6, 5e6, 1e8):
        sweep = Sweep((reading(3e5, in_fixture(complex(true), 3e5)),))
        impedance, _ = compensated(sweep, COMPENSATION, BENCH)
        if impedance.resistance_ohm[0] is None:
            assert impedance.status == ("over-range",)
            assert impedance.greater_than_ohm[0] <= true
        else:
            u = impedance.u_resistance_ohm[0]
            assert abs(impedance.resistance_ohm[0] - true) < 3.0 * u


def test_the_open_fixture_itself_is_not_given_an_impedance():
    sweep = Sweep((reading(1e6, open_fixture(1e6)),))
    impedance, _ = compensated(sweep, COMPENSATION, BENCH)
    assert impedance.resistance_ohm == (None,)
    assert impedance.status == ("over-range",)
    assert impedance.greater_than_ohm[0] > 1e4


def test_a_small_coil_whose_uncertainty_exceeds_it_still_has_a_value():
    accuracy = impedance_accuracy("hand-100kHz")
    compensation = compensation_of(accuracy, (1e3,))
    sweep = sweep_of(lambda f: in_fixture(0.5e-3 + 0.9e-3j, f), (1e3,))
    impedance, _ = compensated(sweep, compensation, accuracy)
    assert impedance.status is None
    assert impedance.u_resistance_ohm[0] > impedance.resistance_ohm[0]


def test_a_contact_that_opens_during_a_point_makes_it_unstable():
    good = reading(1e5, in_fixture(coil(1e5), 1e5))
    for bad in (reading(1e5, None, "over-range"), reading(1e5, in_fixture(1.0 + 0j, 1e5))):
        impedance, _ = compensated(Sweep((good, bad, good)), COMPENSATION, BENCH)
        assert impedance.status == ("unstable",)
        assert impedance.reactance_ohm == (None,)
        assert impedance.greater_than_ohm == (None,)


def test_readings_at_the_very_top_of_the_range_may_come_and_go():
    near = reading(1e3, 2e6 + 0j)
    impedance, _ = compensated(Sweep((near, reading(1e3, None, "over-range"))), COMPENSATION, BENCH)
    assert impedance.status == ("over-range",)


def test_a_reading_marked_good_without_a_value_counts_as_not_measured():
    broken = reading(1e5, None, "ok")
    impedance, _ = compensated(Sweep((broken,)), COMPENSATION, BENCH)
    assert impedance.status == ("not-measured",)


def test_a_budget_of_a_point_without_a_value_says_why():
    (budget,) = impedance_budget(Sweep((reading(1e3, None, "over-range"),)), COMPENSATION, BENCH)
    assert budget.resistance is None
    assert budget.status == "over-range"
    assert budget.greater_than_ohm is not None


def test_a_load_standard_takes_the_rest_of_the_fixture_out_and_adds_its_own_line():
    a, b, c = 1.02 + 0.01j, 0.05 + 0.0314j, 1e-6 + 3e-6j
    d = (1.0 + b * c) / a

    def read(z):
        return (a * z + b) / (c * z + d)

    compensation = Compensation(
        frequency_hz=(1e5,), open_ohm=(a / c,), short_ohm=(b / d,),
        u_open_ohm=((0.0, 0.0),), u_short_ohm=((0.0, 0.0),), readings=1,
        taken_utc=TAKEN_UTC, fixture="jig", bench="bench-1",
        load_ohm=(read(100.0),), load_standard_ohm=(100.0 + 0j,), u_load_relative=1e-2,
    )  # fmt: skip
    sweep = Sweep((reading(1e5, read(3.0 + 62.8j)),))
    (budget,) = impedance_budget(sweep, compensation, BENCH)
    assert budget.resistance.value == pytest.approx(3.0, rel=1e-9)
    assert budget.reactance.value == pytest.approx(62.8, rel=1e-9)
    assert budget.reactance.influences[0].label == "load standard"
    assert budget.reactance.influences[0].u == pytest.approx(0.628, rel=1e-6)


def test_a_frequency_without_compensation_is_refused():
    compensation = compensation_of(BENCH, (1e3, 1e4))
    with pytest.raises(CompensationError, match="lacks 100 kHz"):
        compensated(placed(coil), compensation, BENCH)


def test_a_frequency_that_the_class_says_nothing_about_is_refused():
    hand = attrs.evolve(impedance_accuracy("hand-100kHz"))
    with pytest.raises(InputError, match=r"'hand-100kHz' says nothing about 300 kHz, 1 MHz"):
        compensated(placed(coil), COMPENSATION, hand)


def test_an_empty_sweep_is_refused():
    with pytest.raises(InputError, match="no reading"):
        compensated(Sweep(()), COMPENSATION, BENCH)
