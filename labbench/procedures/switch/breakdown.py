"""Read the breakdown voltage: 250 µA through a resistor, two isolated channels in series.

The one step that gives a part more than its rating. Only the resistor bounds what it gets: 10 kohm
at 60 V can put 90 mW into it at most, at the wanted current it takes some 10 mW. Method: breakdown
voltage, gate tied to source (MIL-STD-750 method 3407, title from memory).
"""

from __future__ import annotations

__all__ = ["CURRENT_A", "BreakdownPlan", "breakdown", "breakdown_plan"]

from attrs import evolve, frozen

from labbench.bench.bench import Bench
from labbench.bench.limits import Need
from labbench.procedures.switch.conditions import SwitchConditions
from labbench.procedures.switch.hookups import SERIES_OHM, hookup
from labbench.procedures.switch.live import Live, agree, tie, value
from labbench.procedures.switch.ranging import RangedMeter
from labbench.procedures.switch.taken import BreakdownTaken

CURRENT_A = 250e-6
#: extra-low voltage that this bench never exceeds, both channels together (V DC)
_MOST_V = 60.0
#: a sound part breaks down above its rating, and by so much at most (assumed)
_ABOVE_RATING = 1.3
_AMPS, _SETTLE_S = 5e-3, 0.1
_ITERATIONS, _CLOSE_SHARE = 10, 0.02
_LONGEST_ON_S = 20.0
_FIXED_CHANNEL = 2
#: what the smaller resistor lets into a part at the most that is allowed
_PART_POWER_W = _MOST_V**2 / (4.0 * 10e3)


@frozen
class BreakdownPlan:
    """Hold the resistor and the highest voltage of both channels together; or why there is none."""

    element: str = ""
    most_v: float = 0.0
    missing: str | None = None


def breakdown_plan(bench: Bench, conditions: SwitchConditions) -> BreakdownPlan:
    """Choose the resistor: the larger one where the channels reach high enough behind it."""
    rating_v = conditions.maximum_drain_source_v
    if bench.supply is None or bench.limits is None or bench.multimeter is None:
        return BreakdownPlan(missing="breakdown needs a supply and a multimeter")
    if bench.multimeter_by_hand:
        return BreakdownPlan(missing="a display is too slow to lead a part into breakdown")
    if rating_v is None:
        return BreakdownPlan(missing="the drain-source rating is not known")
    if bench.supply.channels < 2:
        return BreakdownPlan(missing="breakdown needs two isolated channels in series")
    reach_v = min(2.0 * bench.limits.voltage_v, _MOST_V)
    for element in ("100k", "10k"):
        drop_v = CURRENT_A * SERIES_OHM[element]
        wanted = hookup(f"fet-breakdown-{element}", mirrored=conditions.mirrored)
        if rating_v + drop_v > reach_v or not bench.knows(wanted):
            continue
        if element == "100k" and _ABOVE_RATING * rating_v + drop_v > reach_v:
            continue
        return BreakdownPlan(element, min(_ABOVE_RATING * rating_v + drop_v, reach_v))
    return BreakdownPlan(missing=f"both channels together reach {reach_v:g} V only")


def breakdown(
    bench: Bench, conditions: SwitchConditions, plan: BreakdownPlan, *,
    position: str | None = None,
) -> BreakdownTaken:  # fmt: skip
    """Lead the part to 250 µA and read its voltage; it is not led beyond 1.3 times its rating.

    Raises what the bench raises, LimitExceeded for what a channel may not give.
    """
    assert conditions.maximum_drain_source_v is not None
    series_ohm = SERIES_OHM[plan.element]
    tie(bench, hookup(f"fet-breakdown-{plan.element}", mirrored=conditions.mirrored), position)
    meter = RangedMeter(bench, mirrored=conditions.mirrored)
    meter.set_for(100.0)
    agree(bench, "the breakdown voltage", volts=plan.most_v, amps=_AMPS)
    # the second channel stands still, the first one leads
    fixed_v = round(plan.most_v / 2.0, 1)
    most_v = plan.most_v - fixed_v
    volts = max(conditions.maximum_drain_source_v - fixed_v, 1.0)
    need = Need(
        "the breakdown voltage", voltage_v=max(fixed_v, most_v), current_a=_AMPS,
        time_s=_LONGEST_ON_S, series_ohm=series_ohm, part_power_w=_PART_POWER_W,
    )  # fmt: skip
    above = evolve(need, beside_channel=_FIXED_CHANNEL)
    part_v: float | None = None
    supply_v = amps = 0.0
    with (
        bench.step("breakdown", amps=CURRENT_A, most_v=plan.most_v),
        Live(
            bench, volts=fixed_v, amps=_AMPS, need=need, channel=_FIXED_CHANNEL, meter=False
        ) as second,
    ):
        second.wait_up(fixed_v)
        with Live(
            bench, volts=most_v, amps=_AMPS, need=above, start_volts=min(volts, most_v)
        ) as first:
            for _ in range(_ITERATIONS):
                first.set_volts(min(volts, most_v))
                first.wait_up(min(volts, most_v))
                bench.settle(_SETTLE_S)
                part_v = meter.read()
                supply_v = sum(value(bench.take_supply_voltage(n)) or 0.0 for n in (1, 2))
                if part_v is None:
                    break
                amps = BreakdownTaken(
                    nominal_a=CURRENT_A, supply_v=supply_v, part_v=part_v, series_ohm=series_ohm
                ).current_a
                missing_a = CURRENT_A - amps
                if abs(missing_a) <= _CLOSE_SHARE * CURRENT_A or (
                    missing_a > 0.0 and volts >= most_v
                ):
                    break
                volts += missing_a * series_ohm
    return BreakdownTaken(
        nominal_a=CURRENT_A, supply_v=supply_v, part_v=part_v, series_ohm=series_ohm
    )
