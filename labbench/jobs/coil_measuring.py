"""Measure a coil: look, sweep, DC resistance, direct current, insulation; each into its block."""

from __future__ import annotations

__all__ = ["measure_coil"]

import math
from collections.abc import Callable, Sequence
from typing import Any

from labbench.bench.bench import Bench
from labbench.bench.opened import OpenBench
from labbench.errors import StepAborted
from labbench.jobs.adaptive_sweep import adaptive_points, expected_meter
from labbench.jobs.before_measuring import looked_at
from labbench.jobs.can_decide import accuracies_of
from labbench.jobs.coil_bias import bias_block, insulation_block
from labbench.jobs.request import Request
from labbench.jobs.run import BenchRun
from labbench.jobs.until_decided import (
    MOST_PAIRS,
    REJECTION_TESTS,
    next_point_of_sweep,
    resistance_enough,
)
from labbench.metrology.accuracy import ImpedanceAccuracy, impedance_accuracy
from labbench.metrology.budgets import Budget, budget_of, budget_to_json
from labbench.metrology.compensation import Compensation
from labbench.metrology.impedance import compensated, impedance_budget
from labbench.metrology.resistance import at_temperature
from labbench.metrology.resistance import dc_resistance as known_resistance
from labbench.ports import Event
from labbench.procedures.contact import wait_for_contact
from labbench.procedures.dc_resistance import PAIRS, best_method
from labbench.procedures.dc_resistance import dc_resistance as measure_resistance
from labbench.procedures.sweep import impedance_sweep, sweep_settings
from labbench.results import (
    BiasPoint,
    Contact,
    DcResistance,
    Estimate,
    Impedance,
    Insulation,
    Readings,
    ResistanceMeasurement,
    Sweep,
)


def measure_coil(
    run: BenchRun,
    opened: OpenBench,
    request: Request,
    compensation: Compensation,
    frequencies_hz: Sequence[float],
    *,
    stop_at: tuple[float, float] | None = None,
    siblings: Sequence[Readings] = (),
    choose_at: tuple[float, float] | None = None,
    network: Compensation | None = None,
) -> tuple[Readings, dict[str, Any]]:
    """Take what the plan of this type holds and turn it into the blocks that judging reads.

    `stop_at` are the risks of acceptance and of a false reject within which points and pairs are
    repeated until the verdict is settled; None: the fixed numbers of each. `choose_at` are the
    risks at which the readings so far, and the siblings, choose the next of the frequencies; None:
    all are taken. With `network` (open and short through the bias network) it is measured under
    direct current too.
    """
    bench = run.bench
    visual, condemned = looked_at(bench, request)
    impedance: Impedance | None = None
    contact: Contact | None = None
    resistance: DcResistance | None = None
    bias: tuple[BiasPoint, ...] = ()
    insulation: tuple[Insulation, ...] = ()
    more: dict[str, Any] = {
        "temperature_c": request.temperature_c,
        "u_temperature_c": request.u_temperature_c,
        "compensation": f"open/short of {compensation.taken_utc}, fixture {compensation.fixture}",
    }
    if not condemned:
        impedance, contact, budgets = _sweep(
            bench, opened, request, compensation, frequencies_hz, stop_at, siblings, choose_at
        )
        begun_s = opened.clock.monotonic_s()
        resistance, estimate, drift = _resistance(bench, opened, request, compensation, stop_at)
        if drift:
            more |= {**drift, "dc_fall_s": opened.clock.monotonic_s() - begun_s}
        if resistance is not None:
            more["dc_method"] = resistance.method
            more["dc_current_a"] = resistance.current_a
        if estimate is not None:
            more["dc_budget"] = [{"label": line.label, "u": line.u} for line in estimate.influences]
            assert resistance is not None
            budgets += [
                budget_of(
                    at_temperature(resistance, to_c, estimate=estimate), "dc-resistance",
                    {"temperature_c": to_c},
                )
                for to_c in {m.temperature_c for m in request.coil.dc_resistance} or {25.0}
            ]  # fmt: skip
        if network is not None and request.with_supply:
            bias, found = bias_block(bench, opened, request, network, resistance)
            more |= found
        if request.insulation and request.with_supply:
            insulation, found = insulation_block(bench, opened, request)
            more |= found
        more["budgets"] = [budget_to_json(budget) for budget in budgets]
        bench.open_all()
    readings = request.readings(
        compensation.taken_utc,
        impedance=impedance,
        contact=contact,
        dc_resistance=resistance,
        bias=bias,
        insulation=insulation,
        visual=visual,
    )
    return readings, more


def _sweep(
    bench: Bench,
    opened: OpenBench,
    request: Request,
    compensation: Compensation,
    frequencies_hz: Sequence[float],
    stop_at: tuple[float, float] | None,
    siblings: Sequence[Readings],
    choose_at: tuple[float, float] | None,
) -> tuple[Impedance, Contact, list[Budget]]:
    entry = opened.file.instruments.impedance_meter
    assert entry is not None
    accuracy = impedance_accuracy(entry.class_, entry.accuracy)
    found = wait_for_contact(bench, request.position)
    text = (
        "contact: sweeping" if found == "contact" else "it does not conduct: sweeping all the same"
    )
    bench.tell(Event("sweep", {"text": text}))
    next_point = None
    if stop_at is not None:
        next_point = next_point_of_sweep(
            request.coil, lambda taken: impedance_budget(taken, compensation, accuracy),
            risk=stop_at[0], rejection_risk=stop_at[1] / REJECTION_TESTS,
        )  # fmt: skip
    settings = sweep_settings(request.coil)
    if choose_at is not None and not bench.impedance_by_hand:
        first_hz, choose = adaptive_points(
            request.coil, frequencies_hz, lambda taken: compensated(taken, compensation, accuracy),
            expected_meter(accuracy, settings.aperture_s), _contact(accuracy),
            request.readings(compensation.taken_utc),
            siblings=siblings, risk=choose_at[0], false_reject=choose_at[1],
        )  # fmt: skip
        frequencies_hz, next_point = (first_hz,), _one_after_another(choose, next_point)
    sweep = impedance_sweep(
        bench, frequencies_hz, position=request.position, settings=settings, next_point=next_point
    )
    budgets = []
    for point in impedance_budget(sweep, compensation, accuracy):
        at = {"frequency_hz": point.frequency_hz}
        if point.resistance is not None and point.inductance is not None:
            budgets.append(budget_of(point.resistance, "resistance", at))
            budgets.append(budget_of(point.inductance, "inductance", at))
    return *compensated(sweep, compensation, accuracy), budgets


def _contact(accuracy: ImpedanceAccuracy) -> Contact:
    """Say what a placement will be known with: contacts of the part and of the short."""
    root = math.sqrt(2.0)
    return Contact(root * accuracy.contact_resistance_ohm, root * accuracy.contact_inductance_h)


def _one_after_another(
    first: Callable[[Sweep], float | None], then: Callable[[Sweep], float | None] | None
) -> Callable[[Sweep], float | None]:
    """Ask the first until it has said None once, then the other."""
    done = False

    def next_point(sweep: Sweep) -> float | None:
        nonlocal done
        if not done:
            chosen = first(sweep)
            if chosen is not None:
                return chosen
            done = True
        return then(sweep) if then is not None else None

    return next_point


def _resistance(
    bench: Bench,
    opened: OpenBench,
    request: Request,
    compensation: Compensation,
    stop_at: tuple[float, float] | None,
) -> tuple[DcResistance | None, Estimate | None, dict[str, Any]]:
    """Measure the DC resistance the best way that this bench has; None where nothing can.

    Also tells how much it fell while it was read: a part that was just lifted cools.
    """
    method = best_method(bench) if request.with_supply else "impedance-meter"
    accuracies = accuracies_of(opened.file)

    def known(measurement: ResistanceMeasurement) -> tuple[DcResistance, Estimate | None]:
        return known_resistance(
            measurement,
            multimeter=accuracies.multimeter,
            supply=accuracies.supply,
            impedance=accuracies.impedance,
            supply_leads_ohm=accuracies.supply_leads_ohm,
            compensation=compensation,
        )

    enough = None
    if stop_at is not None:
        enough = resistance_enough(
            request.coil, known, risk=stop_at[0], rejection_risk=stop_at[1] / REJECTION_TESTS,
            watch=request.lately_lifted,
        )  # fmt: skip
    try:
        measurement = measure_resistance(
            bench,
            request.coil,
            method=method,
            position=request.position,
            temperature_c=request.temperature_c,
            u_temperature_c=request.u_temperature_c,
            pairs=PAIRS if enough is None else MOST_PAIRS,
            enough=enough,
        )
    except StepAborted as refused:
        # nobody agreed to switch the supply on: said, and judged without
        bench.tell(Event("skipped", {"text": f"dc resistance not measured: {refused.message}"}))
        return None, None, {}
    return *known(measurement), _drift(measurement)


def _drift(measurement: ResistanceMeasurement) -> dict[str, Any]:
    ohms = [
        (pair.on_v - (pair.off_before_v + pair.off_after_v) / 2) / pair.current_a
        for pair in measurement.pairs
        if pair.current_a
    ]
    if len(ohms) < 2 or ohms[-1] == 0.0:
        return {}
    return {
        "dc_unstable": measurement.reason,
        "dc_fall_share": (ohms[0] - ohms[-1]) / ohms[-1],
    }
