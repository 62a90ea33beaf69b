"""Check plans of gauge studies (order, codes, seed) and how readings become a study.

Does not cover: plan files (tests/jobs/test_gauge_jobs.py).
"""

from __future__ import annotations

from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from labbench.errors import InputError
from labbench.lots.plans import GaugePlan, code_letters, plan_study
from labbench.lots.study_data import StudyReading, study_block

PARTS = ("D1", "D4", "D7")


def plan(**changes: object) -> GaugePlan:
    wanted: dict[str, object] = {
        "study": "s", "type": "coil-470n", "characteristic": "inductance", "frequency_hz": 1e5,
        "parts": PARTS, "operators": ("anna", "ben"), "trials": 3, "days": 2, "seed": 7,
    }  # fmt: skip
    return plan_study(**{**wanted, **changes})  # type: ignore[arg-type]


@given(seed=st.integers(0, 2**31), trials=st.integers(2, 4), days=st.integers(1, 3))
def test_everyone_measures_every_part_equally_often_each_day(
    seed: int, trials: int, days: int
) -> None:
    made = plan(seed=seed, trials=trials, days=days)
    counts = Counter((e.day, e.operator, e.code, e.trial) for e in made.entries)
    assert set(counts.values()) == {1}
    assert len(counts) == days * 2 * 3 * trials
    assert [e.number for e in made.entries] == list(range(1, len(made.entries) + 1))
    assert sorted(made.codes.values()) == sorted(PARTS)
    assert [e.day for e in made.entries] == sorted(e.day for e in made.entries)


def test_the_same_seed_gives_the_same_order_and_another_seed_another() -> None:
    assert plan() == plan()
    assert plan(seed=8).entries != plan().entries


def test_the_order_of_the_parts_differs_from_round_to_round() -> None:
    made = plan(parts=tuple(f"D{i}" for i in range(10)), days=1)
    rounds = {tuple(e.code for e in made.entries[i : i + 10]) for i in range(0, 60, 10)}
    assert len(rounds) == 6


def test_codes_go_on_after_z() -> None:
    assert code_letters(28)[-3:] == ["Z", "AA", "AB"]
    assert len(set(code_letters(200))) == 200


def test_a_plan_that_makes_no_sense_says_all_that_is_wrong() -> None:
    with pytest.raises(InputError) as raised:
        plan(parts=("D1",), operators=(), trials=1)
    assert "two parts" in raised.value.message
    assert "one operator" in raised.value.message
    assert "two trials" in raised.value.message
    with pytest.raises(InputError, match="'D1' stands twice"):
        plan(parts=("D1", "D1"))


def readings(**more: object) -> list[StudyReading]:
    return [
        StudyReading(part=p, operator=o, trial=str(t), value=100.0 * ord(p) + ord(o) + t / 10,
                     **more)  # type: ignore[arg-type]
        for t in (1, 2) for o in "XY" for p in "ABC"
    ]  # fmt: skip


def test_readings_in_any_order_fall_into_their_cells() -> None:
    block = study_block(readings())
    assert block.factors == ("part", "operator")
    assert block.values.shape == (3, 2, 2)
    assert block.values[2, 0].tolist() == [100.0 * 67 + 88 + 0.1, 100.0 * 67 + 88 + 0.2]
    assert block.names == {"part": ("A", "B", "C"), "operator": ("X", "Y")}


def test_one_person_or_one_day_is_no_factor() -> None:
    block = study_block([r for r in readings() if r.operator == "X"])
    assert block.factors == ("part",)


def test_missing_and_repeated_readings_are_listed_by_cell() -> None:
    with pytest.raises(InputError, match="part A, operator X: 1 of 2 readings"):
        study_block(readings()[1:])
    doubled = [*readings(), readings()[0]]
    with pytest.raises(InputError, match="part A, operator X: trial 1 stands twice"):
        study_block(doubled)
    with pytest.raises(InputError, match="no reading"):
        study_block([])


def test_noise_is_kept_only_where_it_is_known() -> None:
    known = study_block(readings(noise_sd=0.1, noise_df=1))
    assert known.noise_dfs == (1,) * 12
    assert study_block(readings()).noise_dfs == ()
