"""Reads the construction of an integrated power stage."""

from __future__ import annotations

from dataclasses import fields

from sim.physics.devices.mosfet_file import read_junction
from sim.physics.devices.stage_construction import (
    Bonds,
    DriverFigures,
    StageConstruction,
    StageLimits,
    StageScatter,
    SwitchFigures,
)
from sim.text import Table

_TINY = 1e-18
_GAP_V = 0.5


def read_stage(table: Table, name: str) -> StageConstruction:
    """Read a construction; problems go to the table's own list."""
    spread = table.table("spread")
    built = StageConstruction(
        name=name,
        description=table.text("description"),
        limits=_limits(table.table("limits")),
        high_side=_switch(table.table("high_side")),
        low_side=_switch(table.table("low_side")),
        driver=_driver(table.table("driver")),
        bonds=_bonds(table.table("bonds")),
        margin=spread.quantity("margin", "%", at_least=0, at_most=0.9),
        lot_spread=_scatter(spread.table("lot")),
        unit_spread=_scatter(spread.table("unit")),
    )
    spread.refuse_the_rest()
    return built


def _limits(table: Table) -> StageLimits:
    standby, active = table.table("standby"), table.table("active")
    lockout = table.table("undervoltage")
    limits = StageLimits(
        input_v=table.quantity("input", "V", at_least=1),
        drive_v=table.quantity("drive", "V", at_least=1),
        current_a=table.quantity("current", "A", at_least=0.01),
        high_side_ohm=table.quantity("high_side_resistance", "ohm", at_least=_TINY),
        low_side_ohm=table.quantity("low_side_resistance", "ohm", at_least=_TINY),
        high_side_leakage_a=table.quantity("high_side_leakage", "A", at_least=_TINY),
        breakdown_v=table.quantity("breakdown", "V", at_least=1),
        standby_low_a=standby.quantity("minimum", "A", at_least=0),
        standby_high_a=standby.quantity("maximum", "A", at_least=_TINY),
        active_low_a=active.quantity("minimum", "A", at_least=0),
        active_high_a=active.quantity("maximum", "A", at_least=_TINY),
        undervoltage_low_v=lockout.quantity("minimum", "V", at_least=0),
        undervoltage_high_v=lockout.quantity("maximum", "V", at_least=0.1),
    )
    for inner in (standby, active, lockout, table):
        inner.refuse_the_rest()
    return limits


def _switch(table: Table) -> SwitchFigures:
    figures = SwitchFigures(
        gain_a_per_v2=table.quantity("gain", "", at_least=1e-3),
        threshold_v=table.quantity("threshold", "V", at_least=0.1),
        ideality=table.quantity("ideality", "", at_least=1, at_most=3),
        drift_ohm=table.quantity("drift", "ohm", at_least=1e-6),
        leakage_a=table.quantity("leakage", "A", at_least=_TINY),
        leakage_exponent=table.quantity("leakage_exponent", "", at_least=0.1, at_most=3),
        doubling_k=table.quantity("leakage_doubling", "K", at_least=3, at_most=30),
        breakdown_v=table.quantity("breakdown", "V", at_least=1),
        breakdown_ohm=table.quantity("breakdown_resistance", "ohm", at_least=1e-3),
        body=read_junction(table.table("body_diode"), _GAP_V),
        output_f=table.quantity("output_capacitance", "F", at_least=_TINY),
    )
    table.refuse_the_rest()
    return figures


def _pair(table: Table, key: str) -> tuple[float, float]:
    """Read a comparator: the voltage at which it answers rising, and falling."""
    inner = table.table(key)
    rising = inner.quantity("rising", "V", at_least=0.05)
    falling = inner.quantity("falling", "V", at_least=0.05)
    if falling >= rising:
        inner.problem("falling", "must be below rising: a comparator has hysteresis")
    inner.refuse_the_rest()
    return rising, falling


def _driver(table: Table) -> DriverFigures:
    lockout, boot, enable = (_pair(table, key) for key in ("undervoltage", "boot", "enable"))
    high, low = _pair(table, "pwm_high"), _pair(table, "pwm_low")
    if low[0] >= high[1]:
        table.problem("pwm_low", "must lie below pwm_high, with the middle state between them")

    def ohm(key: str) -> float:
        return table.quantity(key, "ohm", at_least=1e-3) or 1.0

    def amperes(key: str) -> float:
        return table.quantity(key, "A", at_least=_TINY)

    figures = DriverFigures(
        undervoltage_rising_v=lockout[0],
        undervoltage_falling_v=lockout[1],
        boot_rising_v=boot[0],
        boot_falling_v=boot[1],
        enable_rising_v=enable[0],
        enable_falling_v=enable[1],
        high_rising_v=high[0],
        high_falling_v=high[1],
        low_rising_v=low[0],
        low_falling_v=low[1],
        asleep_a=amperes("asleep"),
        standby_a=amperes("standby"),
        active_a=amperes("active"),
        boot_bias_a=amperes("boot_bias"),
        boot_diode=read_junction(table.table("boot_diode"), 0.2),
        pull_down_ohm=ohm("gate_pull_down"),
        gate_on_ohm=ohm("gate_on"),
        gate_off_ohm=ohm("gate_off"),
        pwm_upper_ohm=ohm("pwm_upper"),
        pwm_lower_ohm=ohm("pwm_lower"),
        pwm_asleep_factor=table.quantity("pwm_asleep_factor", "", at_least=1),
        enable_ohm=ohm("enable_pull_down"),
        input_monitor_ohm=ohm("input_monitor"),
        output_monitor_ohm=ohm("output_monitor"),
        clamp=read_junction(table.table("clamp"), _GAP_V),
    )
    table.refuse_the_rest()
    return figures


def _bonds(table: Table) -> Bonds:
    bonds = Bonds(
        input_ohm=table.quantity("input", "ohm", at_least=1e-6),
        output_ohm=table.quantity("output", "ohm", at_least=1e-6),
        ground_ohm=table.quantity("ground", "ohm", at_least=1e-6),
    )
    table.refuse_the_rest()
    return bonds


def _scatter(table: Table) -> StageScatter:
    found = {}
    for field in fields(StageScatter):
        unit = "V" if field.name.endswith("_v") else "%"
        found[field.name] = table.quantity(
            field.name.removesuffix("_v"), unit, at_least=0, at_most=100
        )
    table.refuse_the_rest()
    return StageScatter(**found)
