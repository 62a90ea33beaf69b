"""Check the insulation procedure and what its reading is worth.

Not covered: dielectric absorption of real enamel, dirt.
"""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from labbench.bench.bench_file import BenchLimits
from labbench.errors import LinkLost, OutputStateUnknown, StepAborted
from labbench.metrology.accuracy import MULTIMETER_CLASSES
from labbench.metrology.insulation import insulation as known
from labbench.ports import ScalarReading
from labbench.procedures.insulation import insulation
from labbench.records.journal import read_journal
from labbench.results import InsulationMeasurement
from tests.doubles import HOOKUPS, Rig

YES = ("energise", "coil-insulation", "yes")
SERIES_OHM, METER_OHM = 1e6, 10e6
METER = MULTIMETER_CLASSES["6.5-digit"]


def rig(tmp_path: Path, core_ohm: float, **options: object) -> Rig:
    made = Rig(
        tmp_path, YES, hookups={**HOOKUPS, "coil-insulation": (213, 214, 215, 216)},
        **options,  # type: ignore[arg-type]
    )  # fmt: skip
    world, meter = made.world, made.multimeter
    world.resistance_ohm = math.inf  # no current that the supply could see
    seen = 1.0 / (1.0 / SERIES_OHM + 1.0 / METER_OHM)

    def read() -> ScalarReading:
        def act() -> ScalarReading:
            made.clock.advance(0.2)
            volts = (world.supply_v if world.on else 0.0) * seen / (seen + core_ohm) + 3e-6
            return ScalarReading(volts, "V", "ok", f"{volts:+.8E}")

        return made.exchanges.call("multimeter", "read", act)

    meter.read = read  # type: ignore[method-assign]
    return made


def measured(made: Rig) -> InsulationMeasurement:
    return insulation(made.bench, position="D3")


@pytest.mark.parametrize("core_ohm", [2e6, 2.5e8])
def test_the_resistance_to_the_core_comes_out_with_its_uncertainty(
    tmp_path: Path, core_ohm: float
) -> None:
    made = rig(tmp_path, core_ohm)
    found = measured(made)
    block = known(found, METER, series_relative=1e-3)
    assert block.status == "ok"
    assert block.path == "winding-core"
    assert block.resistance_ohm is not None
    assert block.u_ohm is not None
    assert abs(block.resistance_ohm - core_ohm) < 2 * block.u_ohm + 1e-3 * core_ohm
    assert block.u_ohm < 0.01 * core_ohm
    # what is left for the part: 1 Mohm takes its share
    assert block.voltage_v == pytest.approx(25.0 * core_ohm / (core_ohm + 1e6 / 1.1), rel=1e-3)
    assert not made.world.on


def test_beyond_what_the_bench_sees_there_is_a_bound(tmp_path: Path) -> None:
    block = known(measured(rig(tmp_path, 1e15)), METER, series_relative=1e-3)
    assert (block.resistance_ohm, block.status) == (None, "over-range")
    assert block.greater_than_ohm is not None
    assert 1e10 < block.greater_than_ohm < 1e15


def test_what_does_not_settle_has_no_value() -> None:
    unstable = InsulationMeasurement(25.0, 25.0, 1.0, 0.0, 1e6, 1.0, 0.1, "unstable")
    block = known(unstable, METER, series_relative=1e-3)
    assert (block.resistance_ohm, block.status) == (None, "unstable")


def test_the_voltage_is_that_of_the_bench_where_that_is_less(tmp_path: Path) -> None:
    made = rig(tmp_path, 1e9, limits=BenchLimits(voltage_v=12.0, current_a=1.0))
    assert measured(made).set_v == 12.0


def test_the_output_is_run_down_to_zero_volts_before_it_goes_off(tmp_path: Path) -> None:
    made = rig(tmp_path, 1e9)
    measured(made)
    assert [s.voltage_v for s in made.supply.programmed] == [25.0, 0.0]
    assert all(s.current_a == 5e-3 for s in made.supply.programmed)
    assert not made.world.on


def test_a_supply_that_does_not_come_up_is_a_resistor_in_the_wrong_lead(tmp_path: Path) -> None:
    made = rig(tmp_path, 1e9)
    made.world.resistance_ohm = 100.0
    with pytest.raises(StepAborted, match="behind 1 MΩ and the supply reads"):
        measured(made)
    assert not made.world.on


def test_every_call_fails_and_nothing_stays_on(tmp_path: Path) -> None:
    clean = rig(tmp_path, 1e9)
    measured(clean)
    for number, name in enumerate(clean.exchanges.names):
        folder = tmp_path / str(number)
        folder.mkdir()
        made = rig(folder, 1e9)
        made.exchanges.fail_at = number
        raised: BaseException | None = None
        try:
            measured(made)
        except LinkLost as caught:
            raised = caught
        assert raised is not None, name
        assert not made.world.on or isinstance(raised, OutputStateUnknown), name
        assert not read_journal(made.path).channels_not_off(), name
