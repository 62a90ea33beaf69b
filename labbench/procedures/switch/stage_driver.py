"""Feed the driver of a power stage and read what it takes, its power path tied together."""

from __future__ import annotations

__all__ = ["DRIVE_HOOKUPS", "driver_current", "pwm_currents", "pwm_open"]

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
from labbench.procedures.switch.stage_taken import CurrentTaken
from labbench.procedures.switch.steady import steady

#: state of the driver-supply step -> hookup
DRIVE_HOOKUPS = {
    "standby": "stage-drive-off", "open": "stage-drive-en", "low": "stage-drive-en-low",
    "high": "stage-drive-en-high",
}  # fmt: skip
_SETTLE_S, _BETWEEN_S = 0.3, 0.2
_AGREE_SHARE, _AGREE_V = 5e-3, 6e-6
_PWM_OHM, _PWM_AMPS, _PWM_LOW_V = 1e3, 10e-3, 0.05


def driver_current(
    bench: Bench, conditions: StageConditions, state: str, *, position: str | None = None
) -> CurrentTaken:
    """Read the current into vdrv in one state, through 22 ohm. Raises what the bench raises."""
    volts = conditions.driver_v
    tie(bench, hookup(DRIVE_HOOKUPS[state]), position)
    meter = RangedMeter(bench)
    meter.set_for(0.1)
    agree(bench, f"the driver's current ({state})", volts=volts, amps=DRIVER_AMPS)
    with boot_emptied(bench), bench.step("driver-supply", drive=state, volts=volts):
        zero_v = None if bench.multimeter_by_hand else meter.read()
        with _fed(bench, conditions, f"the driver's current ({state})") as live:
            live.wait_up(volts)
            bench.settle(_SETTLE_S)
            across_v, status = steady(
                bench, meter, share=_AGREE_SHARE, volts=_AGREE_V, between_s=_BETWEEN_S
            )
            supply_v = value(bench.take_supply_voltage()) or 0.0
    small = across_v is not None and abs(across_v) < 0.09
    return CurrentTaken(
        state=state, supply_v=supply_v, across_v=across_v, series_ohm=DRIVER_OHM, status=status,
        zero_v=zero_v if small and zero_v is not None else 0.0,
    )  # fmt: skip


def pwm_open(
    bench: Bench, conditions: StageConditions, *, awake_a: float | None = None,
    position: str | None = None,
) -> tuple[float | None, float]:  # fmt: skip
    """Read the voltage that pwm takes by itself, and what the supply showed meanwhile (V).

    `awake_a` is what the driver takes with pwm open (A).
    """
    volts = conditions.fed_v(awake_a)
    tie(bench, hookup("stage-drive-en-volts"), position)
    meter = RangedMeter(bench)
    meter.set_for(volts)
    agree(bench, "the voltage of the open pwm", volts=volts, amps=DRIVER_AMPS)
    with (
        boot_emptied(bench),
        bench.step("pwm-open", volts=volts),
        _fed(bench, conditions, "the voltage of the open pwm", volts=volts) as live,
    ):
        live.wait_up(volts)
        bench.settle(_SETTLE_S)
        found, _ = steady(
            bench, meter, share=_AGREE_SHARE, volts=1e-3, between_s=_BETWEEN_S
        )  # fmt: skip
        supply_v = value(bench.take_supply_voltage()) or 0.0
    return found, supply_v


def pwm_currents(
    bench: Bench, conditions: StageConditions, *, position: str | None = None
) -> tuple[CurrentTaken, ...]:
    """Read the current into pwm, held low and high through 1 kohm by channel 1.

    The driver hangs on channel 2 meanwhile; it is on first and off last.
    """
    tie(bench, hookup("stage-pwm-1k"), position)
    meter = RangedMeter(bench)
    meter.set_for(0.1)
    agree(bench, "the current into pwm", volts=conditions.driver_v, amps=DRIVER_AMPS)
    taken = []
    with boot_emptied(bench), bench.step("pwm-current"):
        zero_v = None if bench.multimeter_by_hand else meter.read()
        with _fed(bench, conditions, "the current into pwm", channel=2) as drive:
            drive.wait_up(conditions.driver_v)
            bench.settle(_SETTLE_S)
            for state, volts in (("low", _PWM_LOW_V), ("high", conditions.driver_v)):
                need = Need(
                    f"pwm held {state}", voltage_v=volts, current_a=_PWM_AMPS, series_ohm=_PWM_OHM,
                    beside_channel=2, time_s=90.0 if bench.multimeter_by_hand else 20.0,
                )  # fmt: skip
                with Live(
                    bench, volts=volts, amps=_PWM_AMPS, need=need, part=conditions.drive,
                    meter=False,
                ) as live:  # fmt: skip
                    live.wait_up(volts)
                    across_v, status = steady(
                        bench, meter, share=_AGREE_SHARE, volts=2e-5, between_s=_BETWEEN_S
                    )
                    supply_v = value(bench.take_supply_voltage()) or 0.0
                taken.append(
                    CurrentTaken(
                        state=state,
                        supply_v=supply_v,
                        across_v=across_v,
                        zero_v=zero_v or 0.0,
                        series_ohm=_PWM_OHM,
                        status=status,
                    )
                )
    return tuple(taken)


def _fed(
    bench: Bench, conditions: StageConditions, what: str, channel: int = 1,
    volts: float | None = None,
) -> Live:  # fmt: skip
    at_v = conditions.driver_v if volts is None else volts
    need = driver_need(what, at_v, by_hand=bench.multimeter_by_hand)
    return Live(
        bench, volts=at_v, amps=DRIVER_AMPS, need=need, channel=channel,
        part=conditions.drive, meter=channel == 1,
    )  # fmt: skip
