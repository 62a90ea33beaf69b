"""Measure a MOSFET as the plan for this bench says, and turn what was read into blocks."""

from __future__ import annotations

__all__ = ["beyond_this_way", "measure_switch", "open_fixture_of", "session_check_of"]

from typing import Any

from labbench.bench.bench import Bench
from labbench.bench.connections import SHORT
from labbench.bench.opened import OpenBench
from labbench.errors import StepAborted
from labbench.jobs.before_measuring import cleaned, looked_at
from labbench.jobs.can_decide import accuracies_of
from labbench.jobs.request import Request
from labbench.jobs.run import BenchRun
from labbench.jobs.switch_blocks import SwitchBlocks, switch_blocks
from labbench.metrology.budgets import budget_to_json
from labbench.parts.mosfet_type import MosfetType
from labbench.ports import Event
from labbench.procedures.switch.conditions import SwitchConditions, switch_conditions
from labbench.procedures.switch.screen import screen
from labbench.procedures.switch.sequence import SwitchTaken, open_fixture, switch_sequence
from labbench.procedures.switch.session_check import CHECK, session_check
from labbench.records.folder import DataFolder
from labbench.records.open_fixture_file import (
    read_open_fixture,
    read_session_check,
    save_open_fixture,
    save_session_check,
)
from labbench.results import Readings

_BLOCKS = {
    "gate-leakage": "gate_leakage", "drain-leakage": "drain_leakage", "body-diode": "body_diode",
    "threshold": "threshold", "on-resistance": "on_resistance", "breakdown": "breakdown",
}  # fmt: skip
#: what a screen leaves out by design
_BEYOND_A_SCREEN = ("threshold", "on_resistance")


def beyond_this_way(taken: SwitchTaken, way: str) -> tuple[str, ...]:
    """Name the blocks that this bench, or the quick check, cannot give: they cap the word."""
    beyond = {_BLOCKS[name] for name in taken.missing if name in _BLOCKS}
    if way == "screen":
        beyond |= set(_BEYOND_A_SCREEN)
    return tuple(sorted(beyond))


def open_fixture_of(
    bench: Bench, opened: OpenBench, conditions: SwitchConditions, data: DataFolder
) -> dict[tuple[str, float], float]:
    """Return what the empty jig read in this session, reading it now where that is missing.

    Relays reach the empty jig; a person is not asked to take the part out for it, and the
    allowance in the budget is then larger.
    """
    if bench.by_person or bench.multimeter is None or "open" not in opened.file.positions:
        return {}
    now = opened.clock.utc()
    known = read_open_fixture(data.open_fixture, opened.file.name, now)
    wanted_v = {*conditions.gate_v, conditions.low_drain_v, conditions.drain_v}
    suffix = "-p" if conditions.mirrored else ""
    here = {volts for (hookup, volts) in known if hookup.endswith("-p") == bool(suffix)}
    if wanted_v <= here:
        return known
    bench.tell(Event("open-fixture", {"text": "reading the empty jig: its own leakage"}))
    known |= dict(open_fixture(bench, conditions))
    save_open_fixture(data.open_fixture, opened.file.name, now, known)
    return known


def session_check_of(
    bench: Bench, opened: OpenBench, conditions: SwitchConditions, data: DataFolder
) -> dict[str, float] | None:
    """Return what check resistor and shorted jig read in this session, reading them where missing.

    Relays reach them, where the bench file has positions `check` and `short`; a person is not asked
    for it. Raises StepAborted where something is wrong: no part is judged by such a chain.
    """
    positions = opened.file.positions
    if bench.by_person or bench.multimeter is None or not {CHECK, SHORT} <= set(positions):
        return None
    now = opened.clock.utc()
    known = read_session_check(data.open_fixture, opened.file.name, now)
    if known is not None:
        return known
    bench.tell(Event("session-check", {"text": "reading the check resistor and the shorted jig"}))
    found = session_check(bench, mirrored=conditions.mirrored)
    if found.problems:
        raise StepAborted(
            f"the session check failed: {'; '.join(found.problems)}; the output is off",
            hint="clean the jig, look at leads and series resistor, and start again",
        )
    known = {"check_ohm": found.check_ohm, "zero_v": found.zero_v or 0.0}
    save_session_check(data.open_fixture, opened.file.name, now, known)
    return known


def measure_switch(
    run: BenchRun, opened: OpenBench, request: Request, data: DataFolder
) -> tuple[Readings, SwitchTaken, dict[str, Any]]:
    """Take what the plan of this type holds; the second value tells where it ended, and why.

    Raises what the bench raises; a person who does not agree to the supply leaves the rest out.
    """
    assert isinstance(request.part, MosfetType)
    bench = run.bench
    conditions = switch_conditions(request.part, rail_v=request.rail_v)
    more: dict[str, Any] = {
        "temperature_c": request.temperature_c,
        "u_temperature_c": request.u_temperature_c,
        "way": request.way,
        "assumed_conditions": list(conditions.assumed),
    }
    visual, condemned = looked_at(bench, request)
    taken = SwitchTaken()
    clean: bool | None = None
    if not (condemned or request.with_supply):
        text = "every step on a switch needs the supply: nothing is measured"
        bench.tell(Event("skipped", {"text": text}))
    elif not condemned:
        clean = cleaned(bench, request.specimen)
        try:
            more["session_check"] = session_check_of(bench, opened, conditions, data)
            taken = _steps(bench, opened, request, conditions, data)
        except StepAborted as refused:
            # nobody agreed to switch the supply on, or a hookup could not be made
            bench.tell(Event("skipped", {"text": f"not measured further: {refused.message}"}))
            more["refused"] = refused.message
        bench.open_all()
    made = (
        switch_blocks(taken, accuracies_of(opened.file), opened.file.fixture.series_tolerances)
        if taken.short and taken.doubt is None
        else SwitchBlocks({})
    )
    more["budgets"] = [budget_to_json(budget) for budget in made.budgets]
    more |= {
        "stopped_at": taken.stopped_at, "why": taken.why, "doubt": taken.doubt,
        "missing": dict(taken.missing),
    }  # fmt: skip
    readings = request.readings(
        opened.clock.utc().date().isoformat(), visual=visual, cleaned=clean, **made.blocks
    )
    return readings, taken, more


def _steps(
    bench: Bench, opened: OpenBench, request: Request, conditions: SwitchConditions,
    data: DataFolder,
) -> SwitchTaken:  # fmt: skip
    assert isinstance(request.part, MosfetType)
    if request.way == "screen":
        return screen(bench, conditions, position=request.position)
    supply = opened.file.instruments.supply
    limit_a = max((limit.upper_a for limit in request.part.drain_leakage), default=None)
    return switch_sequence(
        bench, conditions, position=request.position,
        zeros=open_fixture_of(bench, opened, conditions, data),
        capacitance_f=supply.output_capacitance_f if supply else None,
        drain_limit_a=limit_a, with_breakdown=request.breakdown,
        lately_lifted=request.lately_lifted,
    )  # fmt: skip
