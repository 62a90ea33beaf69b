"""Draws boards: stages, coils and load as their own constructions scatter."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sim.physics.devices.board import Board
from sim.physics.devices.board_construction import BoardConstruction
from sim.physics.devices.board_faults import BoardFault
from sim.physics.devices.load import Load
from sim.physics.devices.population import DeviceLot, draw_device, draw_device_lot
from sim.physics.devices.stage import Stage


@dataclass(frozen=True)
class BoardLot:
    """What the boards of one series have in common: where their stages and loads come from."""

    construction: str
    stages: DeviceLot
    loads: DeviceLot


def draw_board_lot(built: BoardConstruction, rng: np.random.Generator) -> BoardLot:
    """Draw a series of boards."""
    return BoardLot(built.name, draw_device_lot(built.stage, rng), draw_device_lot(built.load, rng))


def draw_board(
    name: str,
    built: BoardConstruction,
    lot: BoardLot,
    rng: np.random.Generator,
    *,
    fault: BoardFault | None = None,
) -> Board:
    """Draw a board of the series, sound before the fault (if any); draws do not depend on it.

    Raises ValueError for a fault in a phase that the board does not have.
    """
    phase = getattr(fault, "phase", 1)
    if phase > built.phases:
        raise ValueError(f"{built.name} has {built.phases} phases, and no phase {phase}")
    stages = []
    for number in range(1, built.phases + 1):
        stage = draw_device(f"{name}.phase{number}", built.stage, lot.stages, rng)
        assert isinstance(stage, Stage)
        stages.append(stage)
    coils = [
        built.coil_ohm * math.exp(built.coil_sd * z)
        for z in rng.standard_normal(built.phases).tolist()
    ]
    load = draw_device(f"{name}.load", built.load, lot.loads, rng)
    assert isinstance(load, Load)
    return Board(name, built, stages, coils, load, fault)
