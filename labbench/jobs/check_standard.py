"""Measure the check standard: a good part that is kept, read each morning, never fitted."""

from __future__ import annotations

__all__ = [
    "REFERENCE_C",
    "REFERENCE_HZ",
    "CheckStandard",
    "check",
    "check_json",
    "check_state",
    "known_standard",
    "name_standard",
]

from typing import Any

from labbench.bench.opened import OpenBench
from labbench.bench.stop import StopFlag
from labbench.errors import InputError
from labbench.jobs.check_state import JOB, CheckState, check_state
from labbench.jobs.coil_measuring import measure_coil
from labbench.jobs.compensate import fixture_of, ready_compensation
from labbench.jobs.request import Request
from labbench.jobs.run import bench_run
from labbench.jobs.verify import check_position
from labbench.judging.characteristics import inductance_at, resistance_at
from labbench.judging.sweep_points import usable_points
from labbench.parts.coil_type import CoilType
from labbench.ports import Operator
from labbench.procedures.sweep import sweep_frequencies
from labbench.records.check_standard_file import (
    CheckStandard,
    read_check_standard,
    write_check_standard,
)
from labbench.records.folder import DataFolder
from labbench.records.readings_file import readings_to_json
from labbench.results import Readings

#: copper is compared at this temperature
REFERENCE_C = 25.0
#: an inductance is compared here where the type has no limit
REFERENCE_HZ = 100e3


def name_standard(data: DataFolder, bench: str, standard: CheckStandard) -> None:
    """Say which reference part is the check standard of a bench."""
    write_check_standard(data.check_standards, bench, standard)


def known_standard(data: DataFolder, bench: str) -> CheckStandard | None:
    """Return the check standard of a bench, None where none was named."""
    return read_check_standard(data.check_standards, bench)


def check(
    opened: OpenBench,
    standard: CheckStandard,
    part: CoilType,
    *,
    who: str,
    operator: Operator,
    data: DataFolder,
    stop: StopFlag | None = None,
    temperature_c: float = 23.0,
    u_temperature_c: float = 2.0,
    with_supply: bool = True,
) -> CheckState:
    """Measure the check standard as `verify` measures a part, and return how it stands now.

    A compensation is taken first where it is due. Raises what the bench raises, CompensationError
    as `ready_compensation`, InputError for a bench without an impedance meter.
    """
    flag = stop or StopFlag()
    if opened.impedance_meter is None:
        raise InputError(f"the bench {opened.file.name} has no impedance meter to check")
    frequencies = sweep_frequencies(part, opened.impedance_meter.frequency_range_hz)
    request = Request(
        part=part, specimen=standard.name, who=who,
        position=standard.position or standard.name,
        temperature_c=temperature_c, u_temperature_c=u_temperature_c,
        with_look=False, with_supply=with_supply,
    )  # fmt: skip
    check_position(opened, request.position)
    compensation = ready_compensation(
        opened, frequencies, who=who, operator=operator, data=data, stop=flag
    )
    with bench_run(
        opened, job=JOB, name=f"check-{standard.name}", who=who, operator=operator, data=data,
        stop=flag,
        told={
            "specimen": standard.name, "type": part.name, "type_digest": part.digest,
            # another jig reads differently: a history belongs to one fixture
            "lot": fixture_of(opened), "position": standard.position,
        },
    ) as run:  # fmt: skip
        run.bench.identify()
        readings, more = measure_coil(run, opened, request, compensation, frequencies)
        run.journal.write("measured", readings=readings_to_json(readings), **more)
        found, lost = _characteristics(readings, part, with_supply=with_supply)
        run.journal.write("judged", characteristics=found, findings=(), not_measured=lost)
    return check_state(opened, data)


def check_json(state: CheckState) -> dict[str, Any]:
    """Give the state of a check standard as JSON-able data."""
    return {
        "standard": state.standard.name if state.standard else None,
        "state": state.word,
        "text": state.text,
        "last_utc": state.last_utc,
        "charts": [
            {
                "name": chart.name, "unit": chart.unit, "checks": len(chart.points),
                "value": chart.points[-1].value,
                "centre": chart.limits.centre if chart.limits else None,
                "lower": chart.limits.lower if chart.limits else None,
                "upper": chart.limits.upper if chart.limits else None,
                "alarms": list(chart.alarms),
            }
            for chart in state.charts
        ],
    }  # fmt: skip


def _characteristics(
    readings: Readings, part: CoilType, *, with_supply: bool
) -> tuple[list[dict[str, Any]], list[str]]:
    """Return what is charted, expanded uncertainty with k = 2, and what could not be measured."""
    points = usable_points(readings.impedance)
    found: list[dict[str, Any]] = []
    lost: list[str] = []
    for frequency in [limit.frequency_hz for limit in part.inductance] or [REFERENCE_HZ]:
        at = inductance_at(points, frequency)
        conditions = {"frequency_hz": frequency}
        if at is None:
            lost.append("inductance")
        else:
            found.append(_entry("inductance", conditions, at[0], at[1], "H"))
    resistance = readings.dc_resistance
    if resistance is not None:
        cold = resistance_at(resistance, REFERENCE_C, part_temperature_c=readings.temperature_c)
        conditions = {"temperature_c": REFERENCE_C}
        if cold is None:
            lost.append("dc resistance")
        else:
            found.append(_entry("dc-resistance", conditions, cold.value_ohm, cold.u_ohm, "ohm"))
    elif with_supply:
        lost.append("dc resistance")
    return found, lost


def _entry(
    name: str, conditions: dict[str, float], value: float, u: float, unit: str
) -> dict[str, Any]:
    return {"name": name, "conditions": conditions, "value": value, "unit": unit,
            "expanded_uncertainty": 2.0 * u}  # fmt: skip
