"""Check the load behind a rail at 0.3 V at most, nothing powered, before a part is spent on it.

Also the input of a board, at 0.2 V at most. Plus on the rail and never the other way round: the
clamps of the load would conduct (switches.md E).
"""

from __future__ import annotations

__all__ = [
    "LoadTaken",
    "Method",
    "RailTaken",
    "Side",
    "check_rail",
    "confirm_off",
    "settled",
    "settling_s",
]

from collections.abc import Callable
from typing import Literal

from attrs import evolve, frozen

from labbench.bench.bench import Bench
from labbench.bench.limits import Need
from labbench.errors import StepAborted
from labbench.ports import Hookup, Prompt
from labbench.procedures.switch.hookups import METER_OHM, hookup, series_ohm_of
from labbench.procedures.switch.live import Live, agree, tie, value
from labbench.procedures.switch.ranging import RangedMeter
from labbench.results import Status

Side = Literal["rail", "input"]
Method = Literal["series-resistor", "four-wire", "supply-readback"]

_VOLTS: dict[Side, tuple[float, ...]] = {"rail": (0.05, 0.1, 0.2, 0.3), "input": (0.05, 0.1, 0.2)}
_FIRST_A = 0.1
_MOST_A: dict[Side, float] = {"rail": 1.0, "input": 0.5}
#: a large core draws amperes already; what it is given stays below this
_LARGE_A, _MOST_W = 3.0, 0.3
#: found to be one while 1 A is too little: below it is a short, whatever the rail
_LARGE_OHM = (20e-3, 0.1)
#: largest resistance that is fed directly, and through 4.7 ohm; above that through 100 ohm
_DIRECT_BELOW_OHM, _SMALL_BELOW_OHM = 2.0, 50.0
#: without a multimeter everything is fed directly: a readback tells no current behind 100 ohm
_ZERO_V, _ZERO_A = 0.2, 1.0
#: what the supply's capacitor holds at 0.3 V goes into the board's own capacitors
_SURGE_J = 100e-6
#: the supply does not reach its voltage: the current limit holds it down
_LIMITED_SHARE = 0.9
#: capacitance that a rail has at most, for the time that it is given at least
_RAIL_F = 5e-3
_LEAST_SETTLE_S, _POLL_S, _LONGEST_S = 0.05, 0.1, 5.0
#: two readings in a row that agree so well are settled
_AGREE_SHARE, _AGREE_V = 3e-3, 20e-6
_LEADS_OHM = 0.1


@frozen(kw_only=True)
class LoadTaken:
    """Hold voltage at the rail and current into it; `off_a` is the readback's own zero.

    method: "series-resistor" (the multimeter across `series_ohm`), "four-wire" (the multimeter on
    the rail beside the clips, current by readback) or "supply-readback" (no multimeter; the leads'
    own resistance removed).
    """

    set_v: float
    voltage_v: float
    current_a: float
    off_a: float = 0.0
    series_ohm: float | None = None
    repeat: bool = False
    method: Method = "four-wire"
    status: Status = "ok"


@frozen(kw_only=True)
class RailTaken:
    """Hold the readings of a load, upwards and back, and how they came about.

    `leads_ohm` is what the clips read on each other, where that was needed; `large_core` says that
    up to 3 A were allowed.
    """

    load: tuple[LoadTaken, ...]
    leads_ohm: float | None = None
    large_core: bool = False


def settling_s(volts: float, amps: float, source_ohm: float, load_ohm: float) -> float:
    """Return how long a rail of 5 mF takes to its voltage: C V / (Ilim - I) + 4.6 C (Rs || R).

    `amps` is the current limit; behind a resistor that never meets it the first term is nothing.
    """
    drawn = volts / (source_ohm + load_ohm)
    ramp_s = _RAIL_F * volts / (amps - drawn) if volts / source_ohm > amps > drawn else 0.0
    return ramp_s + 4.6 * _RAIL_F / (1.0 / source_ohm + 1.0 / load_ohm)


def confirm_off(bench: Bench) -> None:
    """Ask whether the board is off, isolated and discharged; raise StepAborted on a no."""
    if bench.ask(Prompt("confirm", "all-off", ("yes", "no"), "no")) != "yes":
        raise StepAborted(
            "the board is not off and discharged; nothing was energised",
            hint="meter first, then a resistor across each capacitor, then start again",
        )


def check_rail(
    bench: Bench, *, position: str | None = None, side: Side = "rail", large_core: bool = False,
    short_position: str = "short",
) -> RailTaken:  # fmt: skip
    """Read the current at 0.05 to 0.3 V (an input: 0.2 V), upwards and back.

    Behind 100 ohm first: what draws little is read there or behind 4.7 ohm, what draws much is then
    fed directly, 0.1 A first, then 1 A at most (an input 0.5 A; a large core 3 A and 0.3 W).
    Without a multimeter the clips are read on each other first, and everything directly. A person
    confirms first that the board is off, and plus is where plus belongs. Raises what the bench
    raises, StepAborted on a no.
    """
    confirm_off(bench)
    if bench.multimeter is None:
        # a person who holds the clips together puts nothing into a jig
        leads_ohm = _clips_together(bench, None if bench.by_person else short_position)
        tie(bench, _hookup(side, "", with_multimeter=False), position)
        feed = _Feed(bench, side, large_core, leads_ohm)
        return evolve(feed.both_ways(), leads_ohm=leads_ohm)
    tie(bench, _hookup(side, "-100R"), position)
    through = _behind_resistor(bench, side, _VOLTS[side][-1])
    ohm = through.voltage_v / through.current_a if through.current_a > 0 else float("inf")
    if ohm < _DIRECT_BELOW_OHM:
        tie(bench, _hookup(side, ""), position)
        return _Feed(bench, side, large_core, None).both_ways()
    if ohm < _SMALL_BELOW_OHM:
        tie(bench, _hookup(side, "-4R7"), position)
    read = _up_and_back(side, lambda volts: _behind_resistor(bench, side, volts, ohm))
    return RailTaken(load=read)


def _hookup(side: Side, how: str, *, with_multimeter: bool = True) -> Hookup:
    name = {"rail": "rail-check", "input": "vin-check"}[side] + how
    return hookup(name, with_multimeter=with_multimeter)


def _up_and_back(side: Side, read: Callable[[float], LoadTaken]) -> tuple[LoadTaken, ...]:
    up = [read(volts) for volts in _VOLTS[side]]
    return (*up, *(evolve(read(volts), repeat=True) for volts in _VOLTS[side][-2::-1]))


def _behind_resistor(
    bench: Bench, side: Side, volts: float, load_ohm: float = float("inf")
) -> LoadTaken:
    joined = bench.joined.hookup
    series_ohm = series_ohm_of(joined.name) if joined is not None else None
    assert series_ohm is not None
    meter = RangedMeter(bench)
    meter.set_for(volts)
    most_v = _VOLTS[side][-1]
    agree(bench, "the load check", volts=most_v, amps=_FIRST_A)
    need = Need("the load check", voltage_v=most_v, current_a=_FIRST_A, series_ohm=series_ohm)
    with (
        bench.step("load-check", volts=volts, series_ohm=series_ohm),
        Live(bench, volts=volts, amps=_FIRST_A, need=need) as live,
    ):
        live.wait_up(volts)
        longest_s = settling_s(volts, _FIRST_A, series_ohm, min(load_ohm, 1e6))
        across_v, steady = settled(bench, meter, longest_s)
        supply_v = value(bench.take_supply_voltage()) or 0.0
    return LoadTaken(
        set_v=volts,
        voltage_v=supply_v - across_v,
        current_a=across_v * (1.0 / series_ohm + 1.0 / METER_OHM),
        series_ohm=series_ohm,
        method="series-resistor",
        status="ok" if steady else "unstable",
    )


def settled(bench: Bench, meter: RangedMeter, longest_s: float) -> tuple[float, bool]:
    """Read until two readings agree; say whether they did within twice the time it should take.

    What capacitance a rail has nobody knows: agreement tells it sooner than any time does.
    """
    bench.settle(_LEAST_SETTLE_S)
    until_s = bench.clock.monotonic_s() + min(2.0 * longest_s + 1.0, _LONGEST_S)
    last = meter.read() or 0.0
    while not bench.multimeter_by_hand:
        bench.settle(_POLL_S)
        now = meter.read() or 0.0
        if abs(now - last) <= max(_AGREE_SHARE * abs(now), _AGREE_V):
            return now, True
        if bench.clock.monotonic_s() > until_s:
            return now, False
        last = now
    return last, True


class _Feed:
    """Feed a rail directly, with the current limit that it needs and no more."""

    def __init__(self, bench: Bench, side: Side, large_core: bool, leads_ohm: float | None) -> None:
        self._bench, self._side = bench, side
        self._leads_ohm = leads_ohm
        self.large_core = large_core and side == "rail"

    def both_ways(self) -> RailTaken:
        read = _up_and_back(self._side, self._at)
        return RailTaken(load=read, large_core=self.large_core)

    def _at(self, volts: float) -> LoadTaken:
        found, limited = self._take(volts, _FIRST_A)
        if limited:
            found, limited = self._take(volts, _MOST_A[self._side])
        if limited and self._side == "rail" and found.current_a > 0:
            ohm = found.voltage_v / found.current_a
            self.large_core |= _LARGE_OHM[0] < ohm < _LARGE_OHM[1]
        if limited and self.large_core and self._large_a(volts) > _MOST_A[self._side]:
            found, _ = self._take(volts, self._large_a(volts))
        return found

    def _large_a(self, volts: float) -> float:
        limits = self._bench.limits
        return min(_LARGE_A, _MOST_W / volts, limits.current_a if limits else _LARGE_A)

    def _take(self, volts: float, amps: float) -> tuple[LoadTaken, bool]:
        bench, most_v = self._bench, _VOLTS[self._side][-1]
        meter = None
        if bench.multimeter is not None:
            meter = RangedMeter(bench, integration_periods=1.0)
            meter.set_for(volts)
        allowed_a = max(_MOST_A[self._side], amps)
        agree(bench, "the load check", volts=most_v, amps=allowed_a)
        need = Need(
            "the load check", voltage_v=most_v, current_a=allowed_a, surge_j=_SURGE_J, time_s=20.0
        )
        with bench.step("load-check", volts=volts, amps=amps):
            off_a = value(bench.take_supply_current()) or 0.0
            with Live(bench, volts=volts, amps=amps, need=need) as live:
                reached_v = live.wait_up(volts)
                longest_s = settling_s(volts, amps, self._leads_ohm or _LEADS_OHM, volts / amps)
                steady = True
                if meter is not None:
                    at_rail_v, steady = settled(bench, meter, longest_s)
                else:
                    bench.settle(max(2.0 * longest_s, _POLL_S))
                    at_rail_v = value(bench.take_supply_voltage()) or 0.0
                on_a = value(bench.take_supply_current()) or 0.0
        current_a = on_a - off_a
        if meter is None:
            at_rail_v -= current_a * (self._leads_ohm or 0.0)
        found = LoadTaken(
            set_v=volts, voltage_v=max(at_rail_v, 0.0), current_a=current_a, off_a=off_a,
            method="supply-readback" if meter is None else "four-wire",
            status="ok" if steady else "unstable",
        )  # fmt: skip
        return found, reached_v < _LIMITED_SHARE * volts


def _clips_together(bench: Bench, position: str | None) -> float:
    """Return the resistance of leads and clips, read on each other at 1 A and 0.2 V at most."""
    tie(bench, hookup("rail-short", with_multimeter=False), position)
    agree(bench, "the clips on each other", volts=_ZERO_V, amps=_ZERO_A)
    need = Need("the clips on each other", voltage_v=_ZERO_V, current_a=_ZERO_A)
    with bench.step("clips-together", amps=_ZERO_A):
        off_a = value(bench.take_supply_current()) or 0.0
        with Live(bench, volts=_ZERO_V, amps=_ZERO_A, need=need) as live:
            live.wait_up(_ZERO_V)
            bench.settle(_POLL_S)
            volts = value(bench.take_supply_voltage()) or 0.0
            amps = (value(bench.take_supply_current()) or 0.0) - off_a
    if amps <= _FIRST_A / 2:
        raise StepAborted(
            f"the clips were to be on each other, and only {amps * 1e3:.0f} mA flow at "
            f"{volts:.2f} V: they do not touch, or a lead is broken; the output is off",
            hint="clean the clips, press them together, start again",
        )
    return volts / amps
