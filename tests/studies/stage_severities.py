"""Say how severe the nineteen faults of a power stage are, and draw them (invented ranges)."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from attrs import frozen

from sim.physics.devices.stage_faults import (
    BONDS,
    EN,
    HS_GATE,
    LS_GATE,
    PWM,
    SW_PGND,
    VDRV_PGND,
    VIN_PGND,
    VIN_SW,
    BootstrapLeak,
    BootstrapOpen,
    LiftedBond,
    StageFault,
    StageHighOnResistance,
    StageLeak,
    StageShort,
    StuckOutput,
    UndervoltageShift,
)
from tests.studies.switch_severities import log_uniform

Draw = Callable[[np.random.Generator], StageFault]
_OPEN_OHM = 1e9


@frozen
class StageBand:
    """Hold one row: which of the nineteen faults, how severe, and how one is drawn."""

    fault: str
    severity: str
    draw: Draw
    #: beyond what the goals ask for
    beyond: bool = False

    @property
    def name(self) -> str:
        """Name fault and severity."""
        return f"{self.fault}, {self.severity}" if self.severity else self.fault


def _leak(path: str, low: float, high: float) -> Draw:
    return lambda rng: StageLeak(path, log_uniform(rng, low, high))


def _short(path: str) -> Draw:
    return lambda rng: StageShort(path, log_uniform(rng, 2e-3, 2.0))


def _factor(path: str) -> Draw:
    return lambda rng: StageHighOnResistance(path, float(rng.uniform(1.2, 2.5)))


def _bond(rng: np.random.Generator, ohm: float) -> StageFault:
    return LiftedBond(BONDS[int(rng.integers(len(BONDS)))], ohm)


def _logic_input(rng: np.random.Generator) -> StageFault:
    return StageLeak((PWM, EN)[int(rng.integers(2))], log_uniform(rng, 500.0, 20e3))


def _undervoltage(rng: np.random.Generator) -> StageFault:
    sign = 1.0 if rng.random() < 0.5 else -1.0
    return UndervoltageShift(sign * float(rng.uniform(0.4, 1.0)))


STAGE_BANDS: tuple[StageBand, ...] = (
    StageBand("high-side short", "2 mΩ-2 Ω", _short(VIN_SW)),
    StageBand("low-side short", "2 mΩ-2 Ω", _short(SW_PGND)),
    StageBand("leak high-side", "10 kΩ-10 MΩ", _leak(VIN_SW, 1e4, 1e7)),
    StageBand("leak low-side", "1-500 kΩ", _leak(SW_PGND, 1e3, 5e5)),
    StageBand("leak low-side", "0.5-1 MΩ", _leak(SW_PGND, 5e5, 1e6), beyond=True),
    StageBand("leak input to ground", "1 kΩ-1 MΩ", _leak(VIN_PGND, 1e3, 1e6)),
    StageBand("leak driver supply", "0.2-20 kΩ", _leak(VDRV_PGND, 200.0, 20e3)),
    StageBand("output stuck high", "", lambda rng: StuckOutput("high")),
    StageBand("output stuck low", "", lambda rng: StuckOutput("low")),
    StageBand("output stuck off", "", lambda rng: StuckOutput("off")),
    StageBand("bond open", "", lambda rng: _bond(rng, _OPEN_OHM)),
    StageBand("bond raised", "0.5-1 mΩ", lambda rng: _bond(rng, log_uniform(rng, 0.5e-3, 1e-3))),
    StageBand("bond raised", "1-10 mΩ", lambda rng: _bond(rng, log_uniform(rng, 1e-3, 10e-3))),
    StageBand("bootstrap open", "", lambda rng: BootstrapOpen()),
    StageBand("bootstrap leaking", "1-20 kΩ",
              lambda rng: BootstrapLeak(log_uniform(rng, 1e3, 20e3))),
    StageBand("logic-input leak", "0.5-20 kΩ", _logic_input),
    StageBand("undervoltage shifted", "±0.4-1 V", _undervoltage),
    StageBand("on-resistance high-side", "x1.2-2.5", _factor(VIN_SW)),
    StageBand("on-resistance low-side", "x1.2-2.5", _factor(SW_PGND)),
    StageBand("gate leak high-side", "1-20 kΩ", _leak(HS_GATE, 1e3, 20e3)),
    StageBand("gate leak high-side", "20-100 kΩ", _leak(HS_GATE, 20e3, 100e3)),
    StageBand("gate leak low-side", "1-20 kΩ", _leak(LS_GATE, 1e3, 20e3)),
    StageBand("gate leak low-side", "20-100 kΩ", _leak(LS_GATE, 20e3, 100e3)),
)  # fmt: skip
