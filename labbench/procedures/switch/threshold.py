"""Read the threshold: gate tied to drain, a small current through a resistor."""

from __future__ import annotations

__all__ = ["CURRENTS", "threshold"]

import math

from attrs import evolve

from labbench.bench.bench import Bench
from labbench.bench.limits import Need
from labbench.procedures.switch.conditions import SwitchConditions
from labbench.procedures.switch.hookups import SERIES_OHM, hookup
from labbench.procedures.switch.live import Live, agree, part_maximum, tie, value
from labbench.procedures.switch.ranging import RangedMeter
from labbench.procedures.switch.taken import ThresholdTaken

#: current (A) and the resistor that gives it
CURRENTS = ((250e-6, "10k"), (1e-3, "3k"))
_AMPS, _SETTLE_S = 10e-3, 0.05
_ITERATIONS, _CLOSE_SHARE = 3, 0.01
_MARGIN_V = 0.5


def threshold(
    bench: Bench, conditions: SwitchConditions, *, position: str | None = None
) -> tuple[ThresholdTaken, ...]:
    """Read the gate-source voltage at 250 µA and 1 mA; by hand only at what the type limits.

    The supply is led to the current in three steps by the multimeter across the resistor; then the
    multimeter moves to the part. By hand only the latter: the resistor and the supply's voltage
    give the current well enough (0.4 µA of 250), and a re-tie is saved. Raises what the bench
    raises.
    """
    taken = []
    wanted = [
        pair
        for pair in CURRENTS
        if not bench.by_person or math.isclose(pair[0], conditions.threshold_a, rel_tol=0.01)
    ]
    for amps, element in wanted or CURRENTS[:1]:
        taken.append(_at(bench, conditions, amps, element, position))
        if taken[-1].gate_v is None:
            break
    return tuple(taken)


def _at(
    bench: Bench, conditions: SwitchConditions, amps: float, element: str, position: str | None
) -> ThresholdTaken:
    series_ohm = SERIES_OHM[element]
    # with the gate tied to the drain the part sees what its gate takes: never above its rating
    most_v = conditions.threshold_v + _MARGIN_V + amps * series_ohm
    if conditions.maximum_gate_source_v is not None:
        most_v = min(most_v, conditions.maximum_gate_source_v)
    start_v = min(1.6 + amps * series_ohm, most_v)
    across_v = across_supply_v = None
    volts = start_v
    if not bench.by_person:
        volts, across_v, across_supply_v = _led(
            bench, conditions, amps, element, start_v, most_v, position
        )
    joined = hookup(f"fet-threshold-{element}-volts", mirrored=conditions.mirrored)
    tie(bench, joined, position)
    meter = RangedMeter(bench, mirrored=conditions.mirrored)
    meter.set_for(most_v)
    agree(bench, "the threshold", volts=most_v, amps=_AMPS)
    with bench.step("threshold", amps=amps), _live(bench, conditions, series_ohm, most_v) as live:
        gate_v = None
        for _ in range(_ITERATIONS if bench.by_person and not bench.multimeter_by_hand else 1):
            live.set_volts(volts)
            live.wait_up(volts)
            bench.settle(_SETTLE_S)
            gate_v = meter.read()
            supply_v = value(bench.take_supply_voltage()) or 0.0
            if gate_v is None:
                break
            found = ThresholdTaken(
                nominal_a=amps, supply_v=supply_v, gate_v=gate_v, series_ohm=series_ohm
            )
            missing_a = amps - (found.current_a or 0.0)
            if abs(missing_a) <= _CLOSE_SHARE * amps:
                break
            volts = min(max(volts + missing_a * series_ohm, 0.0), most_v)
    return evolve(
        ThresholdTaken(nominal_a=amps, supply_v=supply_v, gate_v=gate_v, series_ohm=series_ohm),
        across_v=across_v, across_supply_v=across_supply_v,
    )  # fmt: skip


def _led(
    bench: Bench, conditions: SwitchConditions, amps: float, element: str, start_v: float,
    most_v: float, position: str | None,
) -> tuple[float, float | None, float]:  # fmt: skip
    """Lead the supply to the current; return its voltage and the last reading."""
    series_ohm = SERIES_OHM[element]
    tie(bench, hookup(f"fet-threshold-{element}", mirrored=conditions.mirrored), position)
    meter = RangedMeter(bench)
    meter.set_for(amps * series_ohm)
    agree(bench, "the threshold", volts=most_v, amps=_AMPS)
    volts, across_v, supply_v = start_v, None, 0.0
    with (
        bench.step("threshold-current", amps=amps),
        _live(bench, conditions, series_ohm, most_v) as live,
    ):
        for _ in range(_ITERATIONS):
            live.set_volts(volts)
            live.wait_up(volts)
            bench.settle(_SETTLE_S)
            across_v = meter.read()
            supply_v = value(bench.take_supply_voltage()) or 0.0
            if across_v is None:
                break
            missing_a = amps - across_v / series_ohm
            if abs(missing_a) <= _CLOSE_SHARE * amps:
                break
            volts = min(max(volts + missing_a * series_ohm, 0.0), most_v)
    return volts, across_v, supply_v


def _live(bench: Bench, conditions: SwitchConditions, series_ohm: float, most_v: float) -> Live:
    need = Need(
        "the threshold", voltage_v=most_v, current_a=_AMPS, series_ohm=series_ohm,
        time_s=90.0 if bench.multimeter_by_hand else 20.0,
    )  # fmt: skip
    maximum = part_maximum(conditions.name, conditions.maximum_gate_source_v)
    return Live(bench, volts=most_v, amps=_AMPS, need=need, part=maximum)
