"""What the switches, stages and loads of a scenario really are."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, cast

from sim.physics.devices.board_faults import BoardFault
from sim.physics.devices.board_files import board_construction, board_names
from sim.physics.devices.board_population import draw_board, draw_board_lot
from sim.physics.devices.device import Device
from sim.physics.devices.fault_file import DeviceFault
from sim.physics.devices.files import DeviceConstruction, device_construction
from sim.physics.devices.mosfet import Mosfet
from sim.physics.devices.population import DeviceLot, draw_device, draw_device_lot
from sim.scenario import Scenario, SpecimenSpec
from sim.streams import Streams
from sim.truth import NOT_AS_MARKED

TURNED_IN_JIG = "turned-in-jig"


@dataclass(frozen=True, slots=True)
class DeviceTruth:
    """What a specimen really is; to be looked at only after the verdicts are closed.

    `disposition` is "fit" or "unfit", of a load "alive" or "dead"; a part that only lies otherwise
    in the jig is "undecided". `paths` are all that name the fault rightly, `values` the true
    figures at 25 C by name, with their unit in it.
    """

    disposition: str
    fault: str | None
    path: str | None
    paths: tuple[str, ...]
    values: Mapping[str, Any]


def draw_devices(scenario: Scenario, streams: Streams) -> dict[str, Device]:
    """Draw every specimen of a scenario, by name; a lot is drawn once."""
    boards = {
        lot.name: board_construction(lot.construction)
        for lot in scenario.lots
        if lot.construction in board_names()
    }
    constructions = {
        lot.name: device_construction(lot.construction)
        for lot in scenario.lots
        if lot.name not in boards
    }
    lots = {
        name: draw_device_lot(built, streams.stream("lot", name))
        for name, built in constructions.items()
    }
    series = {
        name: draw_board_lot(built, streams.stream("lot", name)) for name, built in boards.items()
    }
    return {
        spec.name: draw_board(
            spec.name,
            boards[spec.lot],
            series[spec.lot],
            streams.stream("specimen", spec.name),
            fault=cast("BoardFault | None", spec.device_fault),
        )
        if spec.lot in boards
        else _drawn(spec, constructions[spec.lot], lots[spec.lot], streams)
        for spec in scenario.specimens
    }


def _drawn(
    spec: SpecimenSpec, built: DeviceConstruction, lot: DeviceLot, streams: Streams
) -> Device:
    fault = cast("DeviceFault | None", spec.device_fault)
    rng = streams.stream("specimen", spec.name)
    return draw_device(spec.name, built, lot, rng, fault=fault)


def p_channel(device: Device) -> bool:
    """Say whether a part is a p-channel switch."""
    return isinstance(device, Mosfet) and device.construction.polarity == "p"


def truths(scenario: Scenario, devices: Mapping[str, Device]) -> dict[str, DeviceTruth]:
    """Give the truth about each specimen of a scenario, by name."""
    found: dict[str, DeviceTruth] = {}
    for spec in scenario.specimens:
        told = dict(devices[spec.name].truth())
        disposition, fault = told.pop("disposition"), told.pop("fault")
        path, paths = told.pop("path"), tuple(told.pop("paths"))
        if fault is None and spec.not_as_marked:
            disposition, fault = "unfit", NOT_AS_MARKED
        elif fault is None and (spec.turned or spec.shifted or spec.not_touching):
            disposition, fault = "undecided", TURNED_IN_JIG
        found[spec.name] = DeviceTruth(disposition, fault, path, paths, told)
    return found
