"""Read the leakages of a power stage: high side guarded, low side, and vin to pgnd."""

from __future__ import annotations

__all__ = ["hs_leakage", "ls_leakage", "vin_leakage"]

from labbench.bench.bench import Bench
from labbench.bench.limits import Need
from labbench.parts.stage_steps import HS_LEAK, LS_LEAK, VIN_LEAK
from labbench.procedures.switch.hookups import SERIES_OHM, hookup
from labbench.procedures.switch.leakage import LEAK_AMPS, take_leak
from labbench.procedures.switch.live import Live, agree, tie, value
from labbench.procedures.switch.ranging import RangedMeter
from labbench.procedures.switch.stage_conditions import StageConditions
from labbench.procedures.switch.stage_taken import ReturnTaken
from labbench.procedures.switch.steady import steady
from labbench.procedures.switch.taken import LeakTaken

_RETURN_OHM, _FEED_OHM = 10e3, 1e3
_SETTLE_S = 0.3
_AGREE_SHARE, _AGREE_V = 0.01, 6e-6
#: more than a tenth of the voltage across the resistor: a smaller one
_TOO_MUCH_SHARE = 0.1


def hs_leakage(
    bench: Bench, conditions: StageConditions, *, beside_ohm: float | None = None,
    position: str | None = None, repeat: bool = False,
) -> ReturnTaken:  # fmt: skip
    """Read what leaves sw over 10 kohm while vin is biased through 1 kohm.

    What vin loses to pgnd inside goes past the multimeter. `beside_ohm` is sw to pgnd inside the
    part, parallel to the 10 kohm. Raises what the bench raises.
    """
    volts = conditions.leak_v[HS_LEAK.name]
    tie(bench, hookup("stage-hs-leak"), position)
    meter = RangedMeter(bench)
    meter.set_for(0.1)
    agree(bench, "the high side's leakage", volts=volts, amps=LEAK_AMPS)
    need = Need(
        "the high side's leakage", voltage_v=volts, current_a=LEAK_AMPS, series_ohm=_FEED_OHM,
        # vin sees the supply through 1 kohm: V^2/4R, 40 mW at 12.6 V
        part_power_w=volts**2 / (4 * _FEED_OHM),
        time_s=90.0 if bench.multimeter_by_hand else 20.0,
    )  # fmt: skip
    with bench.step("leakage", what="the high side's leakage", volts=volts, repeat=repeat):
        zero_v = None if bench.multimeter_by_hand else meter.read()
        with Live(
            bench, volts=volts, amps=LEAK_AMPS, need=need, part=conditions.power
        ) as live:  # fmt: skip
            live.wait_up(volts)
            bench.settle(_SETTLE_S)
            across_v, status = steady(bench, meter, share=_AGREE_SHARE, volts=_AGREE_V)
            supply_v = value(bench.take_supply_voltage()) or 0.0
    small = across_v is not None and abs(across_v) < 0.09
    return ReturnTaken(
        set_v=volts, supply_v=supply_v, across_v=across_v, series_ohm=_RETURN_OHM,
        zero_v=zero_v if small and zero_v is not None else 0.0,
        beside_ohm=beside_ohm, status=status, repeat=repeat,
    )  # fmt: skip


def ls_leakage(
    bench: Bench, conditions: StageConditions, *, position: str | None = None
) -> LeakTaken:
    """Read what vin, sw and boot together lose to pgnd: 100 kohm first, then 10 kohm.

    By hand at once through 10 kohm where the type says that so much flows.
    """
    volts = conditions.leak_v[LS_LEAK.name]
    expected = [limit.nominal for limit in conditions.part.limits_of(LS_LEAK.name) if limit.nominal]
    much = bool(expected) and max(expected) * SERIES_OHM["100k"] > _TOO_MUCH_SHARE * volts
    elements = ("10k",) if bench.by_person and much else ("100k", "10k")
    found: LeakTaken | None = None
    for element in elements:
        joined = hookup(f"stage-ls-leak-{element}")
        tie(bench, joined, position)
        found = take_leak(bench, joined, volts, what="the low side's leakage",
                          part=conditions.power)  # fmt: skip
        if found.across_v is not None and found.across_v <= _TOO_MUCH_SHARE * volts:
            break
    assert found is not None
    return found


def vin_leakage(
    bench: Bench, conditions: StageConditions, *, position: str | None = None
) -> LeakTaken:
    """Read what vin loses to sw and pgnd together, through 100 kohm."""
    joined = hookup("stage-vin-leak-100k")
    tie(bench, joined, position)
    return take_leak(
        bench, joined, conditions.leak_v[VIN_LEAK.name], what="vin to pgnd", part=conditions.power
    )
