"""Check the load behind a rail at 0.3 V at most, nothing powered, before a part is spent on it."""

from __future__ import annotations

__all__ = ["LoadTaken", "check_rail"]

from attrs import evolve, frozen

from labbench.bench.bench import Bench
from labbench.bench.limits import Need
from labbench.errors import StepAborted
from labbench.ports import Prompt
from labbench.procedures.switch.hookups import METER_OHM, hookup
from labbench.procedures.switch.live import Live, agree, tie, value
from labbench.procedures.switch.ranging import RangedMeter

_SERIES_OHM = 100.0
_VOLTS = (0.05, 0.1, 0.2, 0.3)
_FIRST_A, _MOST_A = 0.1, 1.0
_SETTLE_S = 0.1
#: a load of less than this takes most of the voltage from the 100 ohm: it is fed directly
_DIRECT_BELOW_OHM = 20.0
#: what the supply's capacitor holds at 0.3 V goes into the board's own capacitors
_SURGE_J = 100e-6
#: the supply does not reach its voltage: the current limit holds it down
_LIMITED_SHARE = 0.9


@frozen(kw_only=True)
class LoadTaken:
    """Hold voltage at the rail and current into it; `series_ohm` None: current by readback."""

    set_v: float
    voltage_v: float
    current_a: float
    off_a: float = 0.0
    series_ohm: float | None = None
    repeat: bool = False


def check_rail(bench: Bench, *, position: str | None = None) -> tuple[LoadTaken, ...]:
    """Read the current at 0.05 to 0.3 V, upwards and back; never the other polarity.

    Behind 100 ohm first: what draws little is read there, what draws much is then fed directly,
    0.1 A first and 1 A at most. A person confirms first that the board is off, and plus is where
    plus belongs. Raises what the bench raises, StepAborted on a no or without a multimeter.
    """
    if bench.multimeter is None:
        raise StepAborted("the load check needs a multimeter: a readback cannot tell a load")
    if bench.ask(Prompt("confirm", "all-off", ("yes", "no"), "no")) != "yes":
        raise StepAborted(
            "the board is not off and discharged; nothing was energised",
            hint="meter first, then a resistor across each capacitor, then start again",
        )
    tie(bench, hookup("rail-check-100R"), position)
    found = _behind_resistor(bench, _VOLTS[-1])
    if found.current_a > 0 and found.voltage_v / found.current_a < _DIRECT_BELOW_OHM:
        tie(bench, hookup("rail-check"), position)
        taken = [_direct(bench, volts) for volts in _VOLTS]
        return (*taken, *(evolve(_direct(bench, v), repeat=True) for v in _VOLTS[-2::-1]))
    taken = [_behind_resistor(bench, volts) for volts in _VOLTS]
    return (*taken, *(evolve(_behind_resistor(bench, v), repeat=True) for v in _VOLTS[-2::-1]))


def _behind_resistor(bench: Bench, volts: float) -> LoadTaken:
    meter = RangedMeter(bench)
    meter.set_for(volts)
    agree(bench, "the load check", volts=_VOLTS[-1], amps=_FIRST_A)
    need = Need("the load check", voltage_v=_VOLTS[-1], current_a=_FIRST_A, series_ohm=_SERIES_OHM)
    with (
        bench.step("load-check", volts=volts, series_ohm=_SERIES_OHM),
        Live(bench, volts=volts, amps=_FIRST_A, need=need) as live,
    ):
        live.wait_up(volts)
        bench.settle(_SETTLE_S)
        across_v = meter.read() or 0.0
        supply_v = value(bench.take_supply_voltage()) or 0.0
    return LoadTaken(
        set_v=volts,
        voltage_v=supply_v - across_v,
        current_a=across_v * (1.0 / _SERIES_OHM + 1.0 / METER_OHM),
        series_ohm=_SERIES_OHM,
    )


def _direct(bench: Bench, volts: float) -> LoadTaken:
    found, limited = _at(bench, volts, _FIRST_A)
    return _at(bench, volts, _MOST_A)[0] if limited else found


def _at(bench: Bench, volts: float, amps: float) -> tuple[LoadTaken, bool]:
    meter = RangedMeter(bench, integration_periods=1.0)
    meter.set_for(volts)
    agree(bench, "the load check", volts=_VOLTS[-1], amps=_MOST_A)
    need = Need(
        "the load check", voltage_v=_VOLTS[-1], current_a=_MOST_A, surge_j=_SURGE_J, time_s=20.0
    )
    with bench.step("load-check", volts=volts, amps=amps):
        off_a = value(bench.take_supply_current()) or 0.0
        with Live(bench, volts=volts, amps=amps, need=need) as live:
            reached_v = live.wait_up(volts)
            bench.settle(_SETTLE_S)
            at_rail_v = meter.read() or 0.0
            on_a = value(bench.take_supply_current()) or 0.0
    limited = reached_v < _LIMITED_SHARE * volts
    found = LoadTaken(set_v=volts, voltage_v=at_rail_v, current_a=on_a - off_a, off_a=off_a)
    return found, limited
