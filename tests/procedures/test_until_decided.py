"""Procedures that stop when enough is known, or ask for one more point; an unsure contact.

Not covered: when enough is enough (tests/judging/test_stopping).
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from attrs import evolve

from labbench.jobs.until_decided import (
    MOST_PAIRS,
    final_risks,
    next_point_of_sweep,
    resistance_enough,
)
from labbench.metrology.accuracy import (
    impedance_accuracy,
    multimeter_accuracy,
    supply_accuracy,
)
from labbench.metrology.expected import expected_compensation
from labbench.metrology.impedance import impedance_budget
from labbench.metrology.resistance import dc_resistance as known_resistance
from labbench.parts.coil_type import CoilType, InductanceLimit, ResistanceLimit
from labbench.procedures.dc_resistance import dc_resistance
from labbench.procedures.sweep import MOST_MORE, impedance_sweep
from labbench.results import DcResistance, Estimate, ResistanceMeasurement, Sweep
from tests.doubles import Rig

PEDAL = ("energise", "coil-resistance", "yes")
PART = CoilType(
    name="coil-470n",
    inductance=(InductanceLimit(470e-9, 376e-9, 564e-9, 1e5, 0.1),),
    dc_resistance=(ResistanceLimit(1.5e-3, 1.35e-3, 1.65e-3, 25.0),),
)
RISKS = {"risk": 0.05, "rejection_risk": 0.002}


def known(measurement: ResistanceMeasurement) -> tuple[DcResistance, Estimate | None]:
    return known_resistance(
        measurement, multimeter=multimeter_accuracy("6.5-digit"),
        supply=supply_accuracy("1mV-1mA"), impedance=None, supply_leads_ohm=None,
    )  # fmt: skip


def measure(
    folder: Path, ohms: Callable[[int], float], part: CoilType = PART, **more: bool
) -> ResistanceMeasurement:
    rig = Rig(folder, PEDAL)
    count = 0

    def each(name: str) -> None:
        nonlocal count
        if name == "supply.switch_on":
            rig.world.resistance_ohm = ohms(count)
            count += 1

    rig.exchanges.on_call = each
    with rig.journal, rig.bench as bench:
        return dc_resistance(
            bench, part, temperature_c=23.0, u_temperature_c=1.0, position="D3",
            pairs=MOST_PAIRS, enough=resistance_enough(part, known, **RISKS, **more),
        )  # fmt: skip


def test_a_clear_part_takes_one_pair(tmp_path: Path) -> None:
    assert len(measure(tmp_path, lambda _: 1.52e-3).pairs) == 1


def test_a_part_that_was_lifted_lately_is_watched_in_any_case(tmp_path: Path) -> None:
    assert len(measure(tmp_path, lambda _: 1.52e-3, watch=True).pairs) == 4


def test_a_high_resistance_is_not_called_so_before_its_warmth_was_watched(tmp_path: Path) -> None:
    found = measure(tmp_path, lambda _: 2.1e-3)
    assert found.status == "ok"
    assert len(found.pairs) == 4


def test_a_part_that_cools_while_it_is_read_is_still_warm(tmp_path: Path) -> None:
    found = measure(tmp_path, lambda n: 1.9e-3 - 12e-6 * n)
    assert (found.status, found.reason) == ("unstable", "still-warm")


def test_without_a_limit_the_usual_pairs_are_taken(tmp_path: Path) -> None:
    part = evolve(PART, dc_resistance=(ResistanceLimit(1.5e-3, None, None, 25.0),))
    assert len(measure(tmp_path, lambda _: 1.52e-3, part).pairs) == 4


def test_pairs_that_disagree_are_an_unsure_contact_and_no_high_joint(tmp_path: Path) -> None:
    found = measure(tmp_path, lambda n: (1.64e-3, 2.4e-3, 1.7e-3, 3.1e-3)[n % 4])
    assert (found.status, found.reason) == ("unstable", "contact-unsure")
    value, estimate = known(found)
    assert value.value_ohm is None
    assert estimate is None


def test_the_last_look_judges_at_what_the_early_ones_left() -> None:
    assert final_risks(0.05, 0.01) == pytest.approx((0.046, 0.00996))


def test_points_are_asked_for_one_at_a_time_until_nothing_more_is_wanted(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    wanted = [1e5, 1e5, 1e4]
    seen: list[int] = []

    def next_point(sweep: Sweep) -> float | None:
        seen.append(len(sweep.readings))
        return wanted.pop(0) if wanted else None

    with rig.journal, rig.bench as bench:
        sweep = impedance_sweep(bench, (1e4, 1e5), position="D3", next_point=next_point)
    assert [r.conditions.frequency_hz for r in sweep.readings] == [1e4, 1e5, 1e5, 1e5, 1e4]
    assert seen == [2, 3, 4, 5]


def test_a_caller_that_never_has_enough_is_ended(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    with rig.journal, rig.bench as bench:
        sweep = impedance_sweep(bench, (1e4,), position="D3", next_point=lambda _: 1e4)
    assert len(sweep.readings) == 1 + MOST_MORE


@pytest.mark.parametrize(("henry", "again"), [(470e-9, False), (384e-9, True)])
def test_only_a_noisy_borderline_inductance_is_read_again(henry: float, again: bool) -> None:
    accuracy = impedance_accuracy("hand-100kHz", {"noise_resistance": "1 mΩ"})
    compensation = expected_compensation([1e5], accuracy)

    def budgets(sweep: Sweep):  # type: ignore[no-untyped-def]
        return impedance_budget(sweep, compensation, accuracy)

    from labbench.metrology.expected import expected_sweep

    sweep = expected_sweep(lambda f: 0.02 + 2j * 3.141592653589793 * f * henry, [1e5], time_s=0.2)
    point = next_point_of_sweep(PART, budgets, **RISKS)(sweep)
    assert point == (1e5 if again else None)


def test_a_sweep_that_cannot_be_judged_is_left_as_it_is() -> None:
    accuracy = impedance_accuracy("bench-1MHz")
    compensation = expected_compensation([1e4], accuracy)
    from labbench.metrology.expected import expected_sweep

    sweep = expected_sweep(lambda f: 1j * f * 3e-6, [1e5], time_s=0.2)
    next_point = next_point_of_sweep(
        PART, lambda s: impedance_budget(s, compensation, accuracy), **RISKS
    )
    assert next_point(sweep) is None
