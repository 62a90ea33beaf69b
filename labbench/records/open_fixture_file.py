"""Keep what the empty jig and the session check of a switch bench read, for their session."""

from __future__ import annotations

__all__ = [
    "OPEN_FIXTURE_AGE_S",
    "read_open_fixture",
    "read_session_check",
    "save_open_fixture",
    "save_session_check",
]

import json
import os
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path

#: a session: humidity and flux change from day to day (bench hours)
OPEN_FIXTURE_AGE_S = 8 * 3600.0


def read_open_fixture(path: Path, bench: str, now_utc: datetime) -> dict[tuple[str, float], float]:
    """Read the volts by hookup and voltage that are not too old; nothing where there is nothing.

    A file that cannot be read counts as none: the fixture is read anew.
    """
    try:
        entries = json.loads(path.read_text(encoding="utf-8"))[bench]
        taken = datetime.fromisoformat(entries["taken_utc"])
        if not 0 <= (now_utc - taken).total_seconds() <= OPEN_FIXTURE_AGE_S:
            return {}
        return {(e["hookup"], float(e["set_v"])): float(e["volts"]) for e in entries["volts"]}
    except (OSError, ValueError, KeyError, TypeError):
        return {}


def save_open_fixture(
    path: Path, bench: str, now_utc: datetime, volts: Mapping[tuple[str, float], float]
) -> None:
    """Write one bench's volts, leaving other benches' alone. Written whole or not at all."""
    entry = {
        "taken_utc": now_utc.isoformat(),
        "volts": [
            {"hookup": hookup, "set_v": set_v, "volts": value}
            for (hookup, set_v), value in volts.items()
        ],
    }
    _save(path, bench, entry)


def read_session_check(path: Path, bench: str, now_utc: datetime) -> dict[str, float] | None:
    """Read what a session check that was in order read; None where there is none of this session.

    A file that cannot be read counts as none: the check is made anew.
    """
    try:
        check = json.loads(path.read_text(encoding="utf-8"))[bench]["check"]
        taken = datetime.fromisoformat(check["taken_utc"])
        if not 0 <= (now_utc - taken).total_seconds() <= OPEN_FIXTURE_AGE_S:
            return None
        return {key: float(number) for key, number in check["read"].items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None


def save_session_check(
    path: Path, bench: str, now_utc: datetime, read: Mapping[str, float]
) -> None:
    """Write what a session check read, leaving all else alone. Written whole or not at all."""
    _save(path, bench, {"check": {"taken_utc": now_utc.isoformat(), "read": dict(read)}})


def _save(path: Path, bench: str, entry: Mapping[str, object]) -> None:
    try:
        known = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        known = {}
    if not isinstance(known, dict):
        known = {}
    before = known.get(bench)
    known[bench] = {**before, **entry} if isinstance(before, dict) else dict(entry)
    path.parent.mkdir(parents=True, exist_ok=True)
    fresh = path.with_suffix(f".{os.getpid()}.new")
    fresh.write_text(json.dumps(known, indent=1), encoding="utf-8")
    os.replace(fresh, path)
