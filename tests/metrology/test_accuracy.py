"""Accuracy classes and their overrides.

Not covered: whether the assumed figures fit any real instrument (nobody can say without one).
"""

from __future__ import annotations

import itertools
import math

import attrs
import pytest

from labbench.errors import InputError
from labbench.metrology.accuracy import (
    IMPEDANCE_CLASSES,
    MULTIMETER_CLASSES,
    SUPPLY_CLASSES,
    impedance_accuracy,
    multimeter_accuracy,
    supply_accuracy,
)

ALL = [
    *((impedance_accuracy, name) for name in IMPEDANCE_CLASSES),
    *((multimeter_accuracy, name) for name in MULTIMETER_CLASSES),
    *((supply_accuracy, name) for name in SUPPLY_CLASSES),
]


@pytest.mark.parametrize(("lookup", "name"), ALL)
def test_every_class_has_positive_figures_all_marked_as_assumed(lookup, name):
    accuracy = lookup(name)
    assert accuracy.class_name == name
    figures = [a for a in attrs.fields(type(accuracy)) if "key" in a.metadata]
    assert {a.metadata["key"] for a in figures} == set(accuracy.assumed)
    for figure in figures:
        value = getattr(accuracy, figure.name)
        assert value > 0.0
        assert math.isfinite(value)


def test_a_figure_from_the_papers_of_the_instrument_replaces_the_assumed_one():
    accuracy = impedance_accuracy("bench-1MHz", {"basic": "0.02 %", "floor_inductance": "0.5 nH"})
    assert accuracy.basic_relative == pytest.approx(2e-4)
    assert accuracy.floor_inductance_h == pytest.approx(0.5e-9)
    assert "basic" not in accuracy.assumed
    assert "contact_resistance" in accuracy.assumed
    assert impedance_accuracy("bench-1MHz").basic_relative == pytest.approx(5e-4)


def test_all_mistakes_of_an_accuracy_table_are_named_at_once():
    with pytest.raises(InputError) as caught:
        impedance_accuracy(
            "bench-1Mhz", {"basics": "0.02 %", "floor_resistance": "0,1 mΩ", "noise": "0 %"}
        )
    text = str(caught.value)
    assert "did you mean 'bench-1MHz'?" in text
    assert "did you mean 'basic'?" in text
    assert "floor_resistance" in text
    assert "'0 %' is not greater than zero" in text


def test_an_unknown_multimeter_or_supply_class_lists_the_known_ones():
    with pytest.raises(InputError, match=r"4\.5-digit, 5\.5-digit, 6\.5-digit"):
        multimeter_accuracy("six and a half")
    with pytest.raises(InputError, match="1mV-1mA"):
        supply_accuracy("big one")


def test_the_relative_error_is_smallest_in_mid_range_and_bounded_at_a_short():
    accuracy = impedance_accuracy("bench-1MHz")
    middle = accuracy.relative_limit(100.0, 1e3)
    assert middle < accuracy.relative_limit(0.01, 1e3)
    assert middle < accuracy.relative_limit(1e6, 1e3)
    assert middle < accuracy.relative_limit(100.0, 1e6)
    assert accuracy.relative_limit(0.0, 1e3) <= 11.1 * accuracy.basic_relative


def test_noise_falls_with_the_root_of_the_measuring_time():
    accuracy = impedance_accuracy("hand-100kHz")
    assert accuracy.noise_ohm(1.0, 0.25) == pytest.approx(2.0 * accuracy.noise_ohm(1.0, 1.0))


@pytest.mark.parametrize("classes", [IMPEDANCE_CLASSES, MULTIMETER_CLASSES, SUPPLY_CLASSES])
def test_a_better_class_is_better_in_no_figure_worse(classes):
    # listed from the humblest to the best within a role, except the class for higher frequencies
    # and the supply with coarse readback, which stand last
    names = [n for n in classes if n not in ("bench-5MHz", "10mV-10mA")]
    for humble, good in itertools.pairwise(names):
        for a in attrs.fields(type(classes[humble])):
            if "key" not in a.metadata:
                continue
            more_is_better = a.name in (
                "impedance_high_ohm", "impedance_max_ohm", "frequency_high_hz", "frequency_max_hz",
            )  # fmt: skip
            worse, better = getattr(classes[humble], a.name), getattr(classes[good], a.name)
            assert (better >= worse) if more_is_better else (better <= worse), a.name
