"""Read both body diodes of a power stage at 10 mA, its driver tied low."""

from __future__ import annotations

__all__ = ["DIODES", "stage_diode"]

from labbench.bench.bench import Bench
from labbench.bench.limits import Need
from labbench.procedures.switch.hookups import hookup
from labbench.procedures.switch.live import Live, agree, tie, value
from labbench.procedures.switch.ranging import RangedMeter
from labbench.procedures.switch.taken import DiodeTaken

#: path -> hookup: sw positive against vin, pgnd positive against sw
DIODES = {"vin-sw": "stage-diode-hs", "sw-pgnd": "stage-diode-ls"}
_SERIES_OHM, _FORWARD_V = 430.0, 0.7
_MOST_V, _SETTLE_S = 5.0, 0.05
_AMPS = 15e-3


def stage_diode(
    bench: Bench, path: str, *, nominal_a: float, position: str | None = None
) -> DiodeTaken:
    """Read one forward voltage behind 430 ohm at 5 V. Raises what the bench raises."""
    volts = min(_MOST_V, nominal_a * _SERIES_OHM + _FORWARD_V)
    tie(bench, hookup(DIODES[path]), position)
    meter = RangedMeter(bench, integration_periods=10.0)
    meter.set_for(1.0)
    agree(bench, f"the body diode {path}", volts=volts, amps=_AMPS)
    need = Need(
        f"the body diode {path}", voltage_v=volts, current_a=_AMPS, series_ohm=_SERIES_OHM,
        time_s=90.0 if bench.multimeter_by_hand else 20.0,
    )  # fmt: skip
    with (
        bench.step("body-diode", path=path, amps=nominal_a),
        Live(bench, volts=volts, amps=_AMPS, need=need) as live,
    ):
        live.wait_up(volts)
        bench.settle(_SETTLE_S)
        diode_v = meter.read()
        supply_v = value(bench.take_supply_voltage()) or 0.0
    return DiodeTaken(
        nominal_a=nominal_a, supply_v=supply_v, diode_v=diode_v, series_ohm=_SERIES_OHM
    )
