"""Read a leakage current through a series resistor, or through the multimeter itself."""

from __future__ import annotations

__all__ = ["LEAK_AMPS", "leak_need", "take_leak"]

from labbench.bench.bench import Bench
from labbench.bench.limits import Maximum, Need
from labbench.errors import LimitExceeded
from labbench.ports import Hookup
from labbench.procedures.switch.hookups import METER_OHM, series_ohm_of
from labbench.procedures.switch.live import Live, agree, value
from labbench.procedures.switch.ranging import RangedMeter
from labbench.procedures.switch.taken import LeakTaken
from labbench.results import Status

LEAK_AMPS = 5e-3
#: a resistor below 10 kohm only below 8 V
_LOW_RESISTOR_OHM, _LOW_RESISTOR_V = 10e3, 8.0
_LEAST_OHM = 1e3
#: capacitance of a large switch at 0 V and of cables (F): 10 Mohm then settles in 60 ms
_CAPACITANCE_F = 6e-9
_LEAST_SETTLE_S, _TAUS = 0.3, 12.0
_BETWEEN_S = 0.5
_AGREE_SHARE, _AGREE_A, _AGREE_V = 0.01, 30e-12, 6e-6
_LONGEST_S = 8.0
_LONGEST_ON_S, _LONGEST_ON_BY_HAND_S = 20.0, 90.0


def leak_need(name: str, series_ohm: float, volts: float, *, by_hand: bool = False) -> Need:
    """State what a leakage step needs; raise LimitExceeded for too small a resistor.

    Behind R a part never gets more than V^2/4R: R is at least 10 kohm, 1 kohm only below 8 V.
    """
    if series_ohm < _LEAST_OHM or (series_ohm < _LOW_RESISTOR_OHM and volts >= _LOW_RESISTOR_V):
        raise LimitExceeded(
            f"{name} at {volts:g} V behind {series_ohm:g} Ω: it takes at least 10 kΩ, or 1 kΩ "
            "below 8 V; the output was not touched"
        )
    return Need(
        name, voltage_v=volts, current_a=LEAK_AMPS, series_ohm=series_ohm,
        time_s=_LONGEST_ON_BY_HAND_S if by_hand else _LONGEST_ON_S,
    )  # fmt: skip


def take_leak(
    bench: Bench, joined: Hookup, volts: float, *, what: str, sign: int = 1,
    part: Maximum | None = None, open_v: float | None = None, repeat: bool = False,
) -> LeakTaken:  # fmt: skip
    """Read one leakage at one voltage, the hookup being made.

    Accepted only when two readings half a second apart agree within 1 % or 30 pA (what the
    multimeter can tell apart, where that is more); else it is unstable.
    """
    element_ohm = series_ohm_of(joined.name)
    assert element_ohm is not None, joined.name
    through_meter = element_ohm == METER_OHM
    meter = RangedMeter(bench)
    meter.set_for(volts)
    agree(bench, what, volts=volts, amps=LEAK_AMPS)
    need = leak_need(what, element_ohm, volts, by_hand=bench.multimeter_by_hand)
    settle_s = max(_LEAST_SETTLE_S, _TAUS * element_ohm * _CAPACITANCE_F)
    status: Status = "ok"
    with (
        bench.step("leakage", what=what, volts=volts, sign=sign, repeat=repeat),
        Live(bench, volts=volts, amps=LEAK_AMPS, need=need, part=part) as live,
    ):
        live.wait_up(volts)
        bench.settle(settle_s)
        if bench.multimeter_by_hand:
            # the person writes down what the display has settled to
            found = meter.read()
        else:
            found, status = _settled(bench, meter, element_ohm)
        supply_v = value(bench.take_supply_voltage()) or 0.0
    return LeakTaken(
        hookup=joined.name, set_v=volts, supply_v=supply_v, across_v=found,
        series_ohm=None if through_meter else element_ohm, sign=sign, open_v=open_v,
        status="over-range" if found is None else status, repeat=repeat,
    )  # fmt: skip


def _settled(bench: Bench, meter: RangedMeter, element_ohm: float) -> tuple[float | None, Status]:
    until_s = bench.clock.monotonic_s() + _LONGEST_S
    last = meter.read()
    while last is not None:
        bench.settle(_BETWEEN_S)
        now = meter.read()
        if now is None:
            return None, "over-range"
        allowed = max(_AGREE_SHARE * abs(now), _AGREE_A * element_ohm, _AGREE_V)
        if abs(now - last) <= allowed:
            return now, "ok"
        if bench.clock.monotonic_s() > until_s:
            return now, "unstable"
        last = now
    return None, "over-range"
