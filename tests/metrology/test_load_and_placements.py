"""Load compensation, repeated placements, residuals that moved, absurd accuracy figures.

Not covered: the readings themselves (tests/procedures), and that the gain error of the meter is
lowered by a load: that is not claimed.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import skrf
from hypothesis import given, settings
from hypothesis import strategies as st

from labbench.errors import CompensationError, InputError
from labbench.metrology.accuracy import impedance_accuracy, supply_accuracy
from labbench.metrology.compensation import (
    Compensation,
    compensate,
    compensation_from_json,
    compensation_to_json,
)
from labbench.metrology.fixture_check import (
    LoadStandard,
    compensation_from_sweeps,
    moved_since,
)
from labbench.metrology.impedance import compensated, impedance_budget
from tests.metrology.builders import (
    FREQUENCIES_HZ,
    TAKEN_UTC,
    coil,
    in_fixture,
    open_fixture,
    sweep_of,
)

BENCH = impedance_accuracy("bench-1MHz")
LOAD = LoadStandard(100.0, 1e-3)


def short(f, contact=0j):
    return in_fixture(0j, f, contact=contact)


def taken(accuracy=BENCH, **more):
    arguments = {
        "open_sweep": sweep_of(open_fixture), "short_sweep": sweep_of(short),
        "accuracy": accuracy, "taken_utc": TAKEN_UTC, "fixture": "jig", "bench": "bench-1",
    }  # fmt: skip
    return compensation_from_sweeps(**(arguments | more))


def complex_numbers(low: float, high: float):
    return st.builds(
        lambda size, turn: size * complex(math.cos(turn), math.sin(turn)),
        st.floats(low, high), st.floats(-3.1, 3.1),
    )  # fmt: skip


# --- open/short/load is exact for any linear fixture ---


@settings(max_examples=60, deadline=None)
@given(
    a=complex_numbers(0.5, 2.0), b=complex_numbers(0.01, 20.0), c=complex_numbers(1e-5, 5e-3),
    d=complex_numbers(0.5, 2.0), part=complex_numbers(5.0, 500.0),
)  # fmt: skip
def test_open_short_load_is_exact_and_agrees_with_scikit_rf(a, b, c, d, part):
    """Any two-port, reciprocal or not: the bilinear map (A Z + B)/(C Z + D)."""
    if abs(a * d - b * c) < 0.05 or abs(c * part + d) < 0.1:
        return

    def read(z):
        return (a * z + b) / (c * z + d)

    compensation = Compensation(
        frequency_hz=(1e5,), open_ohm=(a / c,), short_ohm=(b / d,),
        u_open_ohm=((0.0, 0.0),), u_short_ohm=((0.0, 0.0),), readings=1,
        taken_utc=TAKEN_UTC, fixture="jig", bench="bench-1",
        load_ohm=(read(50.0),), load_standard_ohm=(50.0 + 0j,), u_load_relative=1e-3,
    )  # fmt: skip
    (found,) = compensate([read(part)], compensation, [1e5])
    # the rounding that the fixture itself amplifies: how far the open reading is from the part's
    room = 1e-12 * max(1.0, abs(a / c) / abs(read(part) - a / c), abs(d / (c * part + d)))
    assert abs(found - part) <= room * abs(part)

    def network(z):
        reflection = (np.array([z]) - 50.0) / (np.array([z]) + 50.0)
        frequency = skrf.Frequency.from_f([1e5], unit="hz")
        return skrf.Network(frequency=frequency, s=reflection.reshape(-1, 1, 1), z0=50.0)

    ideals = [np.array([1.0 + 0j]), np.array([-1.0 + 0j]), np.array([0.0 + 0j])]
    frequency = skrf.Frequency.from_f([1e5], unit="hz")
    calibration = skrf.calibration.OnePort(
        measured=[network(a / c), network(b / d), network(read(50.0))],
        ideals=[skrf.Network(frequency=frequency, s=s.reshape(-1, 1, 1), z0=50.0) for s in ideals],
    )
    gamma = complex(calibration.apply_cal(network(read(part))).s[0, 0, 0])
    by_skrf = 50.0 * (1.0 + gamma) / (1.0 - gamma)
    # from reflection back to impedance the rounding grows as |1 + Z/50|^2 does
    grows = abs(1.0 + part / 50.0) ** 2 / abs(part / 50.0)
    assert abs(found - by_skrf) <= (room + 1e-12 * grows) * abs(part)


# --- the load ---


def test_a_load_removes_what_open_and_short_leave():
    def skewed(z, f):
        """Put the fixture behind a cable that changes all by a complex factor."""
        return (1.02 + 0.003j * f / 1e5) * in_fixture(z, f)

    def take(with_load):
        more = {"load_sweep": sweep_of(lambda f: skewed(100.0, f)), "load": LOAD}
        return taken(
            open_sweep=sweep_of(lambda f: skewed(1e12, f)),
            short_sweep=sweep_of(lambda f: skewed(0j, f)), **(more if with_load else {}),
        )  # fmt: skip

    sweep = sweep_of(lambda f: skewed(coil(f), f))
    without, _ = compensated(sweep, take(False), BENCH)
    with_it, _ = compensated(sweep, take(True), BENCH)
    for i, f in enumerate(FREQUENCIES_HZ):
        assert complex(with_it.resistance_ohm[i], with_it.reactance_ohm[i]) == pytest.approx(
            coil(f), rel=1e-9
        )
        assert abs(complex(without.resistance_ohm[i], without.reactance_ohm[i]) - coil(f)) > (
            0.01 * abs(coil(f))
        )


def test_the_load_is_a_line_of_the_budget_with_its_tolerance_gain_and_phase():
    compensation = taken(load_sweep=sweep_of(lambda f: in_fixture(100.0, f)), load=LOAD)
    gain = BENCH.relative_limit(100.0, 1e6)
    noise = BENCH.noise_ohm(100.0, 0.1) / 100.0
    assert compensation.u_load_relative == pytest.approx(
        math.sqrt(((1e-3) ** 2 + gain**2) / 3.0 + noise**2), rel=1e-2
    )
    budget = impedance_budget(sweep_of(lambda f: in_fixture(coil(f), f)), compensation, BENCH)[-1]
    labels = {line.label for line in budget.resistance.influences}
    assert {"load standard", "phase of the load"} <= labels
    # 10 nH in 100 ohm at 1 MHz turn the phase by at most 0.63 mrad
    assert compensation.u_load_phase[-1] > 2.0 * math.pi * 1e6 * 10e-9 / 100.0 / math.sqrt(3.0)


def test_another_resistor_is_no_load():
    with pytest.raises(CompensationError, match="the load is none") as caught:
        taken(load_sweep=sweep_of(lambda f: in_fixture(12.0, f)), load=LOAD)
    assert "100 Ω" in str(caught.value)


def test_a_load_that_was_not_read_everywhere_is_refused():
    with pytest.raises(CompensationError, match="every frequency"):
        taken(load_sweep=sweep_of(lambda f: in_fixture(100.0, f), (1e3, 1e4)), load=LOAD)


# --- placements ---


def contacts(n: int, seed: int = 3):
    rng = np.random.default_rng(seed)
    return [(rng.normal(0.0, 1e-3), rng.normal(0.0, 4e-9)) for _ in range(n)]


def placed(n: int, seed: int = 3):
    sweeps = [
        sweep_of(lambda f, r=r, h=h: short(f, r + 2j * math.pi * f * h))
        for r, h in contacts(n, seed)
    ]
    return taken(short_sweep=sweeps[0], more_short_sweeps=sweeps[1:])


def test_repeated_placements_tell_what_a_contact_is_worth():
    compensation = placed(20)
    sd = [float(np.std(x, ddof=1)) for x in zip(*contacts(20), strict=True)]
    # Student's factor for 19 degrees of freedom over the normal one: 2.093/1.960 (GUM table G.2)
    assert compensation.contact_resistance_ohm == pytest.approx(sd[0] * 2.093 / 1.960, rel=2e-3)
    assert compensation.contact_inductance_h == pytest.approx(sd[1] * 2.093 / 1.960, rel=2e-2)
    assert compensation.placements == 20


def test_the_measured_contact_replaces_the_classs_in_value_and_share():
    compensation = placed(4)
    _, contact = compensated(sweep_of(lambda f: in_fixture(coil(f), f)), compensation, BENCH)
    assert contact.u_resistance_ohm == pytest.approx(
        compensation.contact_resistance_ohm * math.sqrt(1.0 + 1.0 / 4.0)
    )


def test_two_placements_say_nothing_of_a_scatter():
    compensation = placed(2)
    assert compensation.placements == 2
    assert compensation.contact_resistance_ohm is None


def test_one_bad_placement_is_named():
    with pytest.raises(CompensationError, match="placement 3 of the short"):
        taken(more_short_sweeps=[sweep_of(short), sweep_of(lambda f: short(f, 0.4 + 0j))])


def test_load_placements_and_temperature_survive_the_file():
    compensation = placed(4)
    compensation = taken(
        more_short_sweeps=[sweep_of(lambda f: short(f, 1e-3 + 0j)), sweep_of(short)],
        load_sweep=sweep_of(lambda f: in_fixture(100.0, f)), load=LOAD, temperature_c=21.5,
    )  # fmt: skip
    again = compensation_from_json(compensation_to_json(compensation))
    assert again == compensation
    assert (again.placements, again.temperature_c) == (3, 21.5)


# --- what moved ---


def test_a_fixture_that_did_not_change_has_not_moved():
    later = taken(short_sweep=sweep_of(lambda f: short(f, 3e-4 + 2j * math.pi * f * 1e-9)))
    assert moved_since(taken(), later, BENCH) == ()


def test_a_loose_tip_and_another_cable_are_said_with_their_numbers():
    (loose,) = moved_since(
        taken(), taken(short_sweep=sweep_of(lambda f: short(f, 20e-3 + 0j))), BENCH
    )
    assert "resistance of the short moved by 20 mΩ" in loose
    moved = moved_since(
        taken(),
        taken(short_sweep=sweep_of(lambda f: short(f, 2j * math.pi * f * 60e-9))), BENCH,
    )  # fmt: skip
    assert any("inductance of the short moved by 60 nH" in text for text in moved)
    moved = moved_since(
        taken(), taken(open_sweep=sweep_of(lambda f: 1.0 / (2j * math.pi * f * 9e-12))), BENCH
    )
    assert any("capacitance of the open moved by 7.5 pF" in text for text in moved)


def test_another_fixture_is_not_compared():
    other = taken(fixture="tweezers", short_sweep=sweep_of(lambda f: short(f, 20e-3 + 0j)))
    assert moved_since(taken(), other, BENCH) == ()


# --- accuracy figures ---


def test_a_figure_that_cannot_be_right_is_refused_with_the_usual_one():
    with pytest.raises(InputError) as caught:
        impedance_accuracy("bench-1MHz", {"basic": "50 %", "floor_inductance": "1 mH"})
    text = str(caught.value)
    assert "accuracy.basic" in text
    assert "accuracy.floor_inductance" in text
    assert "is the unit right?" in text
    with pytest.raises(InputError, match="less by a factor"):
        supply_accuracy("1mV-1mA", {"current_gain": "0.0000001 %"})


def test_a_good_instrument_may_be_much_better_than_its_class():
    assert supply_accuracy("1mV-1mA", {"current_offset": "1 nA"}).current_offset_a == 1e-9


def test_a_frequency_range_upside_down_is_refused():
    with pytest.raises(InputError, match="does not lie below"):
        impedance_accuracy("bench-1MHz", {"frequency_min": "2 MHz"})
