"""A compensation is refused, with numbers, when it cannot be right.

The limits are common practice, no source. Not covered: a fixture that is wrong by less than they
allow; drift after the compensation was taken.
"""

from __future__ import annotations

import math

import attrs
import pytest

from labbench.errors import CompensationError
from labbench.metrology.accuracy import impedance_accuracy
from labbench.metrology.fixture_check import (
    FixtureLimits,
    check_plausible,
    compensation_from_sweeps,
)
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


def take(open_sweep=None, short_sweep=None, accuracy=BENCH, fixture_limits=None):
    return compensation_from_sweeps(
        open_sweep=open_sweep or sweep_of(open_fixture),
        short_sweep=short_sweep or sweep_of(lambda f: in_fixture(0j, f)),
        accuracy=accuracy,
        taken_utc=TAKEN_UTC,
        fixture="jig",
        bench="bench-1",
        fixture_limits=fixture_limits,
    )


@pytest.mark.parametrize(
    ("name", "ohm", "henry", "farad"),
    [
        ("hand-100kHz", 20e-3, 30e-9, 5e-12),
        ("bench-300kHz", 8e-3, 15e-9, 2e-12),
        ("bench-1MHz", 5e-3, 10e-9, 1.5e-12),
    ],
)
def test_the_usual_fixture_of_each_class_passes(name, ohm, henry, farad):
    accuracy = impedance_accuracy(name)
    frequencies = [f for f in FREQUENCIES_HZ if f <= accuracy.frequency_max_hz]

    def omega(f):
        return 2.0 * math.pi * f

    got = take(
        sweep_of(lambda f: 1.0 / (1e-9 + 1j * omega(f) * farad), frequencies, repeats=3),
        sweep_of(lambda f: ohm + 1j * omega(f) * henry, frequencies, repeats=3),
        accuracy,
    )
    assert got.frequency_hz == tuple(frequencies)
    assert got.readings == 3
    assert got.short_ohm[0] == pytest.approx(ohm + 1j * omega(1e3) * henry)


def test_an_open_above_the_range_of_the_meter_is_kept_as_such():
    got = take(sweep_of(lambda f: None if f < 2e4 else open_fixture(f)))
    assert got.open_ohm[:2] == (None, None)
    assert got.open_ohm[2] is not None


def test_tips_that_do_not_touch_are_no_short():
    with pytest.raises(CompensationError) as caught:
        take(short_sweep=sweep_of(open_fixture))
    text = str(caught.value)
    assert "the short is none" in text
    assert "at 1 kHz" in text
    assert "at 1 MHz" in text
    assert "200 mΩ" in text


def test_a_coil_left_in_the_jig_is_no_short():
    with pytest.raises(CompensationError, match=r"the short is none: 480 nH at 100 kHz, at most"):
        take(short_sweep=sweep_of(lambda f: in_fixture(coil(f), f)))


def test_a_dirty_strip_is_no_short():
    with pytest.raises(CompensationError, match=r"the short is none: 405 mΩ at 1 kHz"):
        take(short_sweep=sweep_of(lambda f: in_fixture(0.4 + 0j, f)))


def test_a_short_over_range_is_no_short():
    with pytest.raises(CompensationError, match="the short at 1 kHz was over-range"):
        take(short_sweep=sweep_of(lambda f: None if f < 2e3 else in_fixture(0j, f)))


def test_a_meter_whose_own_correction_is_on_gives_itself_away():
    with pytest.raises(CompensationError, match=r"own correction still on\?"):
        take(short_sweep=sweep_of(lambda f: in_fixture(-0.02 + 0j, f)))


def test_fingers_on_the_tips_are_no_open():
    with pytest.raises(CompensationError, match=r"the open is none: 50 kΩ across the tips"):
        take(sweep_of(lambda f: 1.0 / (1.0 / open_fixture(f) + 20e-6)))


def test_a_part_left_in_the_jig_is_no_open():
    with pytest.raises(CompensationError, match=r"the open is none: 102 pF"):
        take(sweep_of(lambda f: 1.0 / (1.0 / open_fixture(f) + 2j * math.pi * f * 100e-12)))
    with pytest.raises(CompensationError, match="an inductance of 482 nH across the tips at 100"):
        take(sweep_of(lambda f: in_fixture(coil(f), f)))


def test_a_short_that_bounces_is_refused_with_its_scatter():
    def readings():
        for f in FREQUENCIES_HZ:
            for extra in (0.0, 2e-3, 0.0):
                yield reading(f, in_fixture(complex(extra), f))

    with pytest.raises(CompensationError, match=r"resistance of the short does not hold still.*mΩ"):
        take(short_sweep=Sweep(tuple(readings())))


def test_a_short_that_opens_for_a_reading_is_refused():
    good = [reading(f, in_fixture(0j, f)) for f in FREQUENCIES_HZ]
    lost = [reading(f, None, "over-range") for f in FREQUENCIES_HZ]
    with pytest.raises(CompensationError, match="now in range and now over it"):
        take(short_sweep=Sweep((*good, *lost)))


def test_an_open_that_moves_is_refused_with_its_scatter():
    def readings():
        for f in FREQUENCIES_HZ:
            for extra_f in (0.0, 8e-12, 0.0, 8e-12):
                y = 1.0 / open_fixture(f) + 2j * math.pi * f * extra_f
                yield reading(f, 1.0 / y)

    with pytest.raises(CompensationError, match=r"the open does not hold still"):
        take(Sweep(tuple(readings())))


def test_noise_of_the_meter_is_no_movement():
    accuracy = BENCH

    def readings(z):
        for f in FREQUENCIES_HZ:
            for sign in (1, -1, 1, -1):
                value = z(f)
                yield reading(f, value + sign * accuracy.noise_ohm(abs(value), 0.1) * (1 + 1j))

    take(Sweep(tuple(readings(open_fixture))), Sweep(tuple(readings(lambda f: in_fixture(0j, f)))))


def test_open_and_short_at_different_frequencies_are_refused():
    with pytest.raises(CompensationError, match="not taken at the same frequencies"):
        take(sweep_of(open_fixture, FREQUENCIES_HZ[:-1]))
    with pytest.raises(CompensationError, match="not taken at the same frequencies"):
        take(Sweep(()), Sweep(()))


def test_a_bench_with_other_limits_may_say_so():
    short = sweep_of(lambda f: in_fixture(0.4 + 0j, f))
    got = take(short_sweep=short, fixture_limits=FixtureLimits(short_resistance_ohm=1.0))
    assert got.short_ohm[0].real == pytest.approx(0.405, abs=1e-4)


def test_a_stored_compensation_is_checked_the_same_way():
    good = compensation_of(BENCH)
    check_plausible(good, BENCH)
    bad = attrs.evolve(good, short_ohm=tuple(z + 1.0 for z in good.short_ohm))
    with pytest.raises(CompensationError, match="the short is none"):
        check_plausible(bad, BENCH)
    dead = attrs.evolve(good, open_ohm=(0j, *good.open_ohm[1:]))
    with pytest.raises(CompensationError, match="the open is none: 0 ohm"):
        check_plausible(dead, BENCH)
