"""Say where things are kept: journals, store, compensations, reports, and what was used last."""

from __future__ import annotations

__all__ = ["DataFolder", "LastUsed"]

import json
import os
import re
import secrets
from datetime import datetime
from pathlib import Path

from attrs import asdict, evolve, fields, frozen


@frozen
class LastUsed:
    """Hold what stays as last time: a technician takes a whole board apart in one go."""

    bench: str | None = None
    type: str | None = None
    donor: str | None = None
    job: str | None = None
    lot: str | None = None
    operator: str | None = None
    temperature_c: float | None = None


@frozen
class DataFolder:
    """Name the places inside one data folder; the folders are made when first written to."""

    root: Path

    @property
    def journals(self) -> Path:
        """Name the folder of the journals: they are the truth."""
        return self.root / "journals"

    @property
    def store(self) -> Path:
        """Name the store's file: filled from journals, can be rebuilt from them."""
        return self.root / "store.sqlite"

    @property
    def compensations(self) -> Path:
        """Name the folder of the compensations, one file each time one was taken."""
        return self.root / "compensations"

    @property
    def cooling(self) -> Path:
        """Name the file of the parts that were just lifted and still cool."""
        return self.root / "cooling.json"

    @property
    def open_fixture(self) -> Path:
        """Name the file of what leakage steps read with nothing in the jig, by bench."""
        return self.root / "open-fixture.json"

    @property
    def check_standards(self) -> Path:
        """Name the file that says which reference part is the check standard of which bench."""
        return self.root / "check-standards.json"

    @property
    def reports(self) -> Path:
        """Name the folder of the reports."""
        return self.root / "reports"

    @property
    def exchanges(self) -> Path:
        """Name the folder of the exchange logs (every byte sent and received)."""
        return self.root / "exchanges"

    @property
    def locks(self) -> Path:
        """Name the folder of the address locks."""
        return self.root / "locks"

    def new_journal(self, opened_utc: datetime, name: str) -> Path:
        """Return a journal path that nobody uses yet, and make its folder.

        The stem is the run's id: time, name, and four random characters for two runs a second.
        """
        self.journals.mkdir(parents=True, exist_ok=True)
        readable = re.sub(r"[^A-Za-z0-9._-]+", "-", name).strip("-")[:60] or "run"
        stem = f"{opened_utc:%Y%m%dT%H%M%SZ}-{readable}-{secrets.token_hex(2)}"
        return self.journals / f"{stem}.jsonl"

    def read_last_used(self) -> LastUsed:
        """Read what was used last; nothing where there is nothing or it cannot be read."""
        try:
            data = json.loads((self.root / "last-used.json").read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return LastUsed()
        if not isinstance(data, dict):
            return LastUsed()
        known = {field.name for field in fields(LastUsed)}
        return LastUsed(**{key: value for key, value in data.items() if key in known})

    def write_last_used(self, **changes: object) -> LastUsed:
        """Change what was used last; a None keeps the old value and an empty text clears it.

        Written whole or not at all.
        """
        given = {
            key: None if value == "" else value
            for key, value in changes.items()
            if value is not None
        }
        last = evolve(self.read_last_used(), **given)  # type: ignore[arg-type]
        self.root.mkdir(parents=True, exist_ok=True)
        path = self.root / "last-used.json"
        fresh = path.with_suffix(f".{os.getpid()}.new")
        fresh.write_text(json.dumps(asdict(last), indent=1), encoding="utf-8")
        os.replace(fresh, path)
        return last
