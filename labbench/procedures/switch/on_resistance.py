"""Read the on-resistance: the gate held first, then a current through drain and source.

With two channels the gate hangs on the second one through 1 kohm. With one channel the drain hangs
on the same voltage through 4.7 ohm; the part has proven before that its gate turns it on.
"""

from __future__ import annotations

__all__ = ["Way", "at_rest", "drive", "on_resistance", "on_way"]

import math
from typing import Literal

from labbench.bench.bench import Bench
from labbench.bench.limits import ASSUMED_OUTPUT_CAPACITANCE_F, Need
from labbench.errors import LimitExceeded
from labbench.procedures.switch.conditions import SwitchConditions
from labbench.procedures.switch.hookups import hookup
from labbench.procedures.switch.live import Live, agree, part_maximum, tie, value
from labbench.procedures.switch.ranging import RangedMeter
from labbench.procedures.switch.taken import OnTaken

Way = Literal["two-channels", "one-channel"]

_GATE_AMPS, _GATE_OHM = 10e-3, 1e3
_SETTLE_S, _GATE_SETTLE_S = 0.1, 0.05
#: a drain that drops more is no switch that is on: off at once
_ABORT_V = 0.3
_DRAIN_V, _SURGE_J = 0.5, 25e-6
_ASSUMED_LEADS_OHM = 0.05
_GATE_CHANNEL = 2
#: 4.7 ohm of 25 W: at 10 V they take 21 W, for a second at most
_ONE_CHANNEL_OHM, _ONE_CHANNEL_S, _ONE_CHANNEL_V = 4.7, 1.0, 10.0
_ON_S = 1.0
#: the output's rest decays through the supply's own bleeder, a quarter of a second to ten
_REST_V, _REST_BETWEEN_S, _REST_WITHIN_S = 2e-6, 0.2, 15.0


def on_way(bench: Bench, *, mirrored: bool = False) -> Way | None:
    """Choose the way for the bench; None where there is none.

    On one channel the gate of a p-channel part would hang on the pole that has no resistor.
    """
    if bench.supply is None or bench.multimeter is None or bench.multimeter_by_hand:
        return None
    if bench.supply.channels >= 2:
        return "two-channels"
    return None if mirrored else "one-channel"


def on_resistance(
    bench: Bench, conditions: SwitchConditions, *, position: str | None = None,
    capacitance_f: float | None = None,
) -> tuple[OnTaken, ...]:  # fmt: skip
    """Read the on-resistance at each gate voltage; one that drops too much ends it.

    Raises what the bench raises, LimitExceeded where the supply's capacitor leaves no voltage to
    drive a current.
    """
    way = on_way(bench, mirrored=conditions.mirrored)
    if way is None:
        return ()
    name = "fet-on" if way == "two-channels" else "fet-on-one"
    tie(bench, hookup(name, mirrored=conditions.mirrored), position)
    taken: list[OnTaken] = []
    for gate_v, wanted_a in conditions.on:
        if way == "two-channels":
            found = _two_channels(bench, conditions, gate_v, wanted_a, capacitance_f)
        else:
            found = _one_channel(bench, conditions, gate_v)
        taken.append(found)
        if found.aborted or math.isinf(found.ohm):
            break
    return tuple(taken)


def _two_channels(
    bench: Bench, conditions: SwitchConditions, gate_v: float, wanted_a: float,
    capacitance_f: float | None,
) -> OnTaken:  # fmt: skip
    volts, amps = drive(bench, wanted_a, capacitance_f, conditions.maximum_current_a)
    gate_need = Need("the held gate", voltage_v=gate_v, current_a=_GATE_AMPS, series_ohm=_GATE_OHM,
                     part_power_w=gate_v**2 / (4 * _GATE_OHM))  # fmt: skip
    drain_need = Need("the on-resistance", voltage_v=volts, current_a=amps, time_s=_ON_S,
                      surge_j=_SURGE_J, beside_channel=_GATE_CHANNEL)  # fmt: skip
    meter = RangedMeter(bench, integration_periods=1.0, mirrored=conditions.mirrored)
    meter.set_for(0.1)
    agree(bench, "the on-resistance", volts=max(volts, gate_v), amps=amps)
    with (
        bench.step("on-resistance", gate_v=gate_v, amps=amps),
        Live(
            bench, volts=gate_v, amps=_GATE_AMPS, need=gate_need, channel=_GATE_CHANNEL,
            part=part_maximum(conditions.name, conditions.maximum_gate_source_v), meter=False,
        ) as gate,
    ):  # fmt: skip
        held_v = gate.wait_up(gate_v)
        bench.settle(_GATE_SETTLE_S)
        off_v = meter.read() or 0.0
        off_a = value(bench.take_supply_current()) or 0.0
        with Live(
            bench, volts=volts, amps=amps, need=drain_need,
            part=part_maximum(conditions.name, conditions.maximum_drain_source_v,
                              conditions.maximum_current_a),
        ):  # fmt: skip
            on_v, on_a, aborted = _conducting(bench, meter)
        # a thermal voltage that drifts steadily cancels between the two
        off_after_v = meter.read() if not aborted else None
    return OnTaken(
        gate_source_v=held_v, on_v=on_v, off_v=off_v, on_a=on_a, off_a=off_a,
        method="two-channels", aborted=aborted, wanted_gate_v=gate_v, off_after_v=off_after_v,
    )  # fmt: skip


def _one_channel(bench: Bench, conditions: SwitchConditions, gate_v: float) -> OnTaken:
    if gate_v > _ONE_CHANNEL_V:
        raise LimitExceeded(
            f"{gate_v:g} V through 4.7 Ω is more than the resistor takes; nothing was energised"
        )
    amps = min(gate_v / _ONE_CHANNEL_OHM * 1.1, bench.limits.current_a if bench.limits else 0.0)
    need = Need(
        "the on-resistance through 4.7 ohm", voltage_v=gate_v, current_a=amps,
        time_s=_ONE_CHANNEL_S, series_ohm=_ONE_CHANNEL_OHM,
        part_power_w=_ONE_CHANNEL_V**2 / (4 * _ONE_CHANNEL_OHM),
    )  # fmt: skip
    meter = RangedMeter(bench, integration_periods=1.0, mirrored=conditions.mirrored)
    meter.set_for(0.1)
    agree(bench, "the on-resistance", volts=gate_v, amps=amps)
    with bench.step("on-resistance", gate_v=gate_v, amps=amps):
        off_v = at_rest(bench, meter)
        off_a = value(bench.take_supply_current()) or 0.0
        maximum = part_maximum(conditions.name, conditions.maximum_gate_source_v)
        with Live(bench, volts=gate_v, amps=amps, need=need, meter=False, part=maximum):
            on_v, on_a, aborted = _conducting(bench, meter)
            held_v = value(bench.take_supply_voltage()) or 0.0
    return OnTaken(
        gate_source_v=held_v, on_v=on_v, off_v=off_v, on_a=on_a, off_a=off_a,
        method="one-channel", aborted=aborted, wanted_gate_v=gate_v,
    )  # fmt: skip


def at_rest(bench: Bench, meter: RangedMeter) -> float:
    """Read the part (V) without current once the supply's last millivolts have left it (V).

    Its gate is off with its drain, so what the output still holds stands across the part.
    """
    last = meter.read() or 0.0
    until_s = bench.clock.monotonic_s() + _REST_WITHIN_S
    while bench.clock.monotonic_s() < until_s:
        bench.settle(_REST_BETWEEN_S)
        now = meter.read() or 0.0
        if abs(now - last) <= _REST_V:
            return now
        last = now
    return last


def _conducting(bench: Bench, meter: RangedMeter) -> tuple[float | None, float, bool]:
    """Read voltage and current of the part; more than 0.3 V is no switch that is on."""
    first = meter.read()
    if first is None or first > _ABORT_V:
        return first, value(bench.take_supply_current()) or 0.0, True
    bench.settle(_SETTLE_S)
    on_v = meter.read()
    return on_v, value(bench.take_supply_current()) or 0.0, False


def drive(
    bench: Bench, wanted_a: float, capacitance_f: float | None, maximum_a: float | None = None
) -> tuple[float, float]:
    """Choose compliance (V) and current (A): what the supply's capacitor holds stays harmless.

    At most 0.5 V and the leads' drop; the current goes down where that is not enough to drive it.
    """
    assert bench.limits is not None
    known = capacitance_f if capacitance_f is not None else ASSUMED_OUTPUT_CAPACITANCE_F
    harmless_v = math.floor(math.sqrt(2 * _SURGE_J / known) * 1e3) / 1e3
    leads_ohm = bench.supply_leads_ohm if bench.supply_leads_ohm is not None else _ASSUMED_LEADS_OHM
    amps = min(wanted_a, bench.limits.current_a, maximum_a or math.inf)
    volts = min(_DRAIN_V + amps * leads_ohm, harmless_v)
    # half the voltage for the part and its contacts, the rest for the leads
    if leads_ohm > 0:
        amps = min(amps, volts / 2 / leads_ohm)
    return volts, math.floor(amps * 100) / 100
