"""How a board around a repaired rail is made: its phases, its coils, its input and its load."""

from __future__ import annotations

from dataclasses import dataclass

from sim.physics.devices.load_construction import LoadConstruction
from sim.physics.devices.stage_construction import StageConstruction

MOST_PHASES = 2  # as many as the jig has lines for


@dataclass(frozen=True, slots=True)
class BoardConstruction:
    """The typical board at 25 C; its stages and its load are drawn by their own constructions.

    `coil_ohm` is from the switch node to the rail, joints included; `coil_sd` its logarithmic sd.
    `regulator_ohm` is what the board's own regulator for the drivers has between input and output:
    at the few volts of a first power it has no headroom, and is a resistance.
    """

    name: str
    description: str
    stage: StageConstruction
    load: LoadConstruction
    phases: int
    coil_ohm: float
    coil_sd: float
    input_f: float
    drive_f: float
    idle_a: float
    regulator_ohm: float
    enable_ohm: float
