"""Check the study of power stages over simulated lots in small: rates that a mistake would break.

Also that the loop of the study reads what the device truly has. Does not cover: the rates
themselves, for which the study needs a thousand sound stages.
"""

from __future__ import annotations

import numpy as np
import pytest

from sim.physics.devices.stage_truth import (
    body_diode_v,
    high_side_leakage_a,
    on_resistance_ohm,
    supply_current_a,
)
from tests.studies.stage_detection import StageLot, fault_rows, healthy_row, report
from tests.studies.stage_severities import STAGE_BANDS

#: a raised bond of less than 1 mohm overlaps the spread of sound on-resistances
_SMALL = ("bond raised, 0.5-1 mΩ",)


def test_there_are_nineteen_faults() -> None:
    assert len({band.fault for band in STAGE_BANDS}) == 19


def test_the_loop_reads_what_the_stage_truly_has() -> None:
    lot = StageLot(np.random.default_rng(61))
    part, line, celsius = lot.parts[0], lot.lines[0], lot.celsius[0]
    read = {
        (r.step, r.path, *r.state.values()): r.value for r in line.stage
        if r.value is not None and not r.repeat
    }  # fmt: skip
    leak = high_side_leakage_a(part, 12.0, celsius)
    assert read["hs-leak", "vin-sw"] == pytest.approx(leak, abs=3e-10 + 0.02 * leak)
    for path, side in (("vin-sw", "high"), ("sw-pgnd", "low")):
        ohm = on_resistance_ohm(part, side, 3.0, 5.0, celsius)
        assert read["on-resistance", path] == pytest.approx(ohm, rel=0.01, abs=3e-5)
    high_v = body_diode_v(part, "high", 10e-3, celsius)
    assert read["body-diode", "vin-sw"] == pytest.approx(high_v, abs=2e-3)
    standby, _ = supply_current_a(part, 5.0, enable=False, pwm="low", temperature_c=celsius)
    assert read["driver-supply", "vdrv-pgnd", "standby"] == pytest.approx(standby, rel=0.03)
    rising = part.driver.undervoltage_rising_v
    assert rising - 5e-3 <= read["undervoltage", "vdrv-pgnd", "rising"] <= rising + 0.03


def test_sound_stages_are_fit() -> None:
    tally = healthy_row(24, seed=62)
    assert tally.words["unfit"] <= 1
    assert tally.words["undecided"] <= 2
    assert tally.unfit_by["none"] == 0
    assert tally.unfit_by["1 of 5"] <= 1


@pytest.mark.slow
def test_all_nineteen_faults_are_found_and_named() -> None:
    rows = fault_rows(STAGE_BANDS, 6, seed=63)
    for name, tally in rows.items():
        assert tally.words["unfit"] >= tally.count - (3 if name in _SMALL else 1), name
        assert tally.named >= tally.words["unfit"] - 1, name
    text = report(healthy_row(6, seed=64), rows)
    assert "found, mean over the 19 faults" in text


def test_what_moves_one_reading_alone_is_found_and_named() -> None:
    """Gates, leaks and bonds that no unpowered test shows."""
    chosen = tuple(
        band for band in STAGE_BANDS
        if band.fault.startswith(("gate leak", "leak high", "leak low"))
        or band.severity in ("1-10 mΩ", "±0.4-1 V")
    )  # fmt: skip
    for name, tally in fault_rows(chosen, 6, seed=65).items():
        assert tally.words["unfit"] >= tally.count - 1, name
        assert tally.named >= tally.words["unfit"] - 1, name
        if name.startswith("gate leak"):
            assert tally.unfit_by["unpowered"] == 0
            assert tally.unfit_by["diode test"] == 0
