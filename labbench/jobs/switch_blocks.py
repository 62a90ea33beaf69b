"""Turn what was read of a switch into the blocks that judging reads, each with its uncertainty."""

from __future__ import annotations

__all__ = ["blocks_of"]

import math
from collections.abc import Sequence
from typing import Any

from labbench.metrology.accuracy import MultimeterAccuracy, SupplyAccuracy
from labbench.metrology.expected import BenchAccuracies
from labbench.procedures.switch.body_diode import STRONG_A
from labbench.procedures.switch.hookups import METER_OHM
from labbench.procedures.switch.sequence import SwitchTaken
from labbench.procedures.switch.taken import (
    DiodeTaken,
    LeakTaken,
    OnTaken,
    ShortTaken,
    ThresholdTaken,
)
from labbench.results import (
    BodyDiode,
    DrainLeakage,
    GateLeakage,
    OnResistance,
    ShortCheck,
    Threshold,
)

_RANGES_V = (0.1, 1.0, 10.0, 100.0)
_SQRT3 = math.sqrt(3.0)
#: a resistor of the fixture within so much, and the multimeter's own input resistance (rectangular)
_RESISTOR, _METER_INPUT = 1e-3, 1e-2
#: fixture leakage, humidity, hum: an allowance that each budget declares (A, rectangular), larger
#: where only the open fixture was not read
_ALLOWANCE_A, _ALLOWANCE_METER_A, _NOT_ZEROED_A = 100e-12, 50e-12, 150e-12
#: a voltage that is still settling, or the agreement of two readings
_SETTLED = 2e-3
#: ideality times thermal voltage: what a share of the current is in forward or gate voltage (V)
_LED_ON = 0.5  # of a forward voltage led on: half of what was added
_FORWARD_V, _GATE_V = 0.03, 0.04


def blocks_of(taken: SwitchTaken, accuracies: BenchAccuracies) -> dict[str, Any]:
    """Give the blocks of a readings line by name; what was not read is an empty block."""
    meter, supply = accuracies.multimeter, accuracies.supply
    assert supply is not None
    blocks: dict[str, Any] = {"short_check": tuple(_short(one, supply) for one in taken.short)}
    if meter is None:
        return blocks
    return blocks | {
        "gate_leakage": tuple(_gate(one, meter, supply) for one in taken.gate),
        "drain_leakage": tuple(_drain(one, meter, supply) for one in taken.drain),
        "body_diode": _diodes(taken.diode, meter, supply),
        "threshold": tuple(_threshold(one, meter, supply) for one in taken.threshold),
        "on_resistance": tuple(_on(one, meter, supply) for one in taken.on),
    }


def _volts_u(volts: float, meter: MultimeterAccuracy) -> float:
    """Return the standard uncertainty of a multimeter reading in the range that holds it (V)."""
    range_v = next((r for r in _RANGES_V if r >= abs(volts)), _RANGES_V[-1])
    return math.hypot(
        meter.gain_relative * volts / _SQRT3,
        meter.offset_of_range * range_v / _SQRT3,
        meter.noise_of_range * range_v,
        meter.resolution_of_range * range_v / _SQRT3 / 2,
    )


def _supply_u(volts: float, supply: SupplyAccuracy) -> float:
    return math.hypot(
        supply.voltage_gain_relative * volts, supply.voltage_offset_v, supply.voltage_step_v / 2
    ) / _SQRT3  # fmt: skip


def _readback_u(amps: float, supply: SupplyAccuracy) -> float:
    """Return the standard uncertainty of a difference of two readbacks: the offset cancels (A)."""
    return math.hypot(supply.current_gain_relative * amps, supply.current_step_a) / _SQRT3


def _short(one: ShortTaken, supply: SupplyAccuracy) -> ShortCheck:
    ohm = one.ohm
    if not math.isfinite(ohm) or ohm >= one.greater_than_ohm:
        return ShortCheck(
            one.path, None, polarity=one.polarity, status="over-range",
            greater_than_ohm=one.greater_than_ohm,
        )  # fmt: skip
    if one.direct or one.across_v is None:
        assert one.current_a is not None
        u = ohm * (supply.current_offset_a / one.current_a) / _SQRT3
    else:
        u = (_supply_u(one.supply_v, supply) + ohm * 1e-2) / _SQRT3
        u = max(u, ohm * _supply_u(one.supply_v, supply) / max(one.supply_v - one.across_v, 1e-3))
    return ShortCheck(one.path, ohm, u_ohm=max(u, 1e-6), polarity=one.polarity)


def _leak_u(one: LeakTaken, meter: MultimeterAccuracy) -> float:
    across = one.across_v or 0.0
    volts = math.hypot(_volts_u(across, meter), _SETTLED * across / _SQRT3)
    allowance = _ALLOWANCE_METER_A if one.series_ohm is None else _ALLOWANCE_A
    if one.open_v is None:
        allowance += _NOT_ZEROED_A
    if one.series_ohm is None:
        relative = _METER_INPUT
    else:
        # the multimeter's input stands beside the resistor
        relative = math.hypot(_RESISTOR, _METER_INPUT * one.series_ohm / METER_OHM)
    return math.hypot(
        volts * one.conductance_s, relative * one.current_a / _SQRT3, allowance / _SQRT3
    )


def _leak(one: LeakTaken, meter: MultimeterAccuracy) -> dict[str, Any]:
    method = "meter" if one.series_ohm is None else "series-resistor"
    common = {"repeat": one.repeat, "method": method}
    if one.across_v is None:
        return common | {
            "current_a": None, "status": "over-range",
            "greater_than_a": one.set_v * one.conductance_s / 2,
        }  # fmt: skip
    if one.status == "unstable":
        return common | {"current_a": None, "status": "unstable"}
    return common | {"current_a": one.current_a, "u_current_a": _leak_u(one, meter)}


def _gate(one: LeakTaken, meter: MultimeterAccuracy, supply: SupplyAccuracy) -> GateLeakage:
    # the part sees what its series element leaves; a limit holds at what was set
    return GateLeakage(voltage_v=one.sign * _nominal(one, supply), **_leak(one, meter))


def _drain(one: LeakTaken, meter: MultimeterAccuracy, supply: SupplyAccuracy) -> DrainLeakage:
    return DrainLeakage(voltage_v=_nominal(one, supply), **_leak(one, meter))


def _nominal(one: LeakTaken, supply: SupplyAccuracy) -> float:
    """Return the voltage at the part: as set where it is that within its uncertainty (V)."""
    volts = one.part_v
    near = 2 * _supply_u(one.set_v, supply) + 2e-2 * one.set_v
    return one.set_v if one.across_v is None or abs(volts - one.set_v) <= near else volts


def _diodes(
    taken: Sequence[DiodeTaken], meter: MultimeterAccuracy, supply: SupplyAccuracy
) -> tuple[BodyDiode, ...]:
    """Give each forward voltage; one taken below 100 mA is led on to 100 mA by the diode's law."""
    found = [_diode(one, meter, supply) for one in taken]
    if len(found) == 2 and found[1].current_a < STRONG_A:
        weak, strong = found
        if weak.voltage_v is not None and strong.voltage_v is not None:
            # straight in the logarithm of the current; bond and epitaxy add a little more
            per_log = (strong.voltage_v - weak.voltage_v) / math.log(
                strong.current_a / weak.current_a
            )
            on_v = per_log * math.log(STRONG_A / strong.current_a)
            u = math.hypot(strong.u_voltage_v or 0.0, _LED_ON * on_v / _SQRT3)
            found[1] = BodyDiode(STRONG_A, strong.voltage_v + on_v, u_voltage_v=u)
    return tuple(found)


def _diode(one: DiodeTaken, meter: MultimeterAccuracy, supply: SupplyAccuracy) -> BodyDiode:
    if one.diode_v is None or one.current_a < one.nominal_a / 2:
        return BodyDiode(
            one.nominal_a, None, status="over-range",
            greater_than_v=one.supply_v if one.diode_v is None else max(one.diode_v, 1e-3),
        )  # fmt: skip
    amps = one.current_a
    # the voltage belongs to the nominal current: a few percent are taken out by the diode's law
    volts = one.diode_v - _FORWARD_V * math.log(amps / one.nominal_a)
    if one.series_ohm is None:
        u_share = supply.current_gain_relative + supply.current_offset_a / amps
    else:
        u_share = 1e-2 + _supply_u(one.supply_v, supply) / one.supply_v
    u = math.hypot(_volts_u(one.diode_v, meter), _FORWARD_V * u_share / _SQRT3)
    return BodyDiode(one.nominal_a, volts, u_voltage_v=u)


def _threshold(one: ThresholdTaken, meter: MultimeterAccuracy, supply: SupplyAccuracy) -> Threshold:
    amps = one.current_a
    if one.gate_v is None or amps is None or amps < one.nominal_a / 2:
        bound = one.gate_v if one.gate_v is not None else one.supply_v
        return Threshold(one.nominal_a, None, status="over-range", greater_than_v=max(bound, 1e-3))
    volts = one.gate_v - _GATE_V * math.log(amps / one.nominal_a)
    u_share = math.hypot(
        _RESISTOR / _SQRT3, _supply_u(one.supply_v, supply) / (one.nominal_a * one.series_ohm)
    )
    # how far the slope of the gate is off: a fifth, for the share taken out
    taken_out = abs(math.log(amps / one.nominal_a)) * _GATE_V / 5 / _SQRT3
    u = math.hypot(_volts_u(one.gate_v, meter), _GATE_V * u_share, taken_out)
    return Threshold(one.nominal_a, volts, u_voltage_v=u)


def _on(one: OnTaken, meter: MultimeterAccuracy, supply: SupplyAccuracy) -> OnResistance:
    ohm, amps = one.ohm, one.on_a - one.off_a
    gate_v = round(one.gate_source_v, 1)
    if one.aborted or not math.isfinite(ohm) or one.on_v is None:
        shown = one.on_v if one.on_v is not None else 1.0
        bound = abs(shown) / max(amps, supply.current_offset_a)
        return OnResistance(
            gate_v, max(amps, 0.0) or None, None, status="over-range",
            greater_than_ohm=max(bound, 1e-3),
        )  # fmt: skip
    drop = one.on_v - one.off_v
    # the zero of the range cancels between on and off; a thermal voltage drifts
    u_volts = math.hypot(
        meter.gain_relative * drop / _SQRT3, 2**0.5 * meter.noise_of_range * 0.1,
        meter.thermal_drift_v,
    )  # fmt: skip
    u = math.hypot(u_volts / amps, ohm * _readback_u(amps, supply) / amps)
    return OnResistance(gate_v, amps, ohm, u_ohm=u)
