"""Measure a coil under direct current, and its insulation, as a part of verifying it."""

from __future__ import annotations

__all__ = [
    "BIAS_HOOKUP",
    "INSULATION_HOOKUP",
    "bias_block",
    "check_insulation",
    "insulation_block",
    "ready_network",
    "wants_bias",
]

from collections.abc import Sequence
from typing import Any

from labbench.bench.bench import Bench
from labbench.bench.bench_file import BenchFile, BiasNetwork, SeriesResistor
from labbench.bench.opened import OpenBench
from labbench.bench.stop import StopFlag
from labbench.errors import CompensationError, InputError, StepAborted
from labbench.jobs.can_decide import accuracies_of
from labbench.jobs.compensate import MAXIMUM_AGE_S, fixture_of
from labbench.jobs.request import Request
from labbench.jobs.run import bench_run
from labbench.metrology.bias import bias_points, network_compensation
from labbench.metrology.compensation import Compensation, compensation_to_json, require
from labbench.metrology.insulation import insulation as known_insulation
from labbench.ports import Event, Operator, Prompt
from labbench.procedures.bias import (
    bias_frequency_hz,
    inductance_under_bias,
    take_network_open_short,
)
from labbench.procedures.hookups import COIL_BIAS, COIL_INSULATION
from labbench.procedures.insulation import SERIES_OHM
from labbench.procedures.insulation import insulation as measure_insulation
from labbench.records.compensation_file import latest_compensation, save_compensation
from labbench.records.folder import DataFolder
from labbench.results import BiasPoint, DcResistance, Insulation

BIAS_HOOKUP, INSULATION_HOOKUP = COIL_BIAS.name, COIL_INSULATION.name
#: what a reason of the readings is called for a person
_REASONS = {
    "current-wanders": "the current does not hold still",
    "no-current": "no current flows",
    "contact-moved": "the inductance without current differs before and after: the contact moved, "
    "or the part is warm",
    "no-inductance": "the meter shows no inductance through the network",
}


def wants_bias(file: BenchFile, request: Request) -> bool:
    """Tell whether the coil is to be measured under direct current.

    As asked; else where the bench has a network and the type a saturation current. Raises
    InputError where it is asked for and the bench cannot, naming all that is missing.
    """
    if request.bias is False or not request.with_supply:
        return False
    missing = _missing(file, BIAS_HOOKUP)
    if file.fixture.bias_network is None:
        missing.append("[fixture.bias_network]: its current and resistance")
    if request.bias is None:
        return not missing and request.coil.saturation is not None
    _refuse(file, "inductance under bias", missing)
    return True


def _missing(file: BenchFile, hookup: str) -> list[str]:
    missing = []
    if file.instruments.supply is None:
        missing.append("[instruments.supply]")
    if file.instruments.switch is not None and hookup not in file.hookups:
        missing.append(f"[hookups] {hookup}: its relays")
    return missing


def _refuse(file: BenchFile, what: str, missing: Sequence[str]) -> None:
    if missing:
        raise InputError(
            f"the bench {file.name} cannot measure {what}: its file lacks " + "; ".join(missing),
            hint="see README, The bench file",
        )


def ready_network(
    opened: OpenBench,
    request: Request,
    *,
    operator: Operator,
    data: DataFolder,
    stop: StopFlag,
) -> Compensation | None:
    """Return open and short through the bias network, young enough; take them where they lack.

    By relays at once; a person is asked, and may leave the bias out (None). Where bias was asked
    for by name and nobody is there, raises CompensationError.
    """
    meter = opened.impedance_meter
    assert meter is not None
    frequency_hz = bias_frequency_hz(request.coil, meter.frequency_range_hz)
    name, fixture = f"{opened.file.name}.bias-network", _network_fixture(opened)
    latest = None
    try:
        latest = latest_compensation(data.compensations, name)
        return require(latest, [frequency_hz], opened.clock.utc(), MAXIMUM_AGE_S, fixture=fixture)
    except CompensationError as lacking:
        by_relays = opened.switch is not None and {"open", "short"} <= set(opened.file.positions)
        operator.tell(
            Event("compensation", {"text": f"bias network: {lacking.message}"
                                   + (": taking one now by relays" if by_relays else "")})
        )  # fmt: skip
        if not by_relays and not _person_takes_it(operator, asked=bool(request.bias)):
            return None
    known = latest.frequency_hz if latest is not None and latest.fixture == fixture else ()
    frequencies = tuple(sorted({frequency_hz, *known}))
    return _take(opened, request, frequencies, name, fixture, operator, data, stop)


def _person_takes_it(operator: Operator, *, asked: bool) -> bool:
    if not operator.interactive:
        if asked:
            raise CompensationError(
                "the bias network has no open and short, and nobody is there to take them",
                hint="run it at a terminal once; they hold for half a day",
            )
        return False
    prompt = Prompt(
        "confirm", "network-now", choices=("yes", "no"), default="yes",
        detail={"text": "Take open and short through the bias network now (no = leave out the "
                        "direct current)?"},
    )  # fmt: skip
    return operator.ask(prompt) == "yes"


def _take(
    opened: OpenBench,
    request: Request,
    frequencies_hz: tuple[float, ...],
    name: str,
    fixture: str,
    operator: Operator,
    data: DataFolder,
    stop: StopFlag,
) -> Compensation:
    accuracy = accuracies_of(opened.file).impedance
    assert accuracy is not None
    with bench_run(
        opened, job="compensate", name="bias-network", who=request.who, operator=operator,
        data=data, stop=stop, told={"fixture": fixture, "frequencies_hz": frequencies_hz},
    ) as run:  # fmt: skip
        run.bench.identify()
        taken = take_network_open_short(run.bench, frequencies_hz)
        compensation = network_compensation(
            open_sweep=taken.open, short_sweep=taken.short, accuracy=accuracy,
            taken_utc=taken.taken_utc, fixture=fixture, bench=name,
        )  # fmt: skip
        run.journal.write("measured", compensation=compensation_to_json(compensation))
    save_compensation(data.compensations, name, compensation)
    return compensation


def _network_fixture(opened: OpenBench) -> str:
    network = opened.file.fixture.bias_network
    assert network is not None
    return f"{fixture_of(opened)}, bias network {network.current_a:g} A"


def bias_block(
    bench: Bench,
    opened: OpenBench,
    request: Request,
    compensation: Compensation,
    resistance: DcResistance | None,
) -> tuple[tuple[BiasPoint, ...], dict[str, Any]]:
    """Measure the inductance under direct current; no points where it could not be, and why."""
    network = opened.file.fixture.bias_network
    accuracies = accuracies_of(opened.file)
    assert network is not None
    assert accuracies.impedance is not None
    assert accuracies.supply is not None
    known = resistance.value_ohm if resistance is not None else None
    try:
        measurement = inductance_under_bias(
            bench, request.coil, network, position=request.position,
            resistance_ohm=_larger(known, request),
        )  # fmt: skip
        points, why = bias_points(
            measurement, compensation, accuracies.impedance, accuracies.supply,
            choke_drop=network.choke_drop, rating_a=network.current_a,
        )  # fmt: skip
    except (StepAborted, CompensationError) as refused:
        # nobody agreed, or the network is too small: said, and judged without
        return _skipped(bench, refused.message)
    if why is not None:
        return _skipped(bench, _REASONS.get(why, why))
    more = {
        "bias_frequency_hz": measurement.frequency_hz,
        "bias_limited_by": measurement.limited_by,
        "bias_network": _described(network),
        "bias_compensation": f"open/short of {compensation.taken_utc}",
    }
    return points, {key: value for key, value in more.items() if value is not None}


def _larger(known: float | None, request: Request) -> float | None:
    """Return the larger of the resistance measured and the type's: a part warms by what it has."""
    found = [r for r in (known, request.coil.nominal_resistance_ohm) if r is not None and r > 0.0]
    return max(found) if found else None


def _skipped(bench: Bench, why: str) -> tuple[tuple[BiasPoint, ...], dict[str, Any]]:
    bench.tell(Event("skipped", {"text": f"inductance under bias not measured: {why}"}))
    return (), {"bias_missing": why}


def _described(network: BiasNetwork) -> str:
    return (
        f"{network.current_a:g} A, {network.resistance_ohm * 1e3:g} mΩ, loses at most "
        f"{100 * network.choke_drop:.0f} % of its inductance"
    )


def insulation_block(
    bench: Bench, opened: OpenBench, request: Request
) -> tuple[tuple[Insulation, ...], dict[str, Any]]:
    """Measure the insulation between winding and core; none where nobody agreed, and why."""
    accuracies = accuracies_of(opened.file)
    resistor = _series_resistor(opened.file)
    assert accuracies.multimeter is not None
    assert resistor is not None
    try:
        measurement = measure_insulation(bench, position=request.position)
    except StepAborted as refused:
        text = f"insulation not measured: {refused.message}"
        bench.tell(Event("skipped", {"text": text}))
        return (), {"insulation_missing": refused.message}
    block = known_insulation(measurement, accuracies.multimeter, series_relative=resistor.tolerance)
    return (block,), {}


def check_insulation(file: BenchFile) -> None:
    """Raise InputError where this bench cannot measure an insulation, naming all it lacks."""
    missing = _missing(file, INSULATION_HOOKUP)
    if file.instruments.multimeter is None:
        missing.append("[instruments.multimeter]")
    if not file.fixture.core_probe:
        missing.append("core_probe = true in [fixture]: a third probe, on the core")
    if _series_resistor(file) is None:
        missing.append("a series resistor of 1 MΩ in [fixture]")
    _refuse(file, "the insulation between winding and core", missing)


def _series_resistor(file: BenchFile) -> SeriesResistor | None:
    return next(
        (r for r in file.fixture.series_resistors if abs(r.value_ohm / SERIES_OHM - 1) < 0.05), None
    )
