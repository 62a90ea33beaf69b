"""Keep compensations: one file each time one is taken, the latest of a bench is in force."""

from __future__ import annotations

__all__ = ["latest_compensation", "save_compensation"]

import json
import os
import re
from pathlib import Path

from labbench.errors import CompensationError
from labbench.metrology.compensation import (
    Compensation,
    compensation_from_json,
    compensation_to_json,
)


def _folder(directory: Path, bench: str) -> Path:
    # no leading dot: "." and ".." are no folders of ours
    return directory / (re.sub(r"[^A-Za-z0-9._-]+", "-", bench).lstrip(".") or "bench")


def _order(path: Path) -> tuple[str, int]:
    """Order files of one second by their number: the first has none."""
    stem, _, number = path.stem.partition("-")
    return stem, int(number) if number.isdigit() else 0


def save_compensation(directory: Path, bench: str, compensation: Compensation) -> Path:
    """Write a compensation as the latest of its bench and return its file.

    Written whole or not at all; older ones stay, for runs that refer to them.
    """
    folder = _folder(directory, bench)
    folder.mkdir(parents=True, exist_ok=True)
    stem = re.sub(r"[^0-9TZ]", "", compensation.taken_utc) or "undated"
    path = folder / f"{stem}.json"
    number = 1
    while path.exists():
        path = folder / f"{stem}-{number}.json"
        number += 1
    fresh = path.with_suffix(f".{os.getpid()}.new")
    with fresh.open("w", encoding="utf-8") as file:
        json.dump(compensation_to_json(compensation), file, indent=1, allow_nan=False)
        file.flush()
        os.fsync(file.fileno())
    os.replace(fresh, path)
    return path


def latest_compensation(directory: Path, bench: str) -> Compensation | None:
    """Read the latest compensation of a bench; None where none was ever taken.

    Raises CompensationError for a file that cannot be read: it is not passed over silently,
    because an older compensation would then be used unseen.
    """
    newest: tuple[str, Compensation] | None = None
    for path in sorted(_folder(directory, bench).glob("*.json"), key=_order):
        try:
            data = json.loads(path.read_text(encoding="utf-8"))
            if not isinstance(data, dict):
                raise ValueError("it holds no compensation")
            compensation = compensation_from_json(data)
        except (OSError, ValueError, KeyError, TypeError, CompensationError) as error:
            raise CompensationError(
                f"the compensation file {path} cannot be read: {error}",
                hint="move it away and take a new one: labbench compensate",
            ) from error
        if newest is None or compensation.taken_utc >= newest[0]:
            newest = (compensation.taken_utc, compensation)
    return newest[1] if newest else None
