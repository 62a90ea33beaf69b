"""Read the body diode forward, gate tied to source: at 1 mA it is the part's thermometer."""

from __future__ import annotations

__all__ = ["STRONG_A", "body_diode", "strong_current_way", "wait_until_cool"]

from typing import Literal

from labbench.bench.bench import Bench
from labbench.bench.limits import ASSUMED_OUTPUT_CAPACITANCE_F, Need, surge_j
from labbench.procedures.switch.hookups import hookup, series_ohm_of
from labbench.procedures.switch.live import Live, agree, tie, value
from labbench.procedures.switch.ranging import RangedMeter
from labbench.procedures.switch.taken import DiodeTaken, WarmthTaken

_SETTLE_S = 0.05
_WEAK_V, _WEAK_A, _WEAK_LIMIT_A = 5.0, 1e-3, 5e-3
STRONG_A = 0.1
_DIRECT_V, _FORWARD_V, _SERIES_OHM = 1.5, 0.7, 22.0
#: smaller currents, for a supply whose capacitor would put too much into the part at 100 mA
_STRONG_LADDER_A = (STRONG_A, 0.07, 0.05, 0.04, 0.03, 0.02, 0.01)
#: what the capacitor may hold above the forward voltage: the 22 ohm and the supply's own sink take
#: some of it, and below the forward voltage a rest is left: less than 20 µJ reach the part
_ABOVE_FORWARD_J = 30e-6
#: what the supply's capacitor may hold where nothing stands between it and the part
_SURGE_J = 25e-6
#: behind 22 ohm at 3.2 V: what a part can get at most, for a tenth of a second
_STRONG_POWER_W = 0.12
#: the part is cool when it drifts by less than this in ten seconds (0.13 K)
_DRIFT_V, _DRIFT_S = 0.3e-3, 10.0


def strong_current_way(capacitance_f: float | None) -> tuple[Literal["direct", "22"], float]:
    """Choose how a strong current reaches the diode, and how strong it is (A).

    Direct, 100 mA, where the supply's capacitor cannot hurt the part. Else behind 22 ohm, 100 mA
    or as much less as keeps what the capacitor puts into the part below 20 µJ. An unknown
    capacitance is taken as a large one.
    """
    known = capacitance_f if capacitance_f is not None else ASSUMED_OUTPUT_CAPACITANCE_F
    if surge_j(known, _DIRECT_V) <= _SURGE_J:
        return "direct", STRONG_A
    for amps in _STRONG_LADDER_A:
        if surge_j(known, amps * _SERIES_OHM) <= _ABOVE_FORWARD_J:
            return "22", amps
    return "22", _STRONG_LADDER_A[-1]


def body_diode(
    bench: Bench, *, mirrored: bool, position: str | None = None, strong: bool = True,
    capacitance_f: float | None = None,
) -> tuple[DiodeTaken, ...]:  # fmt: skip
    """Read the forward voltage at 1 mA and, where `strong`, at 100 mA or what is allowed of that.

    Raises what the bench raises.
    """
    taken = [_weak(bench, mirrored, position)]
    if strong and taken[0].diode_v is not None and taken[0].diode_v < _DIRECT_V:
        taken.append(_strong(bench, mirrored, position, *strong_current_way(capacitance_f)))
    return tuple(taken)


def _weak(
    bench: Bench, mirrored: bool, position: str | None, *, step: str = "body-diode"
) -> DiodeTaken:
    need = Need("the body diode at 1 mA", voltage_v=_WEAK_V, current_a=_WEAK_LIMIT_A,
                series_ohm=4.3e3)  # fmt: skip
    return _take(
        bench, "fet-diode-4k3", mirrored, position, _WEAK_A, _WEAK_V, _WEAK_LIMIT_A, need, step
    )


def _strong(
    bench: Bench, mirrored: bool, position: str | None, way: Literal["direct", "22"], amps: float
) -> DiodeTaken:
    volts = _DIRECT_V if way == "direct" else amps * _SERIES_OHM + _FORWARD_V
    need = Need(
        f"the body diode at {amps * 1e3:g} mA", voltage_v=volts, current_a=STRONG_A,
        surge_j=_SURGE_J,
        time_s=5.0, series_ohm=0.0 if way == "direct" else 22.0, part_power_w=_STRONG_POWER_W,
    )  # fmt: skip
    name = f"fet-diode-{way}"
    return _take(bench, name, mirrored, position, amps, volts, STRONG_A, need)


def _take(
    bench: Bench, name: str, mirrored: bool, position: str | None, nominal_a: float,
    volts: float, amps: float, need: Need, step: str = "body-diode",
) -> DiodeTaken:  # fmt: skip
    joined = hookup(name, mirrored=mirrored)
    tie(bench, joined, position)
    meter = RangedMeter(bench, integration_periods=1.0, mirrored=mirrored)
    meter.set_for(1.0)
    agree(bench, need.name, volts=volts, amps=amps)
    series_ohm = series_ohm_of(joined.name)
    with (
        bench.step(step, amps=nominal_a),
        Live(bench, volts=volts, amps=amps, need=need) as live,
    ):
        if nominal_a == _WEAK_A:
            live.wait_up(volts)
        bench.settle(_SETTLE_S)
        diode_v = meter.read()
        supply_v = value(bench.take_supply_voltage()) or 0.0
        readback_a = value(bench.take_supply_current())
    # behind a resistor the arithmetic tells the current better than the readback's milliamperes
    return DiodeTaken(
        nominal_a=nominal_a, supply_v=supply_v, diode_v=diode_v, series_ohm=series_ohm,
        readback_a=readback_a,
    )  # fmt: skip


def wait_until_cool(
    bench: Bench, *, mirrored: bool, position: str | None = None, longest_s: float = 60.0
) -> WarmthTaken:
    """Read the diode at 1 mA until it drifts by less than 0.3 mV in ten seconds (0.13 K).

    Gives up after `longest_s` bench seconds, or where there is no diode to read. Raises what the
    bench raises.
    """
    until_s = bench.clock.monotonic_s() + longest_s
    taken = [_weak(bench, mirrored, position, step="warmth")]
    while taken[-1].diode_v is not None:
        bench.settle(_DRIFT_S)
        taken.append(_weak(bench, mirrored, position, step="warmth"))
        found = WarmthTaken(diode=tuple(taken), every_s=_DRIFT_S, within_v=_DRIFT_V)
        if found.still or bench.clock.monotonic_s() > until_s:
            return found
    return WarmthTaken(diode=tuple(taken), every_s=_DRIFT_S, within_v=_DRIFT_V)
