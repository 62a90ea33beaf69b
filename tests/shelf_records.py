"""Write journals of verified parts, rail checks and check standards, without a bench."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from attrs import define, field

from labbench.records.folder import DataFolder
from labbench.records.journal import Journal
from labbench.records.readings_file import judgement_to_json, readings_to_json
from labbench.results import Characteristic, DcResistance, Judgement, Readings

START = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)


def characteristic(
    name: str, value: float | None, u95: float | None, unit: str = "ohm", **conditions: float
) -> Characteristic:
    """Give a characteristic that conforms, or was not measured."""
    return Characteristic(
        name=name, conditions={"temperature_c": 25.0, **conditions}, value=value, unit=unit,
        expanded_uncertainty=u95, coverage=0.95, lower=None, upper=None,
        verdict="conforms" if value is not None else "not-measured",
        probability_conforming=1.0 if value is not None else None,
    )  # fmt: skip


def coil(
    specimen: str, ohms: float | None, u95_relative: float = 0.004, *,
    disposition: Any = "fit", type: str = "coil-470n",
) -> Judgement:  # fmt: skip
    """Give the judgement of a coil by its dc resistance."""
    u95 = None if ohms is None else u95_relative * ohms
    return Judgement(
        specimen=specimen, type=type, disposition=disposition, findings=(), would_decide=(),
        characteristics=(
            characteristic("inductance", 4.7e-7, 3e-9, "H"),
            characteristic("dc-resistance", ohms, u95),
        ),
    )  # fmt: skip


@define
class Clock:
    """Be the clock of journals: it stands until it is moved."""

    now: datetime = START

    def utc(self) -> datetime:
        return self.now

    def monotonic_s(self) -> float:
        return (self.now - START).total_seconds()

    def sleep_s(self, seconds: float) -> None:
        self.now += timedelta(seconds=seconds)


@define
class ShelfRecords:
    """Write the journals of a workshop, each a minute after the one before."""

    data: DataFolder
    clock: Clock = field(factory=Clock)

    def later(self, **more: float) -> datetime:
        """Let time pass, a minute unless told otherwise, and return what it is then."""
        self.clock.now += timedelta(**more) if more else timedelta(minutes=1)
        return self.clock.now

    def verified(
        self, judgement: Judgement, *, donor: str | None = "radar board 12", lot: str | None = None,
        touch_relative: float | None = None, simulated: bool = False,
    ) -> Path:  # fmt: skip
        """Write a verify run; `touch_relative` is what its budget says of the probes' position."""
        opened = {
            "job": "verify", "who": "anna", "bench": "bench-1", "specimen": judgement.specimen,
            "type": judgement.type, "donor": donor, "lot": lot, "simulated": simulated,
        }  # fmt: skip
        with self._journal(judgement.specimen, opened) as journal:
            budget = []
            ohms = next((c.value for c in judgement.characteristics if c.unit == "ohm"), None)
            if touch_relative is not None and ohms is not None:
                budget = [{"label": "where the probes touch", "u": touch_relative * ohms}]
            dc = None if ohms is None else DcResistance(ohms, 0.002 * ohms, temperature_c=25.0)
            readings = Readings(judgement.specimen, judgement.type, dc_resistance=dc)
            journal.write("measured", dc_budget=budget, readings=readings_to_json(readings))
            journal.write("judged", **judgement_to_json(judgement))
        return journal.path

    def rail_check(
        self, board: str, serial: str, word: str, *, rail: str = "core", role: str = "test",
        simulated: bool = False,
    ) -> Path:  # fmt: skip
        """Write a check of the load behind a rail."""
        opened = {"job": "rail", "who": "anna", "specimen": serial, "type": board, "lot": rail,
                  "simulated": simulated}  # fmt: skip
        with self._journal(f"{board}-{rail}", opened) as journal:
            journal.write("measured", readings={
                "schema": "readings/1", "specimen": serial, "type": "load", "role": role,
            })  # fmt: skip
            journal.write("judged", word=word, because="said so")
        return journal.path

    def check_standard(self, specimen: str) -> Path:
        """Write a check of a check standard."""
        with self._journal(f"check-{specimen}", {"job": "check", "specimen": specimen}) as journal:
            journal.write("judged", characteristics=[], findings=[])
        return journal.path

    def _journal(self, name: str, opened: dict[str, Any]) -> Journal:
        now = self.later()
        return Journal.create(self.data.new_journal(now, name), opened, clock=self.clock)
