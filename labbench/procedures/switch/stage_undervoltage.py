"""Find the undervoltage thresholds of a driver: where its low side begins and ceases to conduct."""

from __future__ import annotations

__all__ = ["undervoltage"]

from collections.abc import Callable
from typing import Literal

from attrs import evolve

from labbench.bench.bench import Bench
from labbench.bench.limits import Need
from labbench.procedures.switch.hookups import hookup
from labbench.procedures.switch.live import Live, agree, tie, value
from labbench.procedures.switch.ranging import RangedMeter
from labbench.procedures.switch.stage_boot import boot_emptied
from labbench.procedures.switch.stage_conditions import (
    DRIVER_AMPS,
    DRIVER_OHM,
    StageConditions,
    driver_need,
)
from labbench.procedures.switch.stage_taken import EdgeTaken

_COARSE_V, _FINE_V = 0.2, 0.02
#: below a threshold found by this much the driver sleeps again: more than any hysteresis (assumed)
_HYSTERESIS_V = 1.0
#: the low side empties the supply's capacitor up to four times: 20 uJ together at 1 mF
_SW_V, _SW_AMPS = 0.1, 0.05
_SETTLE_S, _REACHED_V, _LONGEST_S, _POLL_S = 0.03, 0.01, 4.0, 0.02
#: how far a readback may stand off and the voltage still counts as reached
_OFF_SHARE, _LONGEST_STEP_S = 2e-3, 120.0
#: a driver that is awake takes more than this share of its current at full voltage
_AWAKE_SHARE = 0.5


def undervoltage(
    bench: Bench, conditions: StageConditions, *, awake_a: float | None, two_channels: bool,
    position: str | None = None,
) -> tuple[EdgeTaken, ...]:  # fmt: skip
    """Ramp vdrv up and down with en on and pwm low; coarse steps first, finer ones near the edge.

    With two channels sw hangs on 0.1 V and 50 mA: it falls when the low side conducts. With one,
    the driver's own current tells when it wakes. `awake_a` is that current (A) at full voltage.
    Raises what the bench raises.
    """
    name = "stage-on-ls" if two_channels else "stage-drive-en-low"
    tie(bench, hookup(name), position)
    meter = RangedMeter(bench, integration_periods=1.0)
    meter.set_for(1.0 if two_channels else 0.1)
    agree(bench, "the undervoltage thresholds", volts=conditions.driver_v, amps=DRIVER_AMPS)
    channel = 2 if two_channels else 1
    need = driver_need("the undervoltage thresholds", conditions.driver_v, time_s=_LONGEST_STEP_S)
    if two_channels:
        # sw is biased with 0.1 V only, which turns nothing on; the driver comes up beside it
        need = evolve(need, beside_channel=1)
    drive = Live(
        bench, volts=conditions.driver_v, amps=DRIVER_AMPS, need=need, channel=channel,
        part=conditions.drive, meter=not two_channels,
    )  # fmt: skip
    with boot_emptied(bench), bench.step("undervoltage", volts=conditions.driver_v):
        return _look(bench, conditions, drive, meter, awake_a, two_channels=two_channels)


def _look(
    bench: Bench, conditions: StageConditions, drive: Live, meter: RangedMeter,
    awake_a: float | None, *, two_channels: bool,
) -> tuple[EdgeTaken, ...]:  # fmt: skip
    if not two_channels:
        with drive:
            least_v = _AWAKE_SHARE * (awake_a or 1e-3) * DRIVER_OHM

            def woken() -> tuple[bool, float]:
                across_v = meter.read()
                return across_v is None or across_v > least_v, across_v or 0.0

            return _edges(bench, drive, 1, conditions, woken, "driver-current")
    sw_need = Need("sw at 0.1 V", voltage_v=_SW_V, current_a=_SW_AMPS, time_s=_LONGEST_STEP_S)
    with Live(bench, volts=_SW_V, amps=_SW_AMPS, need=sw_need, part=conditions.power), drive:

        def conducts() -> tuple[bool, float]:
            across_v = meter.read()
            on = across_v is not None and across_v < _SW_V / 2
            # what the driver takes through its 22 ohm while it is awake
            return on, (awake_a or 0.0) * DRIVER_OHM if on else 0.0

        return _edges(bench, drive, 2, conditions, conducts, "turn-on")


def _edges(
    bench: Bench, drive: Live, channel: int, conditions: StageConditions,
    look: Callable[[], tuple[bool, float]], method: Literal["turn-on", "driver-current"],
) -> tuple[EdgeTaken, ...]:  # fmt: skip
    """Find the rising, then the falling edge; `look` tells (on, drop across the 22 ohm in V)."""
    least_v, most_v = conditions.undervoltage_v

    def climb(start_v: float, end_v: float, step_v: float, wanted: bool) -> EdgeTaken:
        """Go step by step until it is on (`wanted`), or off.

        The state before the edge is what counts for the drop: asleep nothing flows, awake the
        driver's current takes some off before it falls asleep.
        """
        before_v: float | None = None
        volts, awake_drop_v = start_v, 0.0
        while True:
            shown_v = _go_to(bench, drive, channel, volts)
            on, drop_v = look()
            if not wanted:
                awake_drop_v = drop_v if on else awake_drop_v
            pin_v = shown_v - awake_drop_v
            found, at_end = on is wanted, abs(volts - end_v) < 1e-6
            if found or at_end:
                return EdgeTaken(
                    edge="rising" if wanted else "falling",
                    before_v=before_v if found else pin_v,
                    after_v=pin_v if found else None,
                    method=method, looked_up_to_v=end_v,
                )  # fmt: skip
            before_v = pin_v
            volts = min(volts + step_v, end_v) if wanted else max(volts - step_v, end_v)

    rising = climb(least_v, most_v, _COARSE_V, True)
    if rising.after_v is None or rising.before_v is None:
        # it never came on, or it was on from the first voltage
        return (rising,)
    _go_to(bench, drive, channel, max(least_v - _HYSTERESIS_V, 0.5))
    look()  # asleep again
    rising = climb(max(rising.before_v - _FINE_V, least_v), most_v, _FINE_V, True)
    found = [rising]
    if rising.after_v is not None:
        lowest_v = max(least_v - _HYSTERESIS_V, 0.5)
        falling = climb(rising.after_v, lowest_v, _COARSE_V, False)
        if falling.after_v is not None:
            _go_to(bench, drive, channel, most_v)
            look()  # awake again
            start_v = min(falling.after_v + _COARSE_V + 3 * _FINE_V, most_v)
            falling = climb(start_v, lowest_v, _FINE_V, False)
        found.append(falling)
    return tuple(found)


def _go_to(bench: Bench, drive: Live, channel: int, volts: float) -> float:
    """Set a voltage, wait until the supply shows it, and return its readback (V)."""
    drive.set_volts(volts)
    until_s = bench.clock.monotonic_s() + _LONGEST_S
    while True:
        bench.settle(_POLL_S)
        shown_v = value(bench.take_supply_voltage(channel)) or 0.0
        near = abs(shown_v - volts) <= _REACHED_V + _OFF_SHARE * volts
        if near or bench.clock.monotonic_s() > until_s:
            break
    bench.settle(_SETTLE_S)
    return value(bench.take_supply_voltage(channel)) or 0.0
