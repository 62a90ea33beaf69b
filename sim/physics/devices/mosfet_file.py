"""Reads the construction of a MOSFET type."""

from __future__ import annotations

from dataclasses import fields
from typing import Literal

from sim.physics.devices.mosfet_construction import (
    Junction,
    MosfetConstruction,
    MosfetLimits,
    OnPoint,
    Scatter,
)
from sim.text import Table

FEATURES = ("schottky", "gate-clamp")
_TINY = 1e-18
_OTHER_UNITS = {"threshold_v": "V", "body_diode_v": "V", "doubling_k": "K", "leakage_exponent": ""}


def read_mosfet(table: Table, name: str) -> MosfetConstruction:
    """Read a construction; problems go to the table's own list."""
    polarity: Literal["n", "p"] = "p" if table.text("polarity", known=("n", "p")) == "p" else "n"
    features = _features(table)
    typical, spread = table.table("typical"), table.table("spread")
    limits = _limits(table.table("limits"), typical)
    gate = typical.table("gate_clamp")
    built = MosfetConstruction(
        name=name,
        description=table.text("description"),
        polarity=polarity,
        features=features,
        limits=limits,
        threshold_v=typical.quantity("threshold", "V", at_least=0.1, at_most=10),
        ideality=typical.quantity("ideality", "", at_least=1, at_most=3),
        metal_ohm=typical.quantity("metal", "ohm", at_least=_TINY),
        drain_leakage_a=typical.quantity("drain_leakage", "A", at_least=_TINY),
        leakage_exponent=typical.quantity("leakage_exponent", "", at_least=0.1, at_most=3),
        doubling_k=typical.quantity("leakage_doubling", "K", at_least=3, at_most=30),
        gate_leakage_a=typical.quantity("gate_leakage", "A", at_least=_TINY),
        breakdown_v=typical.quantity("breakdown", "V", at_least=1, at_most=500),
        breakdown_ohm=typical.quantity("breakdown_resistance", "ohm", at_least=1e-3),
        body=read_junction(typical.table("body_diode"), 0.5),
        schottky=read_junction(typical.table("schottky"), 0.2) if "schottky" in features else None,
        clamp_v=gate.quantity("voltage", "V", at_least=1) if "gate-clamp" in features else 0.0,
        clamp_ohm=gate.quantity("resistance", "ohm", at_least=1e-3)
        if "gate-clamp" in features
        else 0.0,
        gate_source_f=typical.quantity("gate_source_capacitance", "F", at_least=_TINY),
        gate_drain_f=typical.quantity("gate_drain_capacitance", "F", at_least=_TINY),
        drain_source_f=typical.quantity("drain_source_capacitance", "F", at_least=_TINY),
        margin=spread.quantity("margin", "%", at_least=0, at_most=0.9),
        lot_spread=_scatter(spread.table("lot")),
        unit_spread=_scatter(spread.table("unit")),
    )
    gate.refuse_the_rest()
    typical.refuse_the_rest()
    spread.refuse_the_rest()
    return built


def _features(table: Table) -> tuple[str, ...]:
    found = table.raw("features", [])
    if not isinstance(found, list) or not all(item in FEATURES for item in found):
        table.problem("features", f"{found!r} is not a list out of {', '.join(FEATURES)}")
        return ()
    return tuple(found)


def read_junction(table: Table, gap_v: float) -> Junction:
    """Read a diode; `gap_v` is the least barrier that makes sense."""
    junction = Junction(
        forward_v=table.quantity("forward", "V", at_least=0.05, at_most=2),
        emission=table.quantity("emission", "", at_least=1, at_most=2.5),
        series_ohm=table.quantity("resistance", "ohm", at_least=1e-6) or 1e-6,
        gap_v=table.quantity("gap", "V", at_least=gap_v, at_most=2),
    )
    table.refuse_the_rest()
    return junction


def _limits(table: Table, typical: Table) -> MosfetLimits:
    drain, gate = table.table("drain_leakage"), table.table("gate_leakage")
    threshold, body = table.table("threshold"), table.table("body_diode")
    maximum = table.table("absolute_maximum")
    points = []
    for row in table.tables("on_resistance"):
        points.append(
            OnPoint(
                gate_source_v=row.quantity("gate_source", "V", at_least=0.1),
                current_a=row.quantity("current", "A", at_least=1e-3),
                typical_ohm=row.quantity("typical", "ohm", at_least=_TINY),
                maximum_ohm=row.quantity("maximum", "ohm", at_least=_TINY),
            )
        )
        row.refuse_the_rest()
    if len(points) != 2 or not _apart(points):
        table.problem(
            "on_resistance", "give two points; the higher gate voltage has the lower resistance"
        )
    limits = MosfetLimits(
        drain_leakage_a=drain.quantity("maximum", "A", at_least=_TINY),
        drain_source_v=drain.quantity("drain_source", "V", at_least=0.1),
        gate_leakage_a=gate.quantity("maximum", "A", at_least=_TINY),
        gate_source_v=gate.quantity("gate_source", "V", at_least=0.1),
        threshold_low_v=threshold.quantity("minimum", "V", at_least=0),
        threshold_high_v=threshold.quantity("maximum", "V", at_least=0),
        threshold_a=threshold.quantity("current", "A", at_least=1e-9),
        body_diode_v=body.quantity("maximum", "V", at_least=0.1),
        body_diode_a=body.quantity("current", "A", at_least=1e-6),
        breakdown_v=maximum.quantity("drain_source", "V", at_least=1),
        on_resistance=tuple(points),
    )
    for inner in (drain, gate, threshold, body, maximum):
        inner.refuse_the_rest()
    table.refuse_the_rest()
    return limits


def _apart(points: list[OnPoint]) -> bool:
    soft, hard = sorted(points, key=lambda point: point.gate_source_v)
    return soft.gate_source_v < hard.gate_source_v and soft.typical_ohm > hard.typical_ohm


def _scatter(table: Table) -> Scatter:
    found = {}
    for field in fields(Scatter):
        unit = _OTHER_UNITS.get(field.name, "%")
        key = field.name.removesuffix("_v").removesuffix("_k")
        found[field.name] = table.quantity(key, unit, at_least=0, at_most=100)
    table.refuse_the_rest()
    return Scatter(**found)
