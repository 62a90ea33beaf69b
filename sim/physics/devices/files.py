"""Finds and reads the constructions of devices that come with the simulator."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from sim.physics.devices.load_construction import LoadConstruction
from sim.physics.devices.load_file import read_load
from sim.physics.devices.mosfet import parameters_of
from sim.physics.devices.mosfet_construction import MosfetConstruction
from sim.physics.devices.mosfet_file import read_mosfet
from sim.physics.devices.stage_construction import StageConstruction
from sim.physics.devices.stage_file import read_stage
from sim.shipped import names_in, path_of, read_head
from sim.text import Table, TextError, load_toml

DEVICES = Path(__file__).parent.parent.parent / "constructions" / "devices"
FAMILIES = ("mosfet", "stage", "load")

DeviceConstruction = MosfetConstruction | StageConstruction | LoadConstruction


def device_names() -> list[str]:
    """List the names of the device constructions that come with the simulator."""
    return names_in(DEVICES)


@cache
def device_construction(name: str) -> DeviceConstruction:
    """Give the construction of that name. Raises TextError with a suggestion if there is none."""
    return load_device(path_of("device", name, DEVICES))


def load_device(path: Path) -> DeviceConstruction:
    """Read a construction file. Raises TextError with every problem at once."""
    problems: list[str] = []
    table = Table(load_toml(path), "", problems)
    name = read_head(table, path)
    family = table.text("family", known=FAMILIES)
    built: DeviceConstruction | None = None
    if family == "mosfet":
        built = read_mosfet(table, name)
    elif family == "stage":
        built = read_stage(table, name)
    elif family == "load":
        built = read_load(table, name)
    if built is not None:
        table.refuse_the_rest()
    if not problems and isinstance(built, MosfetConstruction):
        try:
            parameters_of(built)
        except ValueError as error:
            problems.append(str(error))
    if problems or built is None:
        raise TextError(str(path), problems)
    return built
