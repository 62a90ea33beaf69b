"""Compensations kept as files: the latest of a bench is in force, older ones stay.

Does not cover what a compensation holds (tests/metrology/test_compensation).
"""

from __future__ import annotations

from pathlib import Path

import pytest
from attrs import evolve

from labbench.errors import CompensationError
from labbench.metrology.compensation import Compensation
from labbench.records.compensation_file import latest_compensation, save_compensation

TAKEN = Compensation(
    frequency_hz=(1e3, 1e5),
    open_ohm=(None, complex(12.0, -1.06e6)),
    short_ohm=(complex(4.85e-3, 5.3e-5), complex(4.86e-3, 5.3e-3)),
    taken_utc="2026-11-25T08:00:00+00:00",
    fixture="jig",
    bench="bench-1",
    u_open_ohm=((1e3, 1e3), (9.0, 9.0)),
    u_short_ohm=((1e-5, 1e-5), (1e-5, 1e-5)),
    readings=3,
)


def later(utc: str) -> Compensation:
    return evolve(TAKEN, taken_utc=utc)


def test_what_was_saved_is_read_back_number_for_number(tmp_path: Path) -> None:
    save_compensation(tmp_path, "bench-1", TAKEN)
    assert latest_compensation(tmp_path, "bench-1") == TAKEN


def test_none_was_ever_taken(tmp_path: Path) -> None:
    assert latest_compensation(tmp_path, "bench-1") is None
    assert list(tmp_path.iterdir()) == []


def test_the_latest_by_its_own_time_is_in_force_in_whatever_order_they_were_saved(
    tmp_path: Path,
) -> None:
    newest = later("2026-11-25T12:00:00+00:00")
    for one in (TAKEN, newest, later("2026-11-24T12:00:00+00:00")):
        save_compensation(tmp_path, "bench-1", one)
    assert latest_compensation(tmp_path, "bench-1") == newest
    assert len(list((tmp_path / "bench-1").iterdir())) == 3


def test_two_in_one_second_are_both_kept_and_the_later_saved_is_in_force(tmp_path: Path) -> None:
    again = evolve(TAKEN, fixture="other jig")
    paths = {save_compensation(tmp_path, "bench-1", one) for one in (TAKEN, again)}
    assert len(paths) == 2
    assert latest_compensation(tmp_path, "bench-1") == again


def test_eleven_in_one_second_keep_their_order(tmp_path: Path) -> None:
    for number in range(11):
        save_compensation(tmp_path, "bench-1", evolve(TAKEN, fixture=f"jig {number}"))
    latest = latest_compensation(tmp_path, "bench-1")
    assert latest is not None
    assert latest.fixture == "jig 10"


def test_benches_do_not_mix_even_with_names_that_are_no_file_names(tmp_path: Path) -> None:
    save_compensation(tmp_path, "../bench 1/left", TAKEN)
    assert latest_compensation(tmp_path, "../bench 1/left") == TAKEN
    assert latest_compensation(tmp_path, "bench-2") is None
    assert all(tmp_path in path.resolve().parents for path in tmp_path.rglob("*"))


@pytest.mark.parametrize("name", ["..", ".", "", "/"])
def test_no_bench_name_leaves_the_folder(tmp_path: Path, name: str) -> None:
    folder = tmp_path / "compensations"
    path = save_compensation(folder, name, TAKEN)
    assert path.resolve().parent.parent == folder.resolve()


@pytest.mark.parametrize("text", ["", "{}", "[]", "not json", '{"frequency_hz": [1]}'])
def test_a_file_that_cannot_be_read_is_named_and_an_older_one_is_not_used_unseen(
    tmp_path: Path, text: str
) -> None:
    save_compensation(tmp_path, "bench-1", TAKEN)
    broken = tmp_path / "bench-1" / "20261125T120000Z.json"
    broken.write_text(text, encoding="utf-8")
    with pytest.raises(CompensationError, match=r"20261125T120000Z\.json"):
        latest_compensation(tmp_path, "bench-1")


def test_no_half_written_file_is_taken_for_a_compensation(tmp_path: Path) -> None:
    path = save_compensation(tmp_path, "bench-1", TAKEN)
    path.with_suffix(".77.new").write_text('{"half', encoding="utf-8")
    assert latest_compensation(tmp_path, "bench-1") == TAKEN
