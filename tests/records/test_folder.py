"""Where things are kept, what stays as last time, journal names.

Does not cover two programs writing what was used last at the same moment: the later one wins.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labbench.records.folder import DataFolder, LastUsed

NOW = datetime(2026, 11, 25, 8, 30, 5, tzinfo=UTC)


@pytest.fixture
def data(tmp_path: Path) -> DataFolder:
    return DataFolder(tmp_path / "data")


def test_nothing_was_used_last_at_first_and_reading_makes_no_folder(data: DataFolder) -> None:
    assert data.read_last_used() == LastUsed()
    assert not data.root.exists()


def test_what_was_used_stays_until_it_changes_and_an_empty_text_clears_it(data: DataFolder) -> None:
    data.write_last_used(type="coil-470n", donor="radar board 12", lot="pulled")
    data.write_last_used(donor="radio board 4", temperature_c=21.5, job=None)
    assert data.read_last_used() == LastUsed(
        type="coil-470n", donor="radio board 4", lot="pulled", temperature_c=21.5
    )
    data.write_last_used(lot="")
    assert data.read_last_used().lot is None
    assert data.read_last_used().donor == "radio board 4"


def test_zero_degrees_is_a_temperature_and_not_nothing(data: DataFolder) -> None:
    data.write_last_used(temperature_c=0.0)
    assert data.read_last_used().temperature_c == 0.0


@pytest.mark.parametrize("text", ["", "{", "[1]", '"x"', "null", "\ud800".encode(errors="replace")])
def test_a_damaged_memory_of_last_time_stops_nothing(data: DataFolder, text: str | bytes) -> None:
    data.root.mkdir()
    path = data.root / "last-used.json"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    assert data.read_last_used() == LastUsed()
    data.write_last_used(donor="radar board 12")
    assert data.read_last_used().donor == "radar board 12"


def test_what_a_later_version_remembers_is_passed_over(data: DataFolder) -> None:
    data.root.mkdir()
    (data.root / "last-used.json").write_text('{"donor": "a", "shelf": 3}', encoding="utf-8")
    assert data.read_last_used() == LastUsed(donor="a")


def test_no_half_written_file_is_left(data: DataFolder) -> None:
    data.write_last_used(donor="radar board 12")
    data.write_last_used(donor="radio board 4")
    assert [path.name for path in data.root.iterdir()] == ["last-used.json"]


@given(st.text(max_size=40))
def test_any_specimen_name_makes_a_journal_name_that_every_system_takes(
    tmp_path_factory: pytest.TempPathFactory, name: str
) -> None:
    folder = DataFolder(tmp_path_factory.getbasetemp() / "names")
    path = folder.new_journal(NOW, name)
    assert path.parent == folder.journals
    assert re.fullmatch(r"20261125T083005Z-[A-Za-z0-9._-]+-[0-9a-f]{4}\.jsonl", path.name)
    assert ".amended-" not in path.name


def test_two_runs_of_one_specimen_in_one_second_have_names_of_their_own(data: DataFolder) -> None:
    assert len({data.new_journal(NOW, "D3").name for _ in range(20)}) > 15


def test_a_very_long_name_still_fits_a_file_system(data: DataFolder) -> None:
    path = data.new_journal(NOW, "D" * 1000)
    assert len(path.name) < 200
    path.write_text("", encoding="utf-8")
