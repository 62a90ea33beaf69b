"""Turn what was read of a load, or of phases in place, into readings with their uncertainty."""

from __future__ import annotations

__all__ = ["load_readings", "phase_readings"]

import math
from collections.abc import Iterator, Sequence

from attrs import evolve

from labbench.metrology.expected import BenchAccuracies
from labbench.procedures.switch.fitted import PhaseTaken
from labbench.procedures.switch.rail import LoadTaken
from labbench.results import LoadReading, PhaseReading

_SQRT3 = math.sqrt(3.0)
#: the resistors of the fixture that a load is read through
_RESISTOR = 1e-2
#: a difference below this share of its uncertainty is no current
_LEAST_SIGMAS = 3.0


def load_readings(
    taken: Sequence[LoadTaken], accuracies: BenchAccuracies
) -> tuple[LoadReading, ...]:
    """Return the load block of what was taken upwards and back."""
    return tuple(_load_reading(one, accuracies) for one in _same_voltages(taken))


def phase_readings(
    taken: Sequence[PhaseTaken], fitted: Sequence[int], accuracies: BenchAccuracies
) -> tuple[PhaseReading, ...]:
    """Return a reading for each phase; `fitted` are those that were repaired."""
    found: list[PhaseReading] = []
    for phase in sorted({one.phase for one in taken}):
        paths = {one.path: one for one in taken if one.phase == phase}
        values: dict[str, float | None] = {}
        for path, one in paths.items():
            name = path.replace("-", "_")
            values[f"{name}_ohm"] = one.ohm if one.steady else None
            values[f"u_{name}_ohm"] = _phase_u(one, accuracies) if one.ohm is not None else None
            values[f"{name}_greater_than_ohm"] = one.greater_than_ohm
        found.append(PhaseReading(phase=phase, fitted=phase in fitted, **values))
    return tuple(found)


def _phase_u(one: PhaseTaken, accuracies: BenchAccuracies) -> float:
    meter, supply = accuracies.multimeter, accuracies.supply
    assert meter is not None
    assert supply is not None
    ohm = one.ohm or 0.0
    if one.series_ohm is not None:
        share = meter.zero_v(0.1) / max(one.across_v, 1e-6)
        whole = supply.voltage_offset_v / one.series_ohm / max(one.current_a, 1e-9)
        return max(ohm, one.series_ohm) * math.hypot(_RESISTOR, share, whole) / _SQRT3
    amps = max(one.current_a, 1e-3)
    current = math.hypot(supply.current_gain_relative, supply.current_step_a * 2**0.5 / amps)
    volts = math.hypot(meter.gain_relative * one.across_v / _SQRT3, meter.thermal_drift_v) / amps
    return math.hypot(ohm * current / _SQRT3, volts)


def _same_voltages(taken: Sequence[LoadTaken]) -> Iterator[LoadTaken]:
    """Bring what was read on the way back to the voltage of the way up, in proportion."""
    up: dict[float, LoadTaken] = {}
    for one in taken:
        if one.voltage_v <= 0:
            continue
        first = up.setdefault(one.set_v, one)
        if one is first:
            yield evolve(one, repeat=False)
        else:
            share = first.voltage_v / one.voltage_v
            yield evolve(one, voltage_v=first.voltage_v, current_a=one.current_a * share)


def _load_reading(one: LoadTaken, accuracies: BenchAccuracies) -> LoadReading:
    return evolve(_valued(one, accuracies), repeat=one.repeat, method=one.method)


def _valued(one: LoadTaken, accuracies: BenchAccuracies) -> LoadReading:
    meter, supply = accuracies.multimeter, accuracies.supply
    assert supply is not None
    volts = max(one.voltage_v, 1e-4)
    if one.status == "unstable":
        return LoadReading(volts, None, status="unstable")
    if one.series_ohm is not None:
        assert meter is not None
        across = one.current_a * one.series_ohm
        u = math.hypot(
            _RESISTOR * one.current_a, meter.gain_relative * one.current_a,
            meter.zero_v(0.1 if across < 0.1 else 1.0) / one.series_ohm,
        ) / _SQRT3  # fmt: skip
        u_volts = math.hypot(supply.voltage_offset_v, supply.voltage_step_v) / _SQRT3
    else:
        # on and off in one session: the zero of the readback cancels to its last digit
        u = math.hypot(
            supply.current_gain_relative * one.current_a, supply.current_step_a * 2**0.5
        ) / _SQRT3  # fmt: skip
        if meter is not None and one.method == "four-wire":
            u_volts = math.hypot(meter.gain_relative * volts, meter.zero_v(0.1)) / _SQRT3
        else:
            u_volts = math.hypot(
                supply.voltage_offset_v, supply.voltage_step_v,
                _SQRT3 * one.current_a * supply.lead_contact_ohm,
            ) / _SQRT3  # fmt: skip
    if one.current_a < _LEAST_SIGMAS * u:
        return LoadReading(
            volts, None, status="over-range",
            less_than_a=max(one.current_a, 0.0) + _LEAST_SIGMAS * u,
        )  # fmt: skip
    return LoadReading(volts, one.current_a, u_current_a=u, u_voltage_v=u_volts)
