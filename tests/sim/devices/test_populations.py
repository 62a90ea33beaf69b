"""Lots and units of devices: inside their limits, scattered as declared, repeatable.

Does not cover whether real lots scatter so: every spread is invented.
"""

from __future__ import annotations

import numpy as np
import pytest

from sim.physics.devices.files import device_construction, device_names
from sim.physics.devices.load import Load, RailShort
from sim.physics.devices.mosfet import Mosfet
from sim.physics.devices.mosfet_construction import MosfetConstruction, Scatter
from sim.physics.devices.mosfet_faults import OhmicLeak
from sim.physics.devices.population import (
    DeviceLot,
    build,
    draw_device,
    draw_device_lot,
    inside_limits,
    with_fault,
)
from sim.physics.devices.stage import Stage
from sim.physics.devices.stage_construction import StageConstruction
from sim.physics.devices.stage_faults import BootstrapOpen

SEED = 11


@pytest.mark.parametrize("name", device_names())
def test_healthy_parts_keep_their_limits_with_the_margin(name: str) -> None:
    built = device_construction(name)
    rng = np.random.default_rng(SEED)
    for _ in range(4):
        lot = draw_device_lot(built, rng)
        for number in range(4):
            part = draw_device(f"p{number}", built, lot, rng)
            assert inside_limits(part)
            truth = part.truth()
            if isinstance(part, Mosfet) and isinstance(built, MosfetConstruction):
                room = 1 - built.margin
                assert truth["drain_leakage_a"] <= room * built.limits.drain_leakage_a
                for point in built.limits.on_resistance:
                    found = truth["on_resistance_ohm"][point.gate_source_v]
                    assert found <= room * point.maximum_ohm
                assert truth["disposition"] == "fit"
            elif isinstance(part, Stage) and isinstance(built, StageConstruction):
                assert truth["high_side_ohm"] <= (1 - built.margin) * built.limits.high_side_ohm
                assert truth["disposition"] == "fit"
            else:
                assert truth["disposition"] == "alive"


def test_parts_scatter_within_a_lot_less_than_lots_do() -> None:
    built = device_construction("trench-30v-5m")
    assert isinstance(built, MosfetConstruction)
    rng = np.random.default_rng(SEED)
    centres, within = [], []
    for _ in range(30):
        lot = draw_device_lot(built, rng)
        logs = [
            float(np.log(part.parameters.leakage_a))
            for part in (draw_device("q", built, lot, rng) for _ in range(5))
            if isinstance(part, Mosfet)
        ]
        centres.append(np.mean(logs))
        within.append(np.std(logs, ddof=1))
    assert np.sqrt(np.mean(np.square(within))) == pytest.approx(0.30, rel=0.2)
    assert np.std(centres, ddof=1) == pytest.approx(np.hypot(0.34, 0.30 / np.sqrt(5)), rel=0.3)


def test_the_same_stream_gives_the_same_part_whatever_befalls_it() -> None:
    built = device_construction("trench-25v-1m5")
    parts = []
    for fault in (None, OhmicLeak("drain-source", 1e6)):
        rng = np.random.default_rng(SEED)
        lot = draw_device_lot(built, rng)
        parts.append(draw_device("q", built, lot, rng, fault=fault))
    assert parts[0].scatter == parts[1].scatter
    assert parts[1].truth()["fault"] == "leak"


def test_limits_that_no_part_keeps_are_told() -> None:
    built = device_construction("trench-30v-5m")
    far = DeviceLot("trench-30v-5m", Scatter(on_resistance=1.0))
    assert not inside_limits(build("q", built, far.scatter))
    with pytest.raises(ValueError, match="of this lot keeps"):
        draw_device("q", built, far, np.random.default_rng(SEED))


def test_families_are_not_mixed() -> None:
    fet, stage, load = (
        build("p", device_construction(name))
        for name in ("trench-30v-5m", "halfbridge-25v-50a", "load-core")
    )
    assert isinstance(fet, Mosfet)
    assert isinstance(stage, Stage)
    assert isinstance(load, Load)
    for part, fault in ((fet, BootstrapOpen()), (stage, RailShort(1.0)), (load, BootstrapOpen())):
        with pytest.raises(ValueError, match="is no fault of"):
            with_fault(part, fault)
    lot = draw_device_lot(fet.construction, np.random.default_rng(SEED))
    with pytest.raises(ValueError, match="holds no"):
        draw_device("p", stage.construction, lot, np.random.default_rng(SEED))
    with pytest.raises(ValueError, match="does not belong"):
        build("p", stage.construction, Scatter())
