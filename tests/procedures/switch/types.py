"""Give part types for the tests of switch procedures: an invented 30 V part and its variants."""

from __future__ import annotations

from attrs import evolve

from labbench.parts.mosfet_type import LeakageLimit, MosfetType, OnResistanceLimit, VoltageLimit

NFET = MosfetType(
    name="nfet",
    polarity="n",
    drain_leakage=(LeakageLimit(1e-6, 24.0),),
    gate_leakage=(LeakageLimit(1e-7, 10.0),),
    threshold=(VoltageLimit(1.2, 2.2, 250e-6),),
    on_resistance=(
        OnResistanceLimit(None, 7e-3, 4.5, 3.0),
        OnResistanceLimit(None, 5e-3, 10.0, 3.0),
    ),
    maximum_drain_source_v=30.0,
    maximum_gate_source_v=20.0,
)
PFET = evolve(NFET, name="pfet", polarity="p")
SCHOTTKY = evolve(NFET, name="schottky", features=("schottky",))
UNKNOWN = MosfetType(name="unknown", polarity="n")
