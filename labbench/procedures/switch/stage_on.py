"""Read the on-resistance of both switches of a stage: the driver fed first, then a current.

With two channels the driver hangs on the second one through 22 ohm, and vin sees at most 0.5 V.
With one channel the power pin hangs on the driver's voltage through 4.7 ohm.
"""

from __future__ import annotations

__all__ = ["stage_on_resistance"]

from labbench.bench.bench import Bench
from labbench.bench.limits import Need
from labbench.procedures.switch.hookups import hookup
from labbench.procedures.switch.live import Live, agree, tie, value
from labbench.procedures.switch.on_resistance import at_rest
from labbench.procedures.switch.on_resistance import drive as drive_of
from labbench.procedures.switch.ranging import RangedMeter
from labbench.procedures.switch.stage_boot import boot_emptied
from labbench.procedures.switch.stage_conditions import (
    DRIVER_AMPS,
    DRIVER_OHM,
    StageConditions,
    driver_need,
)
from labbench.procedures.switch.stage_rules import check_power_path
from labbench.procedures.switch.taken import OnTaken

_SIDES = {"sw-pgnd": "stage-on-ls", "vin-sw": "stage-on-hs"}
_SETTLE_S, _DRIVER_SETTLE_S = 0.1, 0.3
#: a switch that drops more is not on: off at once
_ABORT_V = 0.3
_ON_S, _SURGE_J = 1.0, 25e-6
#: 4.7 ohm of 10 W take 5.3 W at 5 V; 1.06 A then flow, and the driver's 22 ohm still stand
_ONE_OHM, _ONE_AMPS, _ONE_V, _ONE_S = 4.7, 1.3, 5.5, 1.0
_DRIVER_S = 30.0
#: as `on_resistance.drive` takes them
_ASSUMED_LEADS_OHM = 0.05


def stage_on_resistance(
    bench: Bench, conditions: StageConditions, path: str, *, two_channels: bool,
    awake_a: float | None, capacitance_f: float | None = None, position: str | None = None,
) -> OnTaken:  # fmt: skip
    """Read one switch that is commanded on. Raises what the bench raises.

    `awake_a` is what the driver takes (A), for the drop across its 22 ohm.
    """
    name = _SIDES[path]
    if path == "vin-sw" and conditions.part.bootstrap == "switch":
        name += "-boot"
    if not two_channels:
        name += "-one"
    tie(bench, hookup(name), position)
    meter = RangedMeter(bench, integration_periods=1.0)
    meter.set_for(0.1)
    agree(bench, f"the on-resistance {path}", volts=conditions.driver_v, amps=conditions.on_a)
    with boot_emptied(bench), bench.step("on-resistance", path=path, driver_v=conditions.driver_v):
        if two_channels:
            found = _two_channels(bench, conditions, name, meter, awake_a, capacitance_f)
        else:
            found = _one_channel(bench, conditions, name, meter, awake_a)
    return found


def _two_channels(
    bench: Bench, conditions: StageConditions, name: str, meter: RangedMeter,
    awake_a: float | None, capacitance_f: float | None,
) -> OnTaken:  # fmt: skip
    volts, amps = drive_of(bench, conditions.on_a, capacitance_f, conditions.part.maximum_current_a)
    known = bench.supply_leads_ohm
    leads_ohm = known if known is not None else _ASSUMED_LEADS_OHM
    check_power_path(name, volts=volts, amps=amps, leads_ohm=leads_ohm)
    need = Need("the on-resistance", voltage_v=volts, current_a=amps, time_s=_ON_S,
                surge_j=_SURGE_J, beside_channel=2)  # fmt: skip
    fed_v = conditions.fed_v(awake_a)
    driver = driver_need("the driver beside it", fed_v, time_s=_DRIVER_S)
    with Live(
        bench, volts=fed_v, amps=DRIVER_AMPS, need=driver, channel=2,
        part=conditions.drive, meter=False,
    ) as held:  # fmt: skip
        held_v = held.wait_up(fed_v)
        bench.settle(_DRIVER_SETTLE_S)
        off_v = meter.read() or 0.0
        off_a = value(bench.take_supply_current()) or 0.0
        with Live(bench, volts=volts, amps=amps, need=need, part=conditions.power):
            on_v, on_a, aborted = _conducting(bench, meter)
        # a thermal voltage that drifts steadily cancels between the two
        off_after_v = meter.read() if not aborted else None
    return OnTaken(
        gate_source_v=held_v - (awake_a or 0.0) * DRIVER_OHM, on_v=on_v, off_v=off_v, on_a=on_a,
        off_a=off_a, method="two-channels", aborted=aborted, off_after_v=off_after_v,
        wanted_gate_v=conditions.driver_v,
    )  # fmt: skip


def _one_channel(
    bench: Bench, conditions: StageConditions, name: str, meter: RangedMeter,
    awake_a: float | None,
) -> OnTaken:  # fmt: skip
    volts = min(conditions.fed_v(awake_a), _ONE_V)
    check_power_path(name, volts=volts, amps=_ONE_AMPS, leads_ohm=0.0)
    need = Need(
        "the on-resistance through 4.7 ohm", voltage_v=volts, current_a=_ONE_AMPS,
        time_s=_ONE_S + _DRIVER_SETTLE_S, series_ohm=_ONE_OHM,
        part_power_w=volts**2 / (4 * _ONE_OHM),
    )  # fmt: skip
    # nothing is on yet: what the output still holds stands across the switch
    off_v = at_rest(bench, meter)
    off_a = value(bench.take_supply_current()) or 0.0
    with Live(
        bench, volts=volts, amps=_ONE_AMPS, need=need, part=conditions.drive, meter=False
    ):  # fmt: skip
        on_v, on_a, aborted = _conducting(bench, meter)
        held_v = value(bench.take_supply_voltage()) or 0.0
    return OnTaken(
        gate_source_v=held_v - (awake_a or 0.0) * DRIVER_OHM, on_v=on_v, off_v=off_v, on_a=on_a,
        off_a=off_a, method="one-channel", aborted=aborted, wanted_gate_v=conditions.driver_v,
    )  # fmt: skip


def _conducting(bench: Bench, meter: RangedMeter) -> tuple[float | None, float, bool]:
    """Read voltage and current of the switch; more than 0.3 V is none that is on."""
    bench.settle(_SETTLE_S)
    first = meter.read()
    if first is None or first > _ABORT_V:
        return first, value(bench.take_supply_current()) or 0.0, True
    on_v = meter.read()
    return on_v, value(bench.take_supply_current()) or 0.0, False
