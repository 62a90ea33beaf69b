"""Find what a fitted coil read off its board, and refuse what cannot be checked.

Not covered: the bench (tests/end_to_end), what is made of the comparison (tests/judging).
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import cast

import pytest

from labbench.compose import OpenBench, data_folder
from labbench.errors import InputError
from labbench.jobs.after_fitting import _check, off_board_coil
from labbench.jobs.rail import RailRequest
from labbench.records.folder import DataFolder
from labbench.records.journal import Journal
from labbench.records.readings_file import readings_to_json
from labbench.results import DcResistance, Readings

#: what is looked at of a bench here: no relays, so every phase can be reached
BY_HAND = cast(
    OpenBench, SimpleNamespace(switch=None, file=SimpleNamespace(name="bench", hookups={}))
)


def verified(data: DataFolder, specimen: str, readings: Readings, second: int) -> None:
    path = data.new_journal(datetime(2026, 11, 25, 8, 0, second, tzinfo=UTC), specimen)
    with Journal.create(path, {"job": "verify", "specimen": specimen, "type": "coil"}) as journal:
        journal.write("measured", readings=readings_to_json(readings))


def test_the_last_resistance_of_a_coil_is_the_one_that_counts(tmp_path: Path) -> None:
    data = data_folder(tmp_path / "data")
    for second, ohm in enumerate((1.6e-3, 1.52e-3)):
        dc = DcResistance(ohm, 1.5e-5, temperature_c=23.0)
        verified(data, "D4", Readings("D4", "coil", dc_resistance=dc), second)
    verified(data, "D4", Readings("D4", "coil"), 5)
    found = off_board_coil(data, "D4")
    assert (found.value, found.u) == (1.52e-3, 1.5e-5)


def test_a_coil_that_never_was_measured_is_said_to_be_missing(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no dc resistance of a coil 'D9'"):
        off_board_coil(data_folder(tmp_path / "data"), "D9")


def test_everything_that_cannot_be_checked_is_said_at_once() -> None:
    request = RailRequest(board="b", rail="vin", serial="12", who="x", phases=12, fitted=(13, 2),
                          coil="D4")  # fmt: skip
    with pytest.raises(InputError) as raised:
        _check(BY_HAND, request)
    for said in ("not the input", "12 phases: 1 to 8", "phase 13 was fitted", "one phase was"):
        assert said in str(raised.value)
