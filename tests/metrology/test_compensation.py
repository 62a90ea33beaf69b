"""Open/short and open/short/load against the algebra, a published-style vector and scikit-rf.

Sources: the equations are textbook (cross-ratio of a Moebius map); scikit-rf's OnePort
calibration is the independent implementation. The numeric vector was computed with it.

Not covered: fixtures that are not linear, or that differ between open, short and part.
"""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime, timedelta

import attrs
import numpy as np
import pytest
import skrf
from hypothesis import given, settings
from hypothesis import strategies as st

from labbench.errors import CompensationError
from labbench.metrology.accuracy import impedance_accuracy
from labbench.metrology.compensation import (
    Compensation,
    compensate,
    compensation_from_json,
    compensation_to_json,
    require,
)
from tests.metrology.builders import FREQUENCIES_HZ, TAKEN_UTC, coil, compensation_of, in_fixture

NOW = datetime(2026, 11, 25, 9, 0, tzinfo=UTC)


def plain(frequency_hz, open_ohm, short_ohm, **load):
    n = len(frequency_hz)
    return Compensation(
        frequency_hz=tuple(frequency_hz),
        open_ohm=tuple(open_ohm),
        short_ohm=tuple(short_ohm),
        u_open_ohm=((0.0, 0.0),) * n,
        u_short_ohm=((0.0, 0.0),) * n,
        readings=1,
        taken_utc=TAKEN_UTC,
        fixture="jig",
        bench="bench-1",
        **load,
    )


def two_port(z, a, b, c, d):
    return (a * z + b) / (c * z + d)


# The vector: one frequency, a general reciprocal fixture (ohm)
A, B, C = 1.02 + 0.01j, 0.05 + 0.0314j, 1e-6 + 3e-6j
D = (1.0 + B * C) / A
OPEN, SHORT = 105000 - 305000j, 0.05068600814 + 0.03252799224j
STANDARD, STANDARD_READ = 100.0 + 0j, 104.07101433 + 2.04035741j
PART_READ, PART = 1.89550878459 + 65.4368568600j, 3.0 + 62.8j


def test_the_vector_belongs_to_its_fixture():
    # the printed digits are what the two-port gives: guards the vector, not the code
    assert abs(A / C - OPEN) < 1e-9 * abs(OPEN)
    assert abs(B / D - SHORT) < 1e-9 * abs(SHORT)
    assert two_port(STANDARD, A, B, C, D) == pytest.approx(STANDARD_READ, rel=1e-9)
    assert two_port(PART, A, B, C, D) == pytest.approx(PART_READ, rel=1e-9)


def test_open_short_load_removes_a_general_fixture():
    compensation = plain(
        [1e5], [A / C], [B / D],
        load_ohm=(two_port(STANDARD, A, B, C, D),), load_standard_ohm=(STANDARD,),
        u_load_relative=1e-4,
    )  # fmt: skip
    z = compensate([two_port(PART, A, B, C, D)], compensation, [1e5])
    assert z[0] == pytest.approx(PART, rel=1e-10)


def test_open_short_load_gives_the_vector_as_printed():
    compensation = plain(
        [1e5], [OPEN], [SHORT],
        load_ohm=(STANDARD_READ,), load_standard_ohm=(STANDARD,), u_load_relative=1e-4,
    )  # fmt: skip
    assert compensate([PART_READ], compensation, [1e5])[0] == pytest.approx(PART, rel=1e-9)


def test_open_short_alone_is_off_by_the_fixtures_own_factor():
    # 4.5 % for this fixture, exactly (AD - BC)/D^2
    z = compensate([two_port(PART, A, B, C, D)], plain([1e5], [A / C], [B / D]), [1e5])
    assert abs(z[0] / PART - 1.0) == pytest.approx(0.045, abs=0.001)
    assert z[0] / PART == pytest.approx((A * D - B * C) / D**2, rel=1e-12)


def test_open_short_load_agrees_with_scikit_rf():
    frequency_hz = np.array([1e3, 1e4, 1e5, 3e5, 1e6])
    omega = 2.0 * np.pi * frequency_hz
    series = 0.02 + 1j * omega * 30e-9
    shunt = 1e-7 + 1j * omega * 5e-12
    far = 0.01 + 1j * omega * 20e-9  # makes D differ from 1: open/short alone is not enough
    a = 1.0 + series * shunt
    b = series + far * (1.0 + series * shunt)
    c, d = shunt, 1.0 + shunt * far
    part = 0.05 + 1j * omega * 4.7e-6
    standard = np.full(5, 100.0 + 0j)

    def read(z):
        return two_port(z, a, b, c, d)

    def reflection(z):
        return skrf.Network(
            frequency=skrf.Frequency.from_f(frequency_hz, unit="hz"),
            s=((z - 50.0) / (z + 50.0)).reshape(-1, 1, 1),
            z0=50.0,
        )

    ones = np.ones(5)
    skrf_cal = skrf.calibration.OnePort(
        measured=[reflection(b / d), reflection(a / c), reflection(read(standard))],
        ideals=[
            skrf.Network(frequency=reflection(standard).frequency, s=s.reshape(-1, 1, 1), z0=50.0)
            for s in (-ones, ones, (standard - 50.0) / (standard + 50.0))
        ],
    )
    gamma = skrf_cal.apply_cal(reflection(read(part))).s[:, 0, 0]
    theirs = 50.0 * (1.0 + gamma) / (1.0 - gamma)
    ours = compensate(
        read(part),
        plain(
            frequency_hz, a / c, b / d,
            load_ohm=tuple(read(standard)), load_standard_ohm=tuple(standard),
            u_load_relative=1e-4,
        ),
        frequency_hz,
    )  # fmt: skip
    assert np.max(np.abs(ours / theirs - 1.0)) < 1e-10
    assert np.max(np.abs(ours / part - 1.0)) < 1e-10


parts = st.builds(
    lambda size, angle: size * complex(math.cos(angle), math.sin(angle)),
    st.floats(1e-4, 1e5), st.floats(-1.5, 1.5),
)  # fmt: skip
residuals = st.builds(complex, st.floats(0.0, 1.0), st.floats(-1.0, 1.0))
strays = st.builds(complex, st.floats(0.0, 1e-6), st.floats(1e-9, 1e-4))


@settings(max_examples=300, deadline=None)
@given(part=parts, series=residuals, stray=strays)
def test_open_short_is_exact_for_any_series_and_shunt_fixture(part, series, stray):
    def read(z):
        return series + 1.0 / (1.0 / z + stray)

    compensation = plain([1e5], [series + 1.0 / stray], [series])
    raw = read(part)
    z = compensate([raw], compensation, [1e5])[0]
    # Rounding of the readings, as the fixture's inverse enlarges it: dZ = dZm / (1 - d Y)^2 from
    # the part's reading and Z^2 dY from the open's.
    enlarged = abs(1.0 + part * stray) ** 2
    of_open = abs(part * stray) ** 2 * (1.0 / abs(stray) + abs(series))
    rounding = 2.0**-52 * (enlarged * (abs(raw) + abs(series)) + of_open)
    assert abs(z - part) <= 1e-14 * abs(part) + 10.0 * rounding


def test_a_fixture_with_its_stray_capacitance_before_the_series_part_is_off_by_its_resonance():
    # D = 1 + Zs Y: 1/D^2 differs from 1 by 2 w^2 L C, 1.2e-6 for 10 nH and 1.5 pF at 1 MHz
    compensation = compensation_of(impedance_accuracy("bench-1MHz"))
    z = compensate([in_fixture(coil(1e6), 1e6)], compensation, [1e6])[0]
    expected = 2.0 * (2.0 * math.pi * 1e6) ** 2 * 10e-9 * 1.5e-12
    assert abs(z / coil(1e6) - 1.0) == pytest.approx(expected, rel=0.15)


def test_an_open_beyond_the_meters_range_counts_as_no_admittance():
    z = compensate([1.0 + 2.0j], plain([1e3], [None], [0.1 + 0.2j]), [1e3])
    assert z[0] == pytest.approx(0.9 + 1.8j, rel=1e-15)


def test_a_reading_that_equals_the_open_is_infinite_not_an_error():
    z = compensate([-1e5j], plain([1e3], [-1e5j], [0j]), [1e3])
    assert math.isinf(abs(z[0]))


def test_points_are_found_by_frequency_in_any_order():
    compensation = compensation_of(impedance_accuracy("bench-1MHz"))
    backwards = FREQUENCIES_HZ[::-1]
    z = compensate([in_fixture(coil(f), f) for f in backwards], compensation, backwards)
    for value, f in zip(z, backwards, strict=True):
        assert value == pytest.approx(coil(f), rel=1e-5)


def test_a_frequency_that_the_compensation_lacks_is_named():
    compensation = compensation_of(impedance_accuracy("bench-1MHz"))
    with pytest.raises(CompensationError, match="lacks 120 kHz") as caught:
        compensate([1j], compensation, [120e3])
    assert "100 kHz" in str(caught.value)


def test_a_good_compensation_is_given_back():
    compensation = compensation_of(impedance_accuracy("bench-1MHz"))
    got = require(compensation, [1e3, 1.0005e5], NOW, 8 * 3600.0, fixture="jig", bench="bench-1")
    assert got is compensation


def test_everything_that_a_compensation_lacks_is_named_at_once():
    compensation = compensation_of(impedance_accuracy("bench-1MHz"))
    with pytest.raises(CompensationError) as caught:
        require(
            compensation, [1e3, 2e3, 5e6], NOW + timedelta(hours=30), 8 * 3600.0,
            fixture="tweezers", bench="bench-2",
        )  # fmt: skip
    text = str(caught.value)
    for part in ("31.0 h old", "8.0 h is the limit", "lacks 2 kHz, 5 MHz", "fixture 'jig'",
                 "bench 'bench-1'", "copper strip"):  # fmt: skip
        assert part in text


def test_no_compensation_and_one_from_the_future_are_refused():
    with pytest.raises(CompensationError, match="no compensation"):
        require(None, [1e3], NOW, 1e9)
    compensation = compensation_of(impedance_accuracy("bench-1MHz"))
    with pytest.raises(CompensationError, match="future"):
        require(compensation, [1e3], NOW - timedelta(days=2), 1e9)


def test_a_compensation_survives_its_file():
    compensation = compensation_of(impedance_accuracy("bench-1MHz"))
    compensation = attrs.evolve(compensation, open_ohm=(None, *compensation.open_ohm[1:]))
    text = json.dumps(compensation_to_json(compensation), allow_nan=False)
    assert compensation_from_json(json.loads(text)) == compensation
    loaded = attrs.evolve(
        compensation, load_ohm=(100j,) * 5, load_standard_ohm=(99.9 + 0.1j,) * 5,
        u_load_relative=1e-4,
    )  # fmt: skip
    text = json.dumps(compensation_to_json(loaded), allow_nan=False)
    assert compensation_from_json(json.loads(text)) == loaded


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"schema": "readings/1"}, "no stored compensation"),
        ({"short_ohm": [[1.0, 2.0]]}, "1 entries for 5 frequencies"),
        ({"short_ohm": [1.0] * 5}, "cannot be read"),
        ({"frequency_hz": [1e3, 1e3, 1e4, 1e5, 1e6]}, "ascending"),
        ({"readings": 0}, "no reading was averaged"),
        ({"taken_utc": "yesterday"}, "taken_utc"),
        ({"load_ohm": [[1.0, 0.0]] * 5}, "a load needs"),
    ],
)
def test_a_stored_compensation_that_makes_no_sense_is_refused_with_the_reason(change, said):
    data = compensation_to_json(compensation_of(impedance_accuracy("bench-1MHz")))
    with pytest.raises(CompensationError, match=said):
        compensation_from_json({**data, **change})


def test_a_stored_compensation_without_a_key_names_the_key():
    data = compensation_to_json(compensation_of(impedance_accuracy("bench-1MHz")))
    del data["fixture"]
    with pytest.raises(CompensationError, match="fixture"):
        compensation_from_json(data)
