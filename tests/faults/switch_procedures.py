"""The procedures for switches, power stages and rails, each as the fault sweep runs it."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from labbench.bench.bench import Bench
from labbench.bench.opened import OpenBench
from labbench.jobs.part_types import find_any
from labbench.parts.mosfet_type import MosfetType
from labbench.parts.stage_type import StageType
from labbench.procedures.switch.body_diode import body_diode
from labbench.procedures.switch.conditions import SwitchConditions, switch_conditions
from labbench.procedures.switch.drain_leakage import drain_leakage
from labbench.procedures.switch.first_power import first_power
from labbench.procedures.switch.fitted import check_phases
from labbench.procedures.switch.gate_leakage import gate_leakage
from labbench.procedures.switch.in_place import in_place
from labbench.procedures.switch.on_resistance import on_resistance
from labbench.procedures.switch.rail import check_rail
from labbench.procedures.switch.screen import screen
from labbench.procedures.switch.short_check import short_check
from labbench.procedures.switch.stage_conditions import StageConditions, stage_conditions
from labbench.procedures.switch.stage_diodes import stage_diode
from labbench.procedures.switch.stage_driver import driver_current
from labbench.procedures.switch.stage_leakage import hs_leakage
from labbench.procedures.switch.stage_on import stage_on_resistance
from labbench.procedures.switch.stage_pairs import take_pair
from labbench.procedures.switch.threshold import threshold
from tests.faults.bench_under_fault import Procedure, Site

#: what the output of the simulated supplies holds
OUTPUT_F = 220e-6


def fet_type(name: str = "nfet-30v-5m") -> SwitchConditions:
    """Give the conditions of a shipped type of MOSFET."""
    part = find_any(name, ())
    assert isinstance(part, MosfetType)
    return switch_conditions(part)


def stage_type(name: str = "stage-25v-50a") -> StageConditions:
    """Give the conditions of a shipped type of power stage."""
    part = find_any(name, ())
    assert isinstance(part, StageType)
    return stage_conditions(part)


FET, STAGE = fet_type(), stage_type()


def on(position: str, act: Callable[[Bench, str], object]) -> Procedure:
    """Make a procedure of one that measures what lies in a position, and lets go of it."""

    def run(site: Site, opened: OpenBench) -> None:
        with site.bench(opened, "switch") as bench:
            act(bench, position)
            bench.open_all()

    return run


def _next(bench: Bench, position: str) -> None:
    bench.identify()
    in_place(bench, mirrored=False, position=position)


def _shorts(bench: Bench, position: str) -> None:
    short_check(bench, mirrored=False, schottky=False, position=position)


FETS: Mapping[str, Procedure] = {
    "short-check": on("Q1", _shorts),
    # a short one is graded without a resistor
    "short-grade": on("Q7", _shorts),
    "gate-leakage": on("Q1", lambda b, p: gate_leakage(b, FET, position=p)),
    "drain-leakage": on("Q1", lambda b, p: drain_leakage(b, FET, position=p)),
    "body-diode": on(
        "Q1", lambda b, p: body_diode(b, mirrored=False, position=p, capacitance_f=OUTPUT_F)
    ),
    "threshold": on("Q1", lambda b, p: threshold(b, FET, position=p)),
    "on-resistance": on(
        "Q1", lambda b, p: on_resistance(b, FET, position=p, capacitance_f=OUTPUT_F)
    ),
    "screen": on("Q1", lambda b, p: screen(b, FET, position=p)),
    "in-place": on("Q1", lambda b, p: in_place(b, mirrored=False, position=p)),
    "next": on("Q1", _next),
}  # fmt: skip

STAGES: Mapping[str, Procedure] = {
    "stage-pair": on("U1", lambda b, p: take_pair(b, "vin", "pgnd", position=p)),
    "stage-diode": on(
        "U1", lambda b, p: stage_diode(b, "vin-sw", nominal_a=STAGE.diode_a, position=p)
    ),
    "stage-high-side-leakage": on("U1", lambda b, p: hs_leakage(b, STAGE, position=p)),
    "stage-driver-current": on("U1", lambda b, p: driver_current(b, STAGE, "low", position=p)),
    "stage-on-resistance": on(
        "U1", lambda b, p: stage_on_resistance(
            b, STAGE, "sw-pgnd", two_channels=True, awake_a=None, position=p,
            capacitance_f=OUTPUT_F,
        ),
    ),
    "next": on("U1", lambda b, p: take_pair(b, "vin", "pgnd", position=p)),
}  # fmt: skip

RAILS: Mapping[str, Procedure] = {
    "load-check": on("core-6", lambda b, p: check_rail(b, position=p)),
    "next": on("core-6", lambda b, p: check_rail(b, position=p)),
}

BOARDS: Mapping[str, Procedure] = {
    "phase-in-place": on("core-good", lambda b, p: check_phases(b, (1,), position=p)),
    "first-power": on("core-good", lambda b, p: first_power(b, position=p)),
    "next": on("core-good", lambda b, p: check_phases(b, (1,), position=p)),
}

#: scenario: its procedures
BY_SCENARIO: Mapping[str, Mapping[str, Procedure]] = {
    "switches": FETS, "stages": STAGES, "rails": RAILS, "boards": BOARDS,
}  # fmt: skip
