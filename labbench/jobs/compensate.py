"""Take and keep an open/short compensation; have one ready before parts are measured."""

from __future__ import annotations

__all__ = [
    "LOAD",
    "MAXIMUM_AGE_S",
    "OPEN",
    "SHORT",
    "compensate",
    "compensation_lines",
    "fixture_of",
    "ready_compensation",
]

import math
from collections.abc import Iterator, Sequence

from labbench.bench.opened import OpenBench
from labbench.bench.stop import StopFlag
from labbench.errors import CompensationError, InputError
from labbench.jobs.run import bench_run
from labbench.metrology.accuracy import impedance_accuracy
from labbench.metrology.compensation import Compensation, compensation_to_json, require
from labbench.metrology.fixture_check import (
    LoadStandard,
    compensation_from_sweeps,
    moved_since,
)
from labbench.ports import Event, Operator, Prompt
from labbench.procedures.compensation import take_open_short
from labbench.procedures.sweep import sweep_frequencies
from labbench.quantities import format_si, parse_with_tolerance
from labbench.records.compensation_file import latest_compensation, save_compensation
from labbench.records.folder import DataFolder

#: a fixture's residuals drift with cable and temperature: taken at the start of each working day
#: (common practice, no source)
MAXIMUM_AGE_S = 12 * 3600.0

#: position names of the bench file that let a relay switch do it without hands
OPEN, SHORT, LOAD = "open", "short", "load"
#: a poorer resistor is no standard for anything here
_POOREST_LOAD = 0.02


def compensate(
    opened: OpenBench,
    *,
    who: str,
    operator: Operator,
    data: DataFolder,
    stop: StopFlag | None = None,
    frequencies_hz: Sequence[float] | None = None,
    fixture: str | None = None,
    load: str | None = None,
    placements: int = 1,
    temperature_c: float | None = None,
) -> Compensation:
    """Read the jig open and shorted, check it, keep it, and return it.

    `load` is a standard resistor as text ("100 Ω 0.1 %"), else the one of the bench file where a
    relay switch has a position for it; with `placements` the short is placed so often. What moved
    since the last compensation by more than contacts explain is told. Raises CompensationError
    where the short is not short, the open not open or the load none: then the earlier one stays in
    force; InputError for a load that makes no sense.
    """
    meter = opened.impedance_meter
    entry = opened.file.instruments.impedance_meter
    if meter is None or entry is None:
        raise InputError(
            f"the bench {opened.file.name} has no impedance meter: there is nothing to compensate"
        )
    accuracy = impedance_accuracy(entry.class_, entry.accuracy)
    fixture = fixture or fixture_of(opened)
    standard = _load_standard(opened, load)
    before = _before(data, opened.file.name)
    wanted = tuple(frequencies_hz or sweep_frequencies(None, meter.frequency_range_hz))
    with bench_run(
        opened, job="compensate", name="compensate", who=who, operator=operator, data=data,
        stop=stop or StopFlag(),
        told={
            "fixture": fixture, "frequencies_hz": wanted, "load": standard,
            "placements": placements, "temperature_c": temperature_c,
        },
    ) as run:  # fmt: skip
        run.bench.identify()
        taken = take_open_short(
            run.bench, wanted, placements=placements, with_load=standard is not None
        )
        compensation = compensation_from_sweeps(
            open_sweep=taken.open,
            short_sweep=taken.short,
            accuracy=accuracy,
            taken_utc=taken.taken_utc,
            fixture=fixture,
            bench=opened.file.name,
            more_short_sweeps=taken.more_shorts,
            load_sweep=taken.load,
            load=standard,
            temperature_c=temperature_c,
        )
        moved = moved_since(before, compensation, accuracy) if before is not None else ()
        for text in moved:
            operator.tell(Event("compensation", {"text": text}))
        run.journal.write("measured", compensation=compensation_to_json(compensation), moved=moved)
    save_compensation(data.compensations, opened.file.name, compensation)
    return compensation


def _load_standard(opened: OpenBench, text: str | None) -> LoadStandard | None:
    """Read the load that was asked for, else take the bench file's where relays reach it."""
    if text is None:
        known = opened.file.fixture.load
        by_relays = opened.switch is not None and LOAD in opened.file.positions
        return LoadStandard(known.value_ohm, known.tolerance) if known and by_relays else None
    ohms, tolerance = parse_with_tolerance(text, "ohm")
    if tolerance is None or not 0.0 < tolerance <= _POOREST_LOAD or not 1.0 <= ohms <= 1e5:
        raise InputError(
            f"{text!r} is no standard resistor: it has a value of 1 Ω to 100 kΩ and a tolerance of "
            f"at most {100 * _POOREST_LOAD:.0f} %",
            hint='such as "100 Ω 0.1 %"',
        )
    if opened.switch is not None and LOAD not in opened.file.positions:
        raise InputError(
            f"the bench {opened.file.name} has no position {LOAD!r}: its relay switch cannot reach "
            "a standard resistor",
            hint=f'add it to [positions] in the bench file: {LOAD} = "(@197)"',
        )
    return LoadStandard(ohms, tolerance)


def _before(data: DataFolder, bench: str) -> Compensation | None:
    """Return the compensation before, for comparison; one that cannot be read compares nothing."""
    try:
        return latest_compensation(data.compensations, bench)
    except CompensationError:
        return None


def ready_compensation(
    opened: OpenBench,
    frequencies_hz: Sequence[float],
    *,
    who: str,
    operator: Operator,
    data: DataFolder,
    stop: StopFlag | None = None,
    maximum_age_s: float = MAXIMUM_AGE_S,
) -> Compensation:
    """Return a compensation that covers these frequencies and is young enough.

    Where there is none, a relay switch with positions `open` and `short` takes one at once; else
    a person is offered to take it now; without a person it is refused (CompensationError).
    """
    latest = latest_compensation(data.compensations, opened.file.name)
    try:
        require(
            latest, frequencies_hz, opened.clock.utc(), maximum_age_s, fixture=fixture_of(opened)
        )
    except CompensationError as lacking:
        by_relays = opened.switch is not None and {OPEN, SHORT} <= set(opened.file.positions)
        if not by_relays:
            if not operator.interactive:
                raise
            operator.tell(Event("compensation", {"text": lacking.message}))
            answer = operator.ask(
                Prompt(
                    "confirm", "compensate-now", choices=("yes", "no"), default="yes",
                    detail={"text": "Take a new compensation now (tips open, then on a copper "
                                    "strip)?"},
                )
            )  # fmt: skip
            if answer != "yes":
                raise
        else:
            text = f"{lacking.message}: taking one now by relays"
            operator.tell(Event("compensation", {"text": text}))
        known = latest.frequency_hz if latest is not None else ()
        return compensate(
            opened, who=who, operator=operator, data=data, stop=stop,
            frequencies_hz=_together(known, frequencies_hz, opened),
        )  # fmt: skip
    assert latest is not None
    return latest


def fixture_of(opened: OpenBench) -> str:
    """Name the fixture: a simulated bench of another seed has another jig."""
    simulation = opened.file.simulation
    if simulation is None:
        cable = opened.file.fixture.cable
        return f"jig, {cable}" if cable else "jig"
    return f"simulated jig, {simulation.scenario}, seed {simulation.seed}"


def _together(
    known: Sequence[float], wanted: Sequence[float], opened: OpenBench
) -> tuple[float, ...]:
    """Return old and new frequencies together, so that a new type does not drop an old one."""
    assert opened.impedance_meter is not None
    lowest, highest = opened.impedance_meter.frequency_range_hz
    everything = sorted(
        {*known, *wanted, *sweep_frequencies(None, opened.impedance_meter.frequency_range_hz)}
    )
    chosen: list[float] = []
    for frequency in everything:
        inside = lowest <= frequency <= highest
        if inside and (not chosen or frequency > chosen[-1] * 1.0001):
            chosen.append(frequency)
    return tuple(chosen)


def compensation_lines(compensation: Compensation) -> Iterator[str]:
    """Yield what a compensation found, a line a frequency: the residuals of the fixture."""
    yield f"compensation of {compensation.taken_utc}, fixture {compensation.fixture}"
    if compensation.contact_resistance_ohm is not None:
        assert compensation.contact_inductance_h is not None
        yield (
            f"  a contact, from {compensation.placements} placements: "
            f"{format_si(compensation.contact_resistance_ohm, 'Ω', 2)}, "
            f"{format_si(compensation.contact_inductance_h, 'H', 2)}"
        )
    if compensation.u_load_relative is not None and compensation.load_standard_ohm is not None:
        yield (
            f"  load {format_si(compensation.load_standard_ohm[0].real, 'Ω')}, known within "
            f"{2 * compensation.u_load_relative:.2%} with its reading"
        )
    for frequency, opened, short in zip(
        compensation.frequency_hz, compensation.open_ohm, compensation.short_ohm, strict=True
    ):
        omega = 2 * math.pi * frequency
        if opened is None:
            stray = "open beyond the meter's range"
        else:
            stray = f"open {format_si((1 / opened).imag / omega, 'F', 2)}"
        yield (
            f"  {format_si(frequency, 'Hz'):>8}  short {format_si(short.real, 'Ω', 3)} "
            f"{format_si(short.imag / omega, 'H', 3)}  {stray}"
        )
