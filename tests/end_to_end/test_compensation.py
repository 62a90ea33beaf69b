"""A compensation that will not do is named, and taken anew by relays or refused.

Does not cover what makes a compensation plausible (tests/metrology/test_fixture_check).
"""

from __future__ import annotations

import json
from collections.abc import Callable

import pytest

from labbench.records.compensation_file import latest_compensation
from tests.end_to_end.conftest import Workshop

HOUR_S = 3600.0


def without_positions(text: str) -> str:
    """Take `open` and `short` away, so that no relay can take a compensation."""
    return "\n".join(
        line for line in text.splitlines() if not line.startswith(("open =", "short ="))
    )


@pytest.fixture
def ready(workshop: Workshop) -> Workshop:
    """Be a bench with a compensation that relays cannot renew."""
    assert workshop.labbench("compensate", "--bench", workshop.bench_file).code == 0
    workshop.edit_bench_file(without_positions)
    return workshop


def verify_later(workshop: Workshop, later_s: float = 0.0):  # type: ignore[no-untyped-def]
    return workshop.labbench(
        "verify", "coil-470n", "--specimen", "D1", "--look", "fine", "--temperature", 23, "--json",
        "--bench", workshop.bench_file, later_s=later_s,
    )  # fmt: skip


def test_one_of_this_morning_is_used(ready: Workshop) -> None:
    assert verify_later(ready, 11 * HOUR_S).verdict["disposition"] == "fit"


def test_one_that_is_too_old_is_named_with_its_age(ready: Workshop) -> None:
    said = verify_later(ready, 13 * HOUR_S)
    assert said.code == 2
    assert said.out == ""
    assert "13.0 h old" in said.err
    assert "12.0 h is the limit" in said.err
    assert ready.journals("verify") == []


def test_one_that_lacks_a_frequency_is_named_with_the_frequency(
    ready: Workshop, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.mktemp("types")
    path = folder / "coil-other.toml"
    path.write_text(
        'schema = 1\nname = "coil-other"\nfamily = "coil"\ndescription = "read at 40 kHz"\n'
        '[limits]\ninductance = { nominal = "470 nH", tolerance = "20 %", frequency = "40 kHz" }\n',
        encoding="utf-8",
    )
    said = ready.labbench("verify", path, "--specimen", "D1", "--look", "fine", "--json",
                          "--bench", ready.bench_file)  # fmt: skip
    assert said.code == 2
    (sentence,) = [line for line in said.err.splitlines() if line.startswith("labbench: ")]
    # what it lacks comes before what it has, which stands in brackets
    assert "40 kHz" in sentence.split("(")[0]


def test_one_of_another_fixture_is_named(ready: Workshop) -> None:
    ready.edit_bench_file(lambda text: text.replace("seed = 1\n", "seed = 2\n"))
    said = verify_later(ready)
    assert said.code == 2
    assert "seed 1" in said.err
    assert "seed 2" in said.err


def test_with_relays_a_new_one_is_taken_at_once_and_why_is_said(workshop: Workshop) -> None:
    assert workshop.labbench("compensate", "--bench", workshop.bench_file).code == 0
    said = verify_later(workshop, 13 * HOUR_S)
    assert said.code == 0
    assert "taking one now by relays" in said.err
    assert len(workshop.journals("compensate")) == 2


def test_a_new_one_keeps_the_frequencies_of_the_old_one(
    workshop: Workshop, tmp_path_factory: pytest.TempPathFactory
) -> None:
    path = tmp_path_factory.mktemp("types") / "coil-other.toml"
    path.write_text(
        'schema = 1\nname = "coil-other"\nfamily = "coil"\ndescription = "read at 40 kHz"\n'
        '[limits]\ninductance = { nominal = "470 nH", tolerance = "20 %", frequency = "40 kHz" }\n',
        encoding="utf-8",
    )
    workshop.labbench("verify", path, "--specimen", "D1", "--look", "fine", "--bench",
                      workshop.bench_file)  # fmt: skip
    assert verify_later(workshop, 13 * HOUR_S).code == 0
    latest = latest_compensation(workshop.data.compensations, "one-coil")
    assert latest is not None
    assert {40e3, 100e3} <= set(latest.frequency_hz)


def test_the_command_prints_what_the_fixture_is_like(workshop: Workshop) -> None:
    said = workshop.labbench("compensate", "--bench", workshop.bench_file, "--who", "tester")
    assert said.code == 0
    lines = said.out.splitlines()
    assert lines[0].startswith("compensation of ")
    assert len(lines) == 6
    assert all("short" in line for line in lines[1:])
    as_json = workshop.labbench("compensate", "--bench", workshop.bench_file, "--json")
    (row,) = as_json.rows
    assert row["frequency_hz"] == [1e3, 1e4, 1e5, 3e5, 1e6]
    assert len(row["short_ohm"]) == len(row["open_ohm"]) == 5


def test_bench_tells_whether_the_compensation_will_do(workshop: Workshop) -> None:
    before = workshop.labbench("bench", "--bench", workshop.bench_file, "--json").rows[0]
    assert before["compensation"]["usable"] is False
    workshop.labbench("compensate", "--bench", workshop.bench_file)
    after = workshop.labbench("bench", "--bench", workshop.bench_file, "--json").rows[0]
    assert after["compensation"]["usable"] is True
    assert {row["role"] for row in after["instruments"]} == {
        "supply", "impedance_meter", "multimeter", "switch",
    }  # fmt: skip
    text = workshop.labbench("bench", "--bench", workshop.bench_file)
    assert text.code == 0
    assert "(simulated)" in text.out.splitlines()[0]


def test_bench_says_that_an_output_is_on_and_a_calibration_overdue(
    workshop: Workshop, workshops: Callable[..., Workshop]
) -> None:
    supply = workshop.served.bench.supply
    assert supply is not None
    supply.set_voltage_v(1, 0.1)
    supply.set_output(1, True)
    workshop.edit_bench_file(lambda text: text.replace("due = 2027-03-01", "due = 2026-03-02"))
    said = workshop.labbench("bench", "--bench", workshop.bench_file, "--json")
    problems = {row["role"]: row["problems"] for row in said.rows[0]["instruments"]}
    assert problems["supply"] == ["the output of channel 1 is ON"]
    assert problems["impedance_meter"] == ["its calibration was due on 2026-03-02"]
    assert said.code == 4
    assert supply.output(1), "looking changes nothing"
    supply.set_output(1, False)


def test_a_damaged_compensation_file_is_named_and_not_passed_over(ready: Workshop) -> None:
    (path,) = (ready.data.compensations / "one-coil").glob("*.json")
    data = json.loads(path.read_text(encoding="utf-8"))
    path.write_text(json.dumps(data)[:-20], encoding="utf-8")
    said = verify_later(ready)
    assert said.code == 2
    assert str(path) in said.err
