"""Finds and reads the boards that come with the simulator, and their faults in scenarios.

Faults: those of a stage with `phase = 1` beside them, and
  { fault = "high-resistance-joint", phase = 1, extra = "3 mohm" }   (of its coil)
  { fault = "solder-bridge", phase = 1, resistance = "0.2 mohm" }    (across its coil)
  { fault = "load-short", resistance = "8 mohm" }
  { fault = "input-short", resistance = "0.5 ohm" }
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

from sim.physics.devices.board_construction import MOST_PHASES, BoardConstruction
from sim.physics.devices.board_faults import (
    BoardFault,
    InputShort,
    LoadShort,
    PhaseFault,
    PoorJoint,
    SolderBridge,
)
from sim.physics.devices.fault_file import fault_names, read_device_fault
from sim.physics.devices.files import device_construction
from sim.physics.devices.load_construction import LoadConstruction
from sim.physics.devices.stage_construction import StageConstruction
from sim.physics.devices.stage_faults import StageFault
from sim.shipped import names_in, path_of, read_head
from sim.text import Table, TextError, load_toml

BOARDS = Path(__file__).parent.parent.parent / "constructions" / "boards"
_OWN_FAULTS = ("high-resistance-joint", "solder-bridge", "load-short", "input-short")


def board_names() -> list[str]:
    """List the names of the boards that come with the simulator."""
    return names_in(BOARDS)


@cache
def board_construction(name: str) -> BoardConstruction:
    """Give the board of that name. Raises TextError with a suggestion if there is none."""
    return load_board(path_of("board", name, BOARDS))


def load_board(path: Path) -> BoardConstruction:
    """Read the file of a board. Raises TextError with every problem at once."""
    problems: list[str] = []
    table = Table(load_toml(path), "", problems)
    name = read_head(table, path)
    table.text("family", known=("board",))
    built = _read(table, name)
    table.refuse_the_rest()
    if problems or built is None:
        raise TextError(str(path), problems)
    return built


def _read(table: Table, name: str) -> BoardConstruction | None:
    coil, supply = table.table("coil"), table.table("input")
    found: dict[str, Any] = {}
    for key, kind in (("stage", StageConstruction), ("load", LoadConstruction)):
        part = table.text(key)
        try:
            built = device_construction(part)
        except TextError as error:
            table.problem(key, str(error))
            continue
        if isinstance(built, kind):
            found[key] = built
        else:
            table.problem(key, f'"{part}" is no {key}')
    numbers: dict[str, Any] = {
        "description": table.text("description"),
        "phases": table.whole("phases", at_least=1, at_most=MOST_PHASES),
        "coil_ohm": coil.quantity("resistance", "ohm", at_least=1e-5, at_most=1.0),
        "coil_sd": coil.quantity("spread", "%", at_least=0, at_most=1),
        "input_f": supply.quantity("capacitance", "F", at_least=1e-9, at_most=0.1),
        "idle_a": supply.quantity("idle", "A", at_least=0, at_most=1),
        "drive_f": table.quantity("drive_capacitance", "F", at_least=1e-9, at_most=0.1),
        "regulator_ohm": table.quantity("regulator", "ohm", at_least=1e-3, at_most=1e3),
        "enable_ohm": table.quantity("enable", "ohm", at_least=1.0, at_most=1e6),
    }
    coil.refuse_the_rest()
    supply.refuse_the_rest()
    return BoardConstruction(name=name, **found, **numbers) if len(found) == 2 else None


def read_board_fault(table: Table) -> BoardFault | None:
    """Read the fault of a board; problems go to the table's own list, None for an unknown one."""
    of_a_stage = fault_names("stage")
    kind = table.text("fault", known=sorted([*_OWN_FAULTS, *of_a_stage]))
    if kind in ("load-short", "input-short"):
        ohm = _ohm(table, "resistance")
        table.refuse_the_rest()
        return LoadShort(ohm) if kind == "load-short" else InputShort(ohm)
    phase = table.whole("phase", 1, at_least=1, at_most=MOST_PHASES)
    if kind in of_a_stage:
        fault = read_device_fault(table, "stage")
        return PhaseFault(phase, fault) if isinstance(fault, StageFault) else None
    if kind not in _OWN_FAULTS:
        return None
    ohm = _ohm(table, "extra" if kind == "high-resistance-joint" else "resistance")
    table.refuse_the_rest()
    return PoorJoint(phase, ohm) if kind == "high-resistance-joint" else SolderBridge(phase, ohm)


def _ohm(table: Table, key: str) -> float:
    return table.quantity(key, "ohm", at_least=1e-6, at_most=1e9) or 1.0
