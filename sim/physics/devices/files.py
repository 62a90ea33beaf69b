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
from sim.text import Table, TextError, did_you_mean, load_toml

DEVICES = Path(__file__).parent.parent.parent / "constructions" / "devices"
FAMILIES = ("mosfet", "stage", "load")

DeviceConstruction = MosfetConstruction | StageConstruction | LoadConstruction


def device_names() -> list[str]:
    """List the names of the device constructions that come with the simulator."""
    return sorted(path.stem for path in DEVICES.glob("*.toml"))


@cache
def device_construction(name: str) -> DeviceConstruction:
    """Give the construction of that name. Raises TextError with a suggestion if there is none."""
    names = device_names()
    if name not in names:
        raise TextError(f'device "{name}"', [f"is not known; {did_you_mean(name, names)}"])
    return load_device(DEVICES / f"{name}.toml")


def load_device(path: Path) -> DeviceConstruction:
    """Read a construction file. Raises TextError with every problem at once."""
    problems: list[str] = []
    table = Table(load_toml(path), "", problems)
    schema = table.whole("schema")
    if schema != 1:
        table.problem("schema", f"{schema} is not known; this is version 1")
    name = table.text("name")
    if name and name != path.stem:
        table.problem("name", f'"{name}" differs from the name of the file, "{path.stem}"')
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
