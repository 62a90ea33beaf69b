"""Draw lots of simulated MOSFETs and measure their sound parts, for the studies of MOSFETs.

Parts are the simulator's; `spread` replaces what it says of the units of one lot by so many times
what judging assumes, which is somewhat more than the simulator's own.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from attrs import frozen

from labbench.judging.switch_quantities import SPREADS
from labbench.parts.library import find_part_type
from labbench.parts.mosfet_type import MosfetType
from labbench.procedures.switch.conditions import switch_conditions
from labbench.results import Readings
from sim.physics.devices.files import device_construction
from sim.physics.devices.laws import BUILT_IN_V
from sim.physics.devices.mosfet import Mosfet
from sim.physics.devices.mosfet_construction import MosfetConstruction
from sim.physics.devices.population import draw_device, draw_device_lot
from tests.studies.bench_session import Session
from tests.studies.switch_loop import SwitchLoop

LOT = 6

#: part type -> the construction that the simulator draws it from
TYPES: Mapping[str, str] = {
    "nfet-30v-5m": "trench-30v-5m",
    "nfet-25v-1m5": "trench-25v-1m5",
    "pfet-30v-12m": "trench-p-30v-12m",
    "nfet-30v-schottky": "trench-30v-schottky",
    "nfet-20v-clamp": "trench-20v-clamp",
}
#: what judging assumes of a gate with a clamp (labbench.judging.switch_evidence)
_CLAMP_SPREAD = 0.35


@frozen
class Lot:
    """Hold the sound parts of a lot, the session that measured them, and what it read."""

    parts: tuple[Mosfet, ...]
    celsius: tuple[float, ...]
    loop: SwitchLoop
    lines: tuple[Readings, ...]

    def siblings_of(self, k: int) -> list[Readings]:
        """Give the lot-mates of a part, as siblings."""
        return [line for i, line in enumerate(self.lines) if i != k]


def draw_parts(
    construction: MosfetConstruction, rng: np.random.Generator, count: int
) -> list[Mosfet]:
    """Draw sound parts of one lot."""
    lot = draw_device_lot(construction, rng)
    parts = [draw_device(f"Q{k}", construction, lot, rng) for k in range(count)]
    return [part for part in parts if isinstance(part, Mosfet)]


def draw_lot(
    construction: MosfetConstruction, part_type: MosfetType, rng: np.random.Generator,
    *, multimeter: str = "6.5-digit", count: int = LOT,
) -> Lot:  # fmt: skip
    """Draw a lot and measure its sound parts, each within a kelvin of the room."""
    session = Session(rng, multimeter=multimeter)
    loop = SwitchLoop(session, part_type)
    parts = tuple(draw_parts(construction, rng, count))
    celsius = tuple(float(session.room_c + rng.uniform(-1.0, 1.0)) for _ in parts)
    lines = tuple(loop.measure(part, f"Q{k}", celsius=celsius[k]) for k, part in enumerate(parts))
    return Lot(parts, celsius, loop, lines)


def part_type_of(name: str) -> MosfetType:
    """Give a shipped MOSFET type."""
    part_type = find_part_type(name)
    assert isinstance(part_type, MosfetType)
    return part_type


def construction_of(type_name: str, spread: float | None = None) -> MosfetConstruction:
    """Give the construction of a type; `spread` times what judging assumes between its units."""
    built = device_construction(TYPES[type_name])
    assert isinstance(built, MosfetConstruction)
    if spread is None:
        return built
    gate = _CLAMP_SPREAD if "gate-clamp" in part_type_of(type_name).features else (
        SPREADS["gate-leakage"]
    )  # fmt: skip
    return replace(
        built,
        unit_spread=replace(
            built.unit_spread,
            drain_leakage=spread * SPREADS["drain-leakage"],
            gate_leakage=spread * gate,
            threshold_v=spread * SPREADS["threshold"],
            on_resistance=spread * SPREADS["on-resistance"],
            body_diode_v=spread * SPREADS["body-diode"],
            leakage_exponent=spread * SPREADS["leakage-ratio"] / _ln_ratio_per_exponent(type_name),
        ),
    )


def _ln_ratio_per_exponent(type_name: str) -> float:
    """Return by how much ln(I2/I1) of the drain grows with the exponent of its law."""
    conditions = switch_conditions(part_type_of(type_name))
    exponent = construction_of(type_name).leakage_exponent

    def ln_ratio(m: float) -> float:
        high, low = (
            (1.0 + volts / BUILT_IN_V) ** m - 1.0
            for volts in (conditions.drain_v, conditions.low_drain_v)
        )
        return math.log(high / low)

    return (ln_ratio(exponent + 0.01) - ln_ratio(exponent - 0.01)) / 0.02
