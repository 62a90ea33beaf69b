"""Look at the phases of a board after a repair, unpowered, at 0.2 V: is each joined, is none short.

From the input to a switch node, and from there to the rail. All phases share input and rail: a
switch that is short shows at every phase, least at its own; a coil shows alone (switches.md E).
"""

from __future__ import annotations

__all__ = ["PhaseTaken", "check_phases"]

from collections.abc import Sequence
from statistics import fmean
from typing import Literal

from attrs import evolve, frozen

from labbench.bench.bench import Bench
from labbench.bench.limits import Need
from labbench.errors import StepAborted
from labbench.procedures.switch.board_hookups import phase_hookup
from labbench.procedures.switch.hookups import METER_OHM, hookup
from labbench.procedures.switch.live import Live, agree, tie, value
from labbench.procedures.switch.rail import settled, settling_s
from labbench.procedures.switch.ranging import RangedMeter

_VOLTS, _SERIES_OHM, _SERIES_A = 0.2, 100.0, 0.05
_DIRECT_A = 1.0
#: below this the resistance is read directly: 1 A tells milliohms, behind 100 ohm they are noise
_DIRECT_BELOW_OHM = 30.0
#: below this a multimeter's reading is its own zero and noise, and a readback is its zero
_LEAST_ACROSS_V, _LEAST_A = 20e-6, 20e-3
_PAIRS, _SETTLE_S = 3, 0.05


@frozen(kw_only=True)
class PhaseTaken:
    """Hold one path of one phase (ohm), or the bound that it is greater than.

    `current_a` is what flowed, `across_v` what was read across the path (behind 100 ohm: across
    the resistor, `series_ohm`).
    """

    phase: int
    path: Literal["vin-sw", "sw-rail"]
    ohm: float | None
    greater_than_ohm: float | None = None
    across_v: float = 0.0
    current_a: float = 0.0
    series_ohm: float | None = None
    steady: bool = True


def check_phases(
    bench: Bench, phases: Sequence[int], *, position: str | None = None
) -> tuple[PhaseTaken, ...]:
    """Read both paths of every phase.

    Raises what the bench raises, StepAborted without a multimeter.
    """
    if bench.multimeter is None:
        raise StepAborted("milliohms on a board need a multimeter: a readback cannot tell them")
    found: list[PhaseTaken] = []
    for phase in phases:
        tie(bench, hookup(phase_hookup("vin-sw", phase)), position)
        taken = _behind_resistor(bench, phase)
        if taken.ohm is not None and taken.ohm < _DIRECT_BELOW_OHM:
            tie(bench, hookup(phase_hookup("vin-sw-direct", phase)), position)
            taken = _direct(bench, phase, "vin-sw")
        found.append(taken)
    for phase in phases:
        tie(bench, hookup(phase_hookup("sw-rail", phase)), position)
        found.append(_direct(bench, phase, "sw-rail"))
    return tuple(found)


def _behind_resistor(bench: Bench, phase: int) -> PhaseTaken:
    meter = RangedMeter(bench)
    meter.set_for(_VOLTS)
    what = f"input to switch node, phase {phase}"
    agree(bench, what, volts=_VOLTS, amps=_SERIES_A)
    need = Need(what, voltage_v=_VOLTS, current_a=_SERIES_A, series_ohm=_SERIES_OHM)
    with (
        bench.step("phase", phase=phase, path="vin-sw", series_ohm=_SERIES_OHM),
        Live(bench, volts=_VOLTS, amps=_SERIES_A, need=need) as live,
    ):
        live.wait_up(_VOLTS)
        # the capacitors of input and rail charge behind the resistor, as a rail's do
        longest_s = settling_s(_VOLTS, _SERIES_A, _SERIES_OHM, 1e6)
        across_v, steady = settled(bench, meter, longest_s)
        supply_v = value(bench.take_supply_voltage()) or 0.0
    amps = across_v * (1.0 / _SERIES_OHM + 1.0 / METER_OHM)
    taken = PhaseTaken(
        phase=phase, path="vin-sw", ohm=None, across_v=across_v, current_a=amps,
        series_ohm=_SERIES_OHM, steady=steady,
    )  # fmt: skip
    if across_v <= _LEAST_ACROSS_V:
        return evolve(taken, greater_than_ohm=supply_v / _LEAST_ACROSS_V * _SERIES_OHM)
    return evolve(taken, ohm=max((supply_v - across_v) / amps, 0.0))


def _direct(bench: Bench, phase: int, path: Literal["vin-sw", "sw-rail"]) -> PhaseTaken:
    meter = RangedMeter(bench, integration_periods=10.0)
    meter.set_for(_VOLTS / 2)
    what = f"{path.replace('-', ' to ')}, phase {phase}"
    agree(bench, what, volts=_VOLTS, amps=_DIRECT_A)
    need = Need(what, voltage_v=_VOLTS, current_a=_DIRECT_A, time_s=20.0)
    volts: list[float] = []
    amps: list[float] = []
    for _ in range(_PAIRS):
        with bench.step("phase", phase=phase, path=path):
            # between on and off the thermal voltages of the contacts cancel
            off_v, off_a = meter.read() or 0.0, value(bench.take_supply_current()) or 0.0
            with Live(bench, volts=_VOLTS, amps=_DIRECT_A, need=need) as live:
                live.wait_up(_VOLTS)
                bench.settle(_SETTLE_S)
                volts.append((meter.read() or 0.0) - off_v)
                amps.append((value(bench.take_supply_current()) or 0.0) - off_a)
    across_v, current_a = fmean(volts), fmean(amps)
    taken = PhaseTaken(phase=phase, path=path, ohm=None, across_v=across_v, current_a=current_a)
    if current_a < _LEAST_A:
        return evolve(taken, greater_than_ohm=_VOLTS / _LEAST_A)
    return evolve(taken, ohm=max(across_v, 0.0) / current_a)
