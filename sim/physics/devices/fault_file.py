"""Reads the faults of switches, power stages and loads from tables of a scenario.

A MOSFET:   { fault = "short", path = "drain-source" | "gate-source" | "gate-drain" | "all",
              resistance = "20 mohm" }
            { fault = "leak", path = "gate-drain", resistance = "1 Mohm" }
            { fault = "leak", path = "drain-source", current = "10 uA", exponent = 3 }  (soft)
            { fault = "weak-gate", current = "1 uA", exponent = 4, polarity = 0.3 }
            { fault = "high-on-resistance", factor = 1.3 }
            { fault = "threshold-shift", by = "-300 mV" }
            { fault = "low-breakdown", factor = 0.6 }
            { fault = "open", terminal = "source", resistance = "50 Gohm" }
A stage:    { fault = "short", path = "vin-sw" | "sw-pgnd", resistance = "5 mohm" }
            { fault = "leak", path = "vin-sw" | "sw-pgnd" | "vin-pgnd" | "vdrv-pgnd" | "pwm" | "en"
              | "hs-gate" | "ls-gate", resistance = "1 Mohm" }
            { fault = "output-stuck-high" | "output-stuck-low" | "output-stuck-off" }
            { fault = "lifted-bond", pin = "vin" | "sw" | "pgnd", extra = "1 mohm" }
            { fault = "bootstrap-open" }, { fault = "bootstrap-leak", resistance = "10 kohm" }
            { fault = "undervoltage-shift", by = "600 mV" }
            { fault = "high-on-resistance", path = "vin-sw", factor = 1.4 }
A load:     { fault = "short", resistance = "30 mohm" }
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

from sim.physics.devices import mosfet_faults as fet
from sim.physics.devices import stage_faults as stage
from sim.physics.devices.load import RailShort
from sim.text import Table

DeviceFault = fet.MosfetFault | stage.StageFault | RailShort
_Reader = Callable[[Table], DeviceFault]
_SMALLEST_OHM, _LARGEST_OHM = 1e-6, 1e13


def _ohm(table: Table, key: str = "resistance", default: float | None = None) -> float:
    return table.quantity(key, "ohm", default, at_least=_SMALLEST_OHM, at_most=_LARGEST_OHM) or 1.0


def _path(table: Table, known: tuple[str, ...]) -> str:
    found = table.text("path", known=known)
    return found if found in known else known[0]


def _factor(table: Table) -> float:
    return table.quantity("factor", "", at_least=1.0001, at_most=1e4) or 2.0


def _shift(table: Table) -> float:
    volts = table.quantity("by", "V", at_least=-5, at_most=5)
    if volts == 0 and "by" in table:
        table.problem("by", "a shift of nothing is no fault")
    return volts or 1.0


def _soft(table: Table) -> tuple[float, float]:
    amperes = table.quantity("current", "A", at_least=1e-15, at_most=1) or 1e-6
    return amperes, table.quantity("exponent", "", at_least=1, at_most=20) or 1.0


def _fet_short(table: Table) -> DeviceFault:
    return fet.HardShort(_path(table, (*fet.PATHS, fet.ALL)), _ohm(table))


def _fet_leak(table: Table) -> DeviceFault:
    path = _path(table, fet.PATHS)
    if "current" not in table:
        return fet.OhmicLeak(path, _ohm(table))
    if path != fet.DRAIN_SOURCE:
        table.problem("current", "a soft leak lies between drain and source; give resistance")
    return fet.SoftLeak(*_soft(table))


def _weak_gate(table: Table) -> DeviceFault:
    polarity = table.quantity("polarity", "", 1.0, at_least=1e-6, at_most=1e6)
    return fet.WeakGate(*_soft(table), polarity)


def _breakdown(table: Table) -> DeviceFault:
    return fet.LowBreakdown(table.quantity("factor", "", at_least=0.01, at_most=0.999) or 0.5)


def _open(table: Table) -> DeviceFault:
    known = ("drain", "source", "gate")
    terminal = table.text("terminal", "source", known=known)
    residual = _ohm(table, default=5e10)
    return fet.OpenTerminal(terminal if terminal in known else "source", residual)


def _bond(table: Table) -> DeviceFault:
    pin = table.text("pin", known=stage.BONDS)
    return stage.LiftedBond(pin if pin in stage.BONDS else "sw", _ohm(table, "extra"))


_FET: Mapping[str, _Reader] = {
    "short": _fet_short,
    "leak": _fet_leak,
    "weak-gate": _weak_gate,
    "high-on-resistance": lambda table: fet.HighOnResistance(_factor(table)),
    "threshold-shift": lambda table: fet.ThresholdShift(_shift(table)),
    "low-breakdown": _breakdown,
    "open": _open,
}
_STAGE: Mapping[str, _Reader] = {
    "short": lambda table: stage.StageShort(_path(table, stage.SHORT_PATHS), _ohm(table)),
    "leak": lambda table: stage.StageLeak(_path(table, stage.LEAK_PATHS), _ohm(table)),
    "output-stuck-high": lambda table: stage.StuckOutput("high"),
    "output-stuck-low": lambda table: stage.StuckOutput("low"),
    "output-stuck-off": lambda table: stage.StuckOutput("off"),
    "lifted-bond": _bond,
    "bootstrap-open": lambda table: stage.BootstrapOpen(),
    "bootstrap-leak": lambda table: stage.BootstrapLeak(_ohm(table)),
    "undervoltage-shift": lambda table: stage.UndervoltageShift(_shift(table)),
    "high-on-resistance": lambda table: stage.StageHighOnResistance(
        _path(table, stage.SHORT_PATHS), _factor(table)
    ),
}
_LOAD: Mapping[str, _Reader] = {"short": lambda table: RailShort(_ohm(table))}
_FAMILIES: Mapping[str, Mapping[str, _Reader]] = {"mosfet": _FET, "stage": _STAGE, "load": _LOAD}


def fault_names(family: str) -> list[str]:
    """List the faults that a device of a family (mosfet, stage, load) can have."""
    return sorted(_FAMILIES[family])


def read_device_fault(table: Table, family: str) -> DeviceFault | None:
    """Read the fault of a device of that family; problems go to the table's own list.

    Returns None when the fault is unknown. When problems were noted the fault returned is a
    stand-in of the right kind, so that reading can go on.
    """
    readers = _FAMILIES[family]
    kind = table.text("fault", known=readers)
    if kind not in readers:
        return None
    fault = readers[kind](table)
    table.refuse_the_rest()
    return fault
