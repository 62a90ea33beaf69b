"""Keep which reference part is the check standard of which bench."""

from __future__ import annotations

__all__ = ["EVERY_H", "CheckStandard", "read_check_standard", "write_check_standard"]

import json
import os
from pathlib import Path

from attrs import asdict, frozen

from labbench.errors import InputError
from labbench.files import structure

#: a check each working day (common practice, no source)
EVERY_H = 24.0


@frozen(kw_only=True)
class CheckStandard:
    """Hold a bench's check standard: its id, part type, position for relays, how often (h)."""

    name: str
    type: str
    position: str | None = None
    every_h: float = EVERY_H


def read_check_standard(path: Path, bench: str) -> CheckStandard | None:
    """Read the check standard of a bench; None where none was ever named.

    Raises InputError for a file that cannot be read.
    """
    table = _read(path)
    if bench not in table:
        return None
    return structure(table[bench], CheckStandard, file=str(path))


def write_check_standard(path: Path, bench: str, standard: CheckStandard) -> None:
    """Name the check standard of a bench; those of others stay. Written whole or not at all."""
    table = _read(path)
    table[bench] = asdict(standard)
    path.parent.mkdir(parents=True, exist_ok=True)
    fresh = path.with_suffix(f".{os.getpid()}.new")
    fresh.write_text(json.dumps(table, indent=1, ensure_ascii=False), encoding="utf-8")
    os.replace(fresh, path)


def _read(path: Path) -> dict[str, dict[str, object]]:
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return {}
    except (OSError, ValueError) as error:
        raise InputError(
            f"the file of check standards {path} cannot be read: {error}",
            hint="move it away and name the standard again: labbench gauge check --standard NAME",
        ) from error
    if not isinstance(data, dict) or not all(isinstance(v, dict) for v in data.values()):
        raise InputError(f"the file of check standards {path} does not hold a table")
    return data
