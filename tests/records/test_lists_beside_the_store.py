"""Check the cooling list and the file of check standards: kept whole, read strictly.

Does not cover: two processes that write at the same moment (the last one wins; a part whose entry
is lost is watched for warmth all the same).
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from labbench.errors import InputError
from labbench.records.check_standard_file import (
    CheckStandard,
    read_check_standard,
    write_check_standard,
)
from labbench.records.cooling_file import CoolingPart, put_cooling, read_cooling, take_cooling

NOW = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)


def part(specimen: str, ready_s: float) -> CoolingPart:
    return CoolingPart(
        specimen=specimen, type="coil-470n", lifted_utc=NOW.isoformat(),
        ready_utc=(NOW + timedelta(seconds=ready_s)).isoformat(), donor="radar board 12",
    )  # fmt: skip


def test_parts_come_back_in_the_order_in_which_they_are_cool(tmp_path: Path) -> None:
    path = tmp_path / "data" / "cooling.json"
    assert read_cooling(path, NOW) == []
    for specimen, ready_s in (("D2", 100.0), ("D1", 40.0), ("D3", 70.0)):
        put_cooling(path, part(specimen, ready_s), NOW)
    assert [p.specimen for p in read_cooling(path, NOW)] == ["D1", "D3", "D2"]
    assert read_cooling(path, NOW)[0].wait_s(NOW) == 40.0


def test_a_part_lifted_again_has_one_entry(tmp_path: Path) -> None:
    path = tmp_path / "cooling.json"
    put_cooling(path, part("D1", 40.0), NOW)
    put_cooling(path, part("D1", 90.0), NOW)
    assert [p.wait_s(NOW) for p in read_cooling(path, NOW)] == [90.0]


def test_a_part_taken_out_is_gone_and_its_entry_given(tmp_path: Path) -> None:
    path = tmp_path / "cooling.json"
    put_cooling(path, part("D1", 40.0), NOW)
    assert take_cooling(path, "D1", NOW) == part("D1", 40.0)
    assert take_cooling(path, "D1", NOW) is None
    assert read_cooling(path, NOW) == []


def test_a_part_of_yesterday_is_left_out(tmp_path: Path) -> None:
    path = tmp_path / "cooling.json"
    put_cooling(path, part("D1", 40.0), NOW)
    assert read_cooling(path, NOW + timedelta(hours=25)) == []


@pytest.mark.parametrize("text", ["{", "[3]", '[{"specimen": "D1"}]', '{"a": 1}'])
def test_a_cooling_list_that_cannot_be_read_says_so(tmp_path: Path, text: str) -> None:
    path = tmp_path / "cooling.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match="cooling list"):
        read_cooling(path, NOW)


def test_each_bench_has_its_own_check_standard(tmp_path: Path) -> None:
    path = tmp_path / "check-standards.json"
    assert read_check_standard(path, "bench-1") is None
    first = CheckStandard(name="REF1", type="coil-470n")
    second = CheckStandard(name="REF2", type="coil-4u7", position="D4", every_h=12.0)
    write_check_standard(path, "bench-1", first)
    write_check_standard(path, "bench-2", second)
    assert read_check_standard(path, "bench-1") == first
    assert read_check_standard(path, "bench-2") == second


@pytest.mark.parametrize("text", ["{", "[]", '{"bench-1": 3}', '{"bench-1": {"nane": "REF1"}}'])
def test_a_file_of_check_standards_that_cannot_be_read_says_so(tmp_path: Path, text: str) -> None:
    path = tmp_path / "check-standards.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match="check-standards"):
        read_check_standard(path, "bench-1")
