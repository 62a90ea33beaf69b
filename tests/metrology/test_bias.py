"""Inductance under direct current out of raw readings through a network of known parts.

The raw readings come from the network's own circuit equations, written down here. Not covered: how
real chokes lose inductance, capacitors that change with voltage.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from labbench.errors import CompensationError
from labbench.metrology.accuracy import IMPEDANCE_CLASSES, SUPPLY_CLASSES
from labbench.metrology.bias import bias_points, network_compensation
from labbench.metrology.compensation import Compensation
from labbench.ports import ImpedanceConditions, ImpedanceReading
from labbench.results import BiasMeasurement, BiasReading, Sweep

F = 1e5
OMEGA = 2 * math.pi * F
METER, SUPPLY = IMPEDANCE_CLASSES["bench-1MHz"], SUPPLY_CLASSES["1mV-1mA"]
CHOKE_H, BLOCK_F, DROP, RATING_A = 1e-3, 47e-6, 0.25, 10.0
CURRENTS = (3.0, 6.0, 9.0)


def raw(part: complex | None, choke_share: float = 1.0) -> complex:
    """Compute what the meter sees: a capacitor in each lead, the choke across the part."""
    choke = complex(0.1, OMEGA * CHOKE_H * choke_share)
    inner = choke if part is None else 1 / (1 / choke + 1 / part)
    return inner + 2 * complex(4e-3, -1 / (OMEGA * BLOCK_F))


def sweep(z: complex, rng: np.random.Generator | None = None, repeats: int = 3) -> Sweep:
    readings = []
    for _ in range(repeats):
        noise = 0.0 if rng is None else 2e-5 * abs(z) * rng.standard_normal()
        seen = z + complex(0.0, noise)
        readings.append(
            ImpedanceReading(seen.real, seen.imag, "ok", "raw", ImpedanceConditions(F, 0.1, 0.1, 1))
        )
    return Sweep(tuple(readings))


def network(choke_part: complex | None = None) -> Compensation:
    return network_compensation(
        open_sweep=sweep(raw(choke_part)), short_sweep=sweep(raw(0.0001 + 0j)),
        accuracy=METER, taken_utc="2026-11-25T08:00:00+00:00", fixture="jig", bench="bench-1",
    )  # fmt: skip


def measured(
    share: object, *, choke_loss: float = 0.0, rng: np.random.Generator | None = None,
    part_h: float = 4.7e-6, last: float = 1.0,
) -> BiasMeasurement:  # fmt: skip
    def part(current_a: float) -> complex:
        return complex(20e-3, OMEGA * part_h * share(current_a))  # type: ignore[operator]

    readings = [BiasReading(0.0, sweep(raw(part(0.0)), rng))]
    for amps in CURRENTS:
        lost = choke_loss * (amps / RATING_A) ** 2
        readings.append(BiasReading(amps, sweep(raw(part(amps), 1.0 - lost), rng), amps, amps))
    readings.append(BiasReading(0.0, sweep(last * raw(part(0.0)), rng), repeat=True))
    return BiasMeasurement(tuple(readings), F)


def powder(current_a: float) -> float:
    return 0.06 + 0.94 / (1 + (current_a / 13.0) ** 1.9)


def points(measurement: BiasMeasurement, compensation: Compensation | None = None) -> object:
    return bias_points(
        measurement, compensation or network(), METER, SUPPLY, choke_drop=DROP, rating_a=RATING_A
    )


def test_capacitors_and_choke_come_out() -> None:
    found, why = points(measured(powder))
    assert why is None
    assert [p.current_a for p in found] == [0.0, *CURRENTS, 0.0]
    assert [p.repeat for p in found] == [False] * 4 + [True]
    for p in found:
        # the choke that loses nothing is seen as one that may: half its bound away, 0.05 % here
        assert p.inductance_h == pytest.approx(4.7e-6 * powder(p.current_a), rel=1e-3)


def test_the_truth_lies_within_the_uncertainty_whatever_the_choke_loses() -> None:
    for loss in (0.0, 0.5 * DROP, DROP):
        found, _ = points(measured(powder, choke_loss=loss, part_h=100e-6))
        first = found[0].inductance_h
        for p in found:
            truth = powder(p.current_a)
            assert abs(p.inductance_h - 100e-6 * truth) < 2 * p.u_inductance_h
            assert abs(p.inductance_h / first / truth - 1) < 2 * p.u_ratio_relative
    # a coil of a tenth of the choke: what the choke may lose is the largest line
    assert found[3].u_ratio_relative > 3e-3


def test_a_ratio_is_known_better_than_the_inductance() -> None:
    found, _ = points(measured(powder, rng=np.random.default_rng(1)))
    for p in found[1:]:
        assert p.u_ratio_relative is not None
        assert p.u_ratio_relative < 1.5e-3


def test_two_thirds_of_noisy_ratios_lie_within_one_standard_uncertainty_or_more() -> None:
    rng = np.random.default_rng(7)
    scores = []
    for _ in range(60):
        found, _ = points(measured(powder, choke_loss=DROP * rng.uniform(), rng=rng))
        first = found[0].inductance_h
        scores += [
            (p.inductance_h / first / powder(p.current_a) - 1) / p.u_ratio_relative
            for p in found[1:4]
        ]
    # the readback's error, which is part of the uncertainty, is not drawn here
    assert np.std(scores) < 1.0


def test_a_contact_that_moved_gives_no_points() -> None:
    assert points(measured(powder, last=1.03)) == ((), "contact-moved")


def test_what_did_not_hold_still_gives_no_points() -> None:
    wandering = BiasMeasurement((), F, status="unstable", reason="current-wanders")
    assert points(wandering) == ((), "current-wanders")


def test_a_choke_too_small_for_the_coil_is_refused_with_numbers() -> None:
    with pytest.raises(CompensationError, match=r"less than 5 times the coil's 4\d\d µH"):
        points(measured(powder, part_h=470e-6))


def test_an_open_without_a_choke_is_refused() -> None:
    capacitor = complex(1.0, -2 * OMEGA * CHOKE_H)
    with pytest.raises(CompensationError, match="no inductance: is the supply's output joined"):
        network(1 / (1 / capacitor - 1 / complex(0.1, OMEGA * CHOKE_H)))
