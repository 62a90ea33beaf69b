"""What lies on the bench and what each part really is."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim.physics.construction_file import construction
from sim.physics.population import draw_coil, draw_lot
from sim.scenario import Scenario
from sim.specimen import CoilLike
from sim.streams import Streams

NOT_AS_MARKED = "not-as-marked"


@dataclass(frozen=True, slots=True)
class Truth:
    """What a specimen really is; to be looked at only after the verdicts are closed.

    `disposition` is "fit" or "unfit", `fault` the name of the fault or None,
    `dc_resistance_ohm` holds at 25 C, and `impedance` maps frequencies in Hz to ohm at 25 C.
    """

    disposition: str
    fault: str | None
    dc_resistance_ohm: float
    impedance: Callable[[NDArray[np.float64]], NDArray[np.complex128]]


def draw_coils(scenario: Scenario, streams: Streams) -> Mapping[str, CoilLike]:
    """Draw every specimen of a scenario, by name; a lot is drawn once."""
    constructions = {spec.name: construction(spec.construction) for spec in scenario.lots}
    lots = {
        name: draw_lot(built, streams.stream("lot", name)) for name, built in constructions.items()
    }
    return {
        spec.name: draw_coil(
            constructions[spec.lot],
            lots[spec.lot],
            streams.stream("specimen", spec.name),
            fault=spec.fault,
        )
        for spec in scenario.specimens
    }


def truths(scenario: Scenario, coils: Mapping[str, CoilLike]) -> dict[str, Truth]:
    """Give the truth about each specimen of a scenario, by name."""
    found: dict[str, Truth] = {}
    for spec in scenario.specimens:
        coil = coils[spec.name]
        fault = NOT_AS_MARKED if spec.not_as_marked else None
        if spec.fault is not None:
            fault = spec.fault.name
        found[spec.name] = Truth(
            disposition="fit" if fault is None else "unfit",
            fault=fault,
            dc_resistance_ohm=coil.dc_resistance_ohm(),
            impedance=coil.impedance_ohm,
        )
    return found
