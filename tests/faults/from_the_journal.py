"""Work the measured blocks out again from the readings in force of a journal, and compare."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

from labbench.bench.bench_file import BenchFile
from labbench.metrology.accuracy import (
    impedance_accuracy,
    multimeter_accuracy,
    supply_accuracy,
)
from labbench.metrology.impedance import compensated
from labbench.metrology.resistance import dc_resistance
from labbench.ports import ImpedanceConditions, ImpedanceReading
from labbench.records.compensation_file import latest_compensation
from labbench.records.folder import DataFolder
from labbench.records.journal import JournalEvent, JournalFile
from labbench.results import OnOffPair, ResistanceMeasurement, Sweep


def measured_from_journal(journal: JournalFile, file: BenchFile, data: DataFolder) -> Iterator[str]:
    """Yield each measured value that the readings in force do not give."""
    measured = journal.of_kind("measured")
    if not measured:
        return
    readings = measured[0].data["readings"]
    compensation = latest_compensation(data.compensations, file.name)
    assert compensation is not None
    entries = file.instruments
    meter, multimeter, supply = entries.impedance_meter, entries.multimeter, entries.supply
    assert meter is not None
    assert multimeter is not None
    assert supply is not None
    accuracy = impedance_accuracy(meter.class_, meter.accuracy)
    impedance, _ = compensated(_sweep(journal), compensation, accuracy)
    for name, again in (
        ("frequency_hz", impedance.frequency_hz),
        ("resistance_ohm", impedance.resistance_ohm),
        ("reactance_ohm", impedance.reactance_ohm),
    ):
        yield from _differing(name, readings["impedance"][name], again)
    pairs = _pairs(journal)
    found, _ = dc_resistance(
        ResistanceMeasurement(
            method="multimeter-on-off",
            pairs=pairs,
            temperature_c=23.0,
            u_temperature_c=2.0,
            multimeter_range_v=_first(journal, "voltage")["conditions"]["range"],
        ),
        multimeter=multimeter_accuracy(multimeter.class_, multimeter.accuracy),
        supply=supply_accuracy(supply.class_, supply.accuracy),
        impedance=accuracy,
        supply_leads_ohm=file.fixture.supply_leads_ohm,
        compensation=compensation,
    )
    yield from _differing(
        "dc resistance", [readings["dc_resistance"]["value_ohm"]], [found.value_ohm]
    )


def _differing(name: str, told: Any, again: Any) -> Iterator[str]:
    told, again = list(told), list(again)
    same = len(told) == len(again) and all(
        (one is None and other is None)
        or (one is not None and other is not None and math.isclose(one, other, rel_tol=1e-9))
        for one, other in zip(told, again, strict=True)
    )
    if not same:
        yield f"measured {name} {told}, the readings in force give {again}"


def _of_step(journal: JournalFile, name: str) -> list[JournalEvent]:
    return [e for e in journal.valid_readings() if e.data["step"].startswith(f"{name}#")]


def _first(journal: JournalFile, quantity: str) -> Mapping[str, Any]:
    for event in journal.valid_readings():
        if event.data["quantity"] == quantity:
            reading: Mapping[str, Any] = event.data["reading"]
            return reading
    raise AssertionError(f"no reading of {quantity}")


def _sweep(journal: JournalFile) -> Sweep:
    readings = [event.data["reading"] for event in _of_step(journal, "sweep")]
    return Sweep(
        tuple(
            ImpedanceReading(
                resistance_ohm=reading["resistance_ohm"],
                reactance_ohm=reading["reactance_ohm"],
                status=reading["status"],
                raw=reading["raw"],
                conditions=ImpedanceConditions(**reading["conditions"]),
            )
            for reading in readings
        )
    )


def _pairs(journal: JournalFile) -> tuple[OnOffPair, ...]:
    steps: dict[str, list[Mapping[str, Any]]] = {}
    for event in _of_step(journal, "resistance-pair"):
        steps.setdefault(event.data["step"], []).append(event.data)
    pairs: list[OnOffPair] = []
    for data in steps.values():
        volts = [d["reading"]["value"] for d in data if d["quantity"] == "voltage"]
        amps = [d["reading"]["value"] for d in data if d["quantity"] == "supply-current"]
        if len(volts) == 2:  # the off reading after one pair is the one before the next
            volts.insert(0, pairs[-1].off_after_v)
        off_before_v, on_v, off_after_v = volts
        pairs.append(OnOffPair(off_before_v, on_v, off_after_v, (amps[-2] + amps[-1]) / 2))
    return tuple(pairs)
