"""Measure the insulation between winding and core: a probe on the core, 1 Mohm in series.

The enamel of a turn that is rubbed through where it lies on the core shows nowhere else: one such
place changes neither inductance nor resistance, two of them short the turns between.
"""

from __future__ import annotations

__all__ = ["SERIES_OHM", "TEST_V", "insulation", "test_voltage_v"]

from labbench.bench.bench import Bench
from labbench.bench.limits import Need
from labbench.errors import StepAborted
from labbench.procedures.hookups import COIL_INSULATION
from labbench.procedures.switch.leakage import LEAK_AMPS
from labbench.procedures.switch.live import Live, value
from labbench.procedures.switch.ranging import RangedMeter, fitting_range_v
from labbench.results import InsulationMeasurement, Status

SERIES_OHM = 1e6
#: enough to see a gigohm, and below what hurts or what enamel minds (common practice, no source)
TEST_V = 25.0
_LONGEST_ON_S, _LONGEST_ON_BY_HAND_S = 20.0, 90.0
_SETTLE_S, _BETWEEN_S, _SETTLING_S = 0.5, 0.5, 8.0
_AGREE_SHARE, _AGREE_V = 0.01, 60e-6


def test_voltage_v(bench: Bench) -> float:
    """Return the voltage of the test: 25 V, or what the bench allows where that is less."""
    if bench.limits is None:
        raise StepAborted("the insulation needs a supply, and the bench file has none")
    return min(TEST_V, bench.limits.voltage_v)


def insulation(bench: Bench, *, position: str | None = None) -> InsulationMeasurement:
    """Read what flows from the core probe through the enamel of what is in the jig.

    Wash off flux and dry the part first: a film of it conducts too. The supply waits for a
    person's consent. Accepted when two readings half a second apart agree within 1 %; else the
    status is unstable. Raises StepAborted, and what the bench raises.
    """
    volts = test_voltage_v(bench)
    bench.connect(COIL_INSULATION, position)
    bench.ask_to_energise(
        "coil-insulation",
        what="the insulation between winding and core, washed and dry, probe on the core",
        specimen=bench.joined.position,
        amps=LEAK_AMPS,
        volts=volts,
    )
    meter = RangedMeter(bench)
    by_hand = bench.multimeter_by_hand
    need = Need(
        "insulation", voltage_v=volts, current_a=LEAK_AMPS, series_ohm=SERIES_OHM,
        time_s=_LONGEST_ON_BY_HAND_S if by_hand else _LONGEST_ON_S,
    )  # fmt: skip
    status: Status = "ok"
    with bench.step("insulation", volts=volts):
        meter.set_for(0.1)
        zero = meter.read()
        meter.set_for(volts)
        with Live(bench, volts=volts, amps=LEAK_AMPS, need=need) as live:
            live.wait_up(volts)
            bench.settle(_SETTLE_S)
            found = meter.read()
            until_s = bench.clock.monotonic_s() + _SETTLING_S
            while found is not None and not by_hand:
                bench.settle(_BETWEEN_S)
                before, found = found, meter.read()
                if found is None:
                    break
                if abs(found - before) <= max(_AGREE_SHARE * abs(found), _AGREE_V):
                    break
                if bench.clock.monotonic_s() > until_s:
                    status = "unstable"
                    break
            supply_v = value(bench.take_supply_voltage()) or 0.0
    if zero is None:
        raise StepAborted(
            "the multimeter across the series resistor reads beyond its range with the output off; "
            "the output is off",
            hint="are its leads on the two ends of the 1 MΩ resistor?",
        )
    if supply_v < 0.9 * volts:
        raise StepAborted(
            f"{volts:g} V was set behind 1 MΩ and the supply reads {supply_v:.3g} V; the output is "
            "off",
            hint="is the series resistor in the lead of the core probe?",
        )
    return InsulationMeasurement(
        set_v=volts, supply_v=supply_v, across_v=found, zero_v=zero, series_ohm=SERIES_OHM,
        range_v=fitting_range_v(found if found is not None else volts),
        zero_range_v=fitting_range_v(zero),
        status="over-range" if found is None else status,
    )  # fmt: skip
