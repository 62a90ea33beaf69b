"""Look at both switches of a stage with pwm open: neither may conduct."""

from __future__ import annotations

__all__ = ["CONDUCTS_OHM", "tri_state"]

from labbench.bench.bench import Bench
from labbench.bench.limits import Need
from labbench.procedures.switch.hookups import hookup, series_ohm_of
from labbench.procedures.switch.live import Live, agree, tie, value
from labbench.procedures.switch.ranging import RangedMeter
from labbench.procedures.switch.stage_boot import boot_emptied
from labbench.procedures.switch.stage_conditions import (
    DRIVER_AMPS,
    StageConditions,
    driver_need,
)
from labbench.procedures.switch.stage_rules import check_power_path
from labbench.procedures.switch.stage_taken import TriTaken
from labbench.procedures.switch.steady import steady

#: below this a switch that should be off conducts: it is not given 5 V
CONDUCTS_OHM = 1e3
_AMPS, _SETTLE_S, _BETWEEN_S = 10e-3, 0.3, 0.2
_LOW_V, _HIGH_V = 0.1, 0.2
_VIN_V = 5.0
_AGREE_SHARE, _AGREE_V = 0.01, 6e-6


def tri_state(
    bench: Bench, conditions: StageConditions, *, two_channels: bool, position: str | None = None
) -> tuple[TriTaken, ...]:
    """Read vin to sw and sw to pgnd with en on and pwm open. Raises what the bench raises.

    Two channels: 0.1 and 0.2 V through 100 ohm, then vin at 5 V through 10 kohm where it did not
    conduct. One channel: the driver's voltage through 10 kohm.
    """
    if not two_channels:
        return (
            _one_channel(bench, conditions, "vin-sw", "stage-tri-one", position),
            _one_channel(bench, conditions, "sw-pgnd", "stage-tri-ls-one", position),
        )
    high = _two_channels(bench, conditions, "vin-sw", "stage-tri", (_LOW_V, _HIGH_V), position)
    if high.ohm >= CONDUCTS_OHM and not bench.by_person:
        volts = min(_VIN_V, conditions.part.maximum_vin_v or _VIN_V)
        high = _two_channels(
            bench, conditions, "vin-sw", "stage-tri-10k", (volts / 5, volts), position
        )  # fmt: skip
    low = _two_channels(bench, conditions, "sw-pgnd", "stage-tri-ls", (_LOW_V, _HIGH_V), position)
    return high, low


def _two_channels(
    bench: Bench, conditions: StageConditions, path: str, name: str, at_v: tuple[float, float],
    position: str | None,
) -> TriTaken:  # fmt: skip
    series_ohm = series_ohm_of(name)
    assert series_ohm is not None
    tie(bench, hookup(name), position)
    meter = RangedMeter(bench)
    meter.set_for(0.1)
    agree(bench, f"pwm open, {path}", volts=at_v[1], amps=DRIVER_AMPS)
    check_power_path(name, volts=at_v[1], amps=_AMPS, leads_ohm=0.0)
    by_hand = bench.multimeter_by_hand
    need = Need(
        f"pwm open, {path}", voltage_v=at_v[1], current_a=_AMPS, series_ohm=series_ohm,
        beside_channel=2, time_s=90.0 if by_hand else 30.0,
    )  # fmt: skip
    driver = driver_need("the driver beside it", conditions.driver_v, by_hand=by_hand)
    found: list[tuple[float, float | None]] = []
    with boot_emptied(bench), bench.step("tri-state", path=path, volts=at_v[1]), Live(
        bench, volts=conditions.driver_v, amps=DRIVER_AMPS, need=driver, channel=2,
        part=conditions.drive, meter=False,
    ) as held:  # fmt: skip
        held.wait_up(conditions.driver_v)
        with Live(
            bench, volts=at_v[1], amps=_AMPS, need=need, part=conditions.power, meter=False
        ) as live:  # fmt: skip
            for volts in at_v:
                live.set_volts(volts)
                live.wait_up(volts)
                bench.settle(_SETTLE_S)
                across_v, _ = steady(
                    bench, meter, share=_AGREE_SHARE, volts=_AGREE_V, between_s=_BETWEEN_S
                )
                found.append((value(bench.take_supply_voltage()) or 0.0, across_v))
    (low_v, low_across_v), (high_v, high_across_v) = found
    return TriTaken(
        path=path, high_v=high_v, high_across_v=high_across_v, low_v=low_v,
        low_across_v=low_across_v, series_ohm=series_ohm,
    )  # fmt: skip


def _one_channel(
    bench: Bench, conditions: StageConditions, path: str, name: str, position: str | None
) -> TriTaken:
    series_ohm = series_ohm_of(name)
    assert series_ohm is not None
    tie(bench, hookup(name), position)
    meter = RangedMeter(bench)
    meter.set_for(0.1)
    agree(bench, f"pwm open, {path}", volts=conditions.driver_v, amps=DRIVER_AMPS)
    check_power_path(name, volts=conditions.driver_v, amps=DRIVER_AMPS, leads_ohm=0.0)
    need = driver_need(f"pwm open, {path}", conditions.driver_v, by_hand=bench.multimeter_by_hand)
    with (
        boot_emptied(bench),
        bench.step("tri-state", path=path, volts=conditions.driver_v),
    ):
        zero_v = 0.0 if bench.multimeter_by_hand else meter.read() or 0.0
        with Live(
            bench, volts=conditions.driver_v, amps=DRIVER_AMPS, need=need, part=conditions.drive
        ) as live:  # fmt: skip
            live.wait_up(conditions.driver_v)
            bench.settle(_SETTLE_S)
            across_v, _ = steady(
                bench, meter, share=_AGREE_SHARE, volts=_AGREE_V, between_s=_BETWEEN_S
            )
            supply_v = value(bench.take_supply_voltage()) or 0.0
    return TriTaken(
        path=path, high_v=supply_v, high_across_v=across_v, low_v=0.0, low_across_v=zero_v,
        series_ohm=series_ohm,
    )  # fmt: skip
