"""Reads the construction of a load behind a rail."""

from __future__ import annotations

from dataclasses import fields

from sim.physics.devices.load_construction import LoadConstruction, LoadScatter
from sim.physics.devices.mosfet_file import read_junction
from sim.text import Table


def read_load(table: Table, name: str) -> LoadConstruction:
    """Read a construction; problems go to the table's own list."""
    spread, healthy = table.table("spread"), table.table("healthy")
    built = LoadConstruction(
        name=name,
        description=table.text("description"),
        test_v=healthy.quantity("test", "V", at_least=0.01, at_most=0.5),
        resistance_ohm=healthy.quantity("resistance", "ohm", at_least=1e-3),
        low_ohm=healthy.quantity("minimum", "ohm", at_least=0),
        high_ohm=healthy.quantity("maximum", "ohm", at_least=1e-3),
        barrier_lowering=table.quantity("barrier_lowering", "", at_least=0, at_most=0.3),
        ideality=table.quantity("ideality", "", at_least=1, at_most=3),
        doubling_k=table.quantity("leakage_doubling", "K", at_least=3, at_most=50),
        clamp=read_junction(table.table("clamp"), 0.5),
        capacitance_f=table.quantity("capacitance", "F", at_least=1e-12, at_most=1),
        lot_spread=_scatter(spread.table("series")),
        unit_spread=_scatter(spread.table("board")),
    )
    if not built.low_ohm <= built.resistance_ohm <= built.high_ohm:
        healthy.problem("resistance", "must lie between minimum and maximum")
    healthy.refuse_the_rest()
    spread.refuse_the_rest()
    return built


def _scatter(table: Table) -> LoadScatter:
    found = {}
    for field in fields(LoadScatter):
        unit = "" if field.name == "slope" else "%"
        found[field.name] = table.quantity(field.name, unit, at_least=0, at_most=10)
    table.refuse_the_rest()
    return LoadScatter(**found)
