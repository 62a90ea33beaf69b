"""Keep the cooling list: parts that were just lifted and wait, while the next one is taken."""

from __future__ import annotations

__all__ = ["CoolingPart", "put_cooling", "read_cooling", "take_cooling"]

import json
import os
from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path

from attrs import asdict, frozen

from labbench.errors import FileProblems, InputError
from labbench.files import structure

#: a part that nobody came back for by then is at room temperature like any other
_FORGOTTEN_AFTER = timedelta(hours=24)


@frozen(kw_only=True)
class CoolingPart:
    """Hold a part that cools: when it was lifted, when it will be cool (ISO, UTC), what it is."""

    specimen: str
    type: str
    lifted_utc: str
    ready_utc: str
    position: str | None = None
    donor: str | None = None
    lot: str | None = None
    customer_job: str | None = None

    def wait_s(self, now: datetime) -> float:
        """Return the seconds until it is cool; negative once it is."""
        return (datetime.fromisoformat(self.ready_utc) - now).total_seconds()


def read_cooling(path: Path, now: datetime) -> list[CoolingPart]:
    """Read the list, the one that is cool first in front; parts of yesterday are left out.

    Raises InputError for a file that cannot be read.
    """
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        found = [structure(entry, CoolingPart, file=str(path)) for entry in data]
        kept = [p for p in found if p.wait_s(now) > -_FORGOTTEN_AFTER.total_seconds()]
    except FileNotFoundError:
        return []
    except (OSError, ValueError, TypeError, AttributeError, FileProblems) as error:
        raise InputError(
            f"the cooling list {path} cannot be read: {error}",
            hint="delete it; parts that were just lifted then need two minutes by the clock",
        ) from error
    return sorted(kept, key=lambda part: part.ready_utc)


def put_cooling(path: Path, part: CoolingPart, now: datetime) -> None:
    """Put a part into the list, in place of an entry of the same specimen."""
    others = [p for p in read_cooling(path, now) if p.specimen != part.specimen]
    _write(path, [*others, part])


def take_cooling(path: Path, specimen: str, now: datetime) -> CoolingPart | None:
    """Take a part out of the list and return its entry; None where it was not in it."""
    parts = read_cooling(path, now)
    found = next((p for p in parts if p.specimen == specimen), None)
    if found is not None:
        _write(path, [p for p in parts if p is not found])
    return found


def _write(path: Path, parts: Sequence[CoolingPart]) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    fresh = path.with_suffix(f".{os.getpid()}.new")
    fresh.write_text(
        json.dumps([asdict(part) for part in parts], indent=1, ensure_ascii=False),
        encoding="utf-8",
    )
    os.replace(fresh, path)
