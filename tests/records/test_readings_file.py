"""Check how readings/1 lines are read and written, and verdict/1 and problem/1 written.

Does not cover: what readings mean (tests/judging), whether an inductance is plausible for its type
(judged, not read), shapes against the JSON Schemas (tests/test_schemas.py).
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from attrs import evolve
from hypothesis import given, settings
from hypothesis import strategies as st

from labbench.errors import FileProblems, Problem
from labbench.records.readings_file import (
    judgement_from_json,
    judgement_to_json,
    problem_to_json,
    read_readings,
    readings_from_json,
    readings_to_json,
)
from labbench.records.verdict_json import plain
from labbench.results import (
    BiasPoint,
    Characteristic,
    Contact,
    DcResistance,
    Finding,
    Impedance,
    Judgement,
    Readings,
    Visual,
    WouldDecide,
)
from tests.records.samples import readings_samples

# the example that defines the format
EXAMPLE = (
    '{"schema": "readings/1", "specimen": "D7", "type": "coil-470n", "lot": "board-12",'
    ' "role": "test", "temperature_c": 24.0, "session": "2026-11-25-a",'
    ' "impedance": {"frequency_hz": [1e3, 1e5], "resistance_ohm": [1.6e-3, 1.1e-2],'
    ' "reactance_ohm": [2.9e-3, 0.295], "u_resistance_ohm": [2e-4, 3e-4],'
    ' "u_reactance_ohm": [2e-4, 5e-4], "u_gain_relative": [2.5e-4, 3e-4]},'
    ' "contact": {"u_resistance_ohm": 2e-4, "u_inductance_h": 1e-9},'
    ' "dc_resistance": {"value_ohm": 1.52e-3, "u_ohm": 1.5e-5, "temperature_c": 24.0},'
    ' "bias": [{"current_a": 10.0, "inductance_h": 4.4e-7, "u_inductance_h": 1e-9}]}'
)


def example(**changes: Any) -> dict[str, Any]:
    data: dict[str, Any] = json.loads(EXAMPLE)
    for path, value in changes.items():
        *tables, key = path.split("__")
        table = data
        for name in tables:
            table = table[name]
        if value is ...:
            del table[key]
        else:
            table[key] = value
    return data


def read_one(data: Any) -> Readings | Problem:
    text = data if isinstance(data, str) else json.dumps(data)
    (line,) = read_readings([text], file="r.jsonl")
    return line


def message_of(data: Any) -> str:
    line = read_one(data)
    assert isinstance(line, Problem), line
    return str(line)


def test_the_example_of_the_format_reads_as_it_says() -> None:
    assert read_one(EXAMPLE) == Readings(
        specimen="D7",
        type="coil-470n",
        lot="board-12",
        role="test",
        temperature_c=24.0,
        session="2026-11-25-a",
        impedance=Impedance(
            frequency_hz=(1e3, 1e5),
            resistance_ohm=(1.6e-3, 1.1e-2),
            reactance_ohm=(2.9e-3, 0.295),
            u_resistance_ohm=(2e-4, 3e-4),
            u_reactance_ohm=(2e-4, 5e-4),
            u_gain_relative=(2.5e-4, 3e-4),
        ),
        contact=Contact(2e-4, 1e-9),
        dc_resistance=DcResistance(1.52e-3, 1.5e-5, 24.0),
        bias=(BiasPoint(10.0, 4.4e-7, 1e-9),),
    )


def test_frequencies_are_sorted_and_everything_goes_with_them() -> None:
    line = read_one(
        example(
            impedance={
                "frequency_hz": [1e5, 1e3, 1e6],
                "resistance_ohm": [2.0, 1.0, None],
                "reactance_ohm": [20.0, 10.0, None],
                "u_resistance_ohm": [0.2, 0.1, None],
                "u_reactance_ohm": [0.4, 0.3, None],
                "status": ["ok", "unstable", "over-range"],
                "greater_than": [None, None, 1e6],
            }
        )
    )
    assert isinstance(line, Readings)
    assert line.impedance == Impedance(
        frequency_hz=(1e3, 1e5, 1e6),
        resistance_ohm=(1.0, 2.0, None),
        reactance_ohm=(10.0, 20.0, None),
        u_resistance_ohm=(0.1, 0.2, None),
        u_reactance_ohm=(0.3, 0.4, None),
        status=("unstable", "ok", "over-range"),
        greater_than_ohm=(None, None, 1e6),
    )


def test_a_resistance_without_its_own_temperature_takes_that_of_the_line() -> None:
    line = read_one(example(dc_resistance__temperature_c=...))
    assert isinstance(line, Readings)
    assert line.dc_resistance is not None
    assert line.dc_resistance.temperature_c == 24.0


def test_a_line_of_ids_alone_is_a_specimen_with_nothing_measured() -> None:
    line = read_one({"schema": "readings/1", "specimen": "D7", "type": "coil-470n"})
    assert line == Readings(specimen="D7", type="coil-470n")


def test_a_part_out_of_range_says_how_far_the_bench_could_see() -> None:
    line = read_one(
        example(dc_resistance={"value_ohm": None, "status": "over-range", "greater_than": 3.0})
    )
    assert isinstance(line, Readings)
    assert line.dc_resistance is not None
    assert line.dc_resistance.greater_than_ohm == 3.0
    assert line.dc_resistance.status == "over-range"


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"schema": ...}, "schema: missing"),
        ({"schema": "reading/1"}, "schema: must be 'readings/1', not 'reading/1'; did you mean"),
        ({"schema": "readings/2"}, "must be 'readings/1'"),
        ({"specimen": ...}, "specimen: missing"),
        ({"specimen": 7}, "specimen: must be text"),
        ({"specimen": " "}, "specimen: must not be empty"),
        ({"specimen": "D7\u001b[2J"}, "specimen: must not contain control characters"),
        ({"specimen": "D" * 300}, "specimen: must not be longer"),
        ({"type": ...}, "type: missing"),
        (
            {"role": "siblng"},
            "role: must be 'test' or 'sibling' or 'good', not text ('siblng'); did",
        ),
        ({"temperature_c": 297.0}, "temperature_c: must lie between"),
        ({"temperature_c": "24 °C"}, "temperature_c: must be a number, not text"),
        ({"impedence": {}}, "impedence: unknown key; did you mean impedance?"),
        ({"impedance": []}, "impedance: must be a table, not a list"),
        ({"impedance__frequency_hz": [1e3, 1e3]}, "frequency_hz[1]: 1000 Hz stands twice"),
        ({"impedance__frequency_hz": [0, 1e5]}, "frequency_hz[0]: must be above zero"),
        ({"impedance__frequency_hz": [1e3]}, "has 2 entries for 1 frequencies"),
        ({"impedance__reactance_ohm": [1.0]}, "reactance_ohm: has 1 entries for 2 frequencies"),
        ({"impedance__reactance_ohm": [1.0, "x"]}, "reactance_ohm[1]: must be a number"),
        ({"impedance__reactance_ohm": ...}, "reactance_ohm: missing"),
        (
            {"impedance__u_reactance_ohm": ...},
            "u_reactance_ohm: missing: without its uncertainty a value decides nothing",
        ),
        ({"impedance__u_reactance_ohm": [1e-4, None]}, "u_reactance_ohm[1]: missing: without"),
        ({"impedance__u_reactance_ohm": [0, 1e-4]}, "u_reactance_ohm[0]: an uncertainty is above"),
        ({"impedance__u_resistance_ohm": [1e-4, -1e-4]}, "u_resistance_ohm[1]: an uncertainty"),
        ({"impedance__u_gain_relative": [-1e-4, 0]}, "u_gain_relative[0]: must lie between 0 and"),
        ({"impedance__resistance_ohm": [None, 1.0]}, "resistance_ohm[0]: null needs a status"),
        ({"impedance__status": ["ok", "over-range"]}, "has a value though its status is"),
        ({"impedance__status": ["ok", "open"]}, "status[1]: must be 'ok' or"),
        ({"impedance__greater_than": [None, 5.0]}, "greater_than[1]: a bound at a point whose"),
        ({"impedance__resistance_ohm": [1.6e-3, -1.0]}, "negative far beyond its uncertainty"),
        ({"contact__u_inductance_h": -1e-9}, "contact.u_inductance_h: must not be negative"),
        ({"contact__u_inductance_h": ...}, "contact.u_inductance_h: missing"),
        ({"dc_resistance__u_ohm": ...}, "u_ohm: missing: without its uncertainty"),
        ({"dc_resistance__u_ohm": 0}, "u_ohm: must be above zero"),
        ({"dc_resistance__u_ohm": -1e-5}, "u_ohm: must be above zero"),
        ({"dc_resistance__value_ohm": None}, "value_ohm: null needs a status"),
        ({"dc_resistance__value_ohm": -1.5e-3}, "negative far beyond its uncertainty"),
        ({"dc_resistance__status": "over-range"}, "has a value though its status is 'over-range'"),
        ({"dc_resistance__greater_than": 1.0}, "a bound though the status is 'ok'"),
        (
            {"dc_resistance": {"value_ohm": None, "status": "over-range"}},
            "greater_than: missing (or less_than): how far could the bench see",
        ),
        ({"dc_resistance__temperature": 24}, "unknown key; did you mean temperature_c?"),
        ({"bias": [{"current_a": 1, "inductance_h": 1e-6}]}, "bias[0].u_inductance_h: missing"),
        ({"bias": {}}, "bias: must be a list"),
        ({"visual": {"seen": "fin"}}, "visual.seen: must be 'fine' or"),
        ({"visual": "fine"}, "visual: must be a table"),
    ],
)
def test_what_cannot_be_right_is_refused_with_key_and_reason(
    changes: dict[str, Any], said: str
) -> None:
    assert said in message_of(example(**changes))


def test_a_small_negative_resistance_of_a_large_reactance_is_left_to_the_judge() -> None:
    data = example(
        impedance__resistance_ohm=[1.6e-3, -0.01], impedance__u_resistance_ohm=[2e-4, 3e-4]
    )
    assert isinstance(read_one(data), Readings)


def test_a_bias_current_stands_again_only_as_a_repeat() -> None:
    point = {"current_a": 10.0, "inductance_h": 4.4e-7, "u_inductance_h": 1e-9}
    assert "stands twice" in message_of(example(bias=[point, point]))
    assert "repeats no earlier" in message_of(example(bias=[{**point, "repeat": True}]))
    line = read_one(example(bias=[point, {**point, "repeat": True}]))
    assert isinstance(line, Readings)
    assert [each.repeat for each in line.bias] == [False, True]


def test_every_mistake_of_a_line_stands_in_its_one_problem() -> None:
    line = read_one(
        example(
            temperature_c=300,
            impedence={},
            dc_resistance__value_ohm=None,
            impedance__frequency_hz=[1e3, 1e3],
            impedance__u_reactance_ohm=[0, 1],
        )
    )
    assert isinstance(line, Problem)
    assert line.line == 1
    for key in (
        "temperature_c", "impedence", "dc_resistance.value_ohm", "impedance.frequency_hz[1]",
        "impedance.u_reactance_ohm[0]",
    ):  # fmt: skip
        assert f"{key}: " in line.message


def test_a_long_array_with_one_mistake_made_often_is_told_once() -> None:
    count = 500
    data = example(
        impedance={
            "frequency_hz": [1.0 + index for index in range(count)],
            "resistance_ohm": [1.0] * count,
            "reactance_ohm": [1.0] * count,
            "u_resistance_ohm": [0.0] * count,
            "u_reactance_ohm": [1.0] * count,
        }
    )
    assert message_of(data).count("uncertainty") == 1
    assert "(and 499 more)" in message_of(data)


def test_an_insulation_is_read_with_its_bound() -> None:
    entry = {"voltage_v": 25.0, "resistance_ohm": None, "status": "over-range",
             "greater_than": 1e10}  # fmt: skip
    found = readings_from_json(
        {"schema": "readings/1", "specimen": "L3", "type": "c", "insulation": [entry]}
    )
    assert found.insulation[0].greater_than_ohm == 1e10
    assert found.insulation[0].path == "winding-core"


@pytest.mark.parametrize(
    ("entry", "said"),
    [
        ({"voltage_v": 25.0, "resistance_ohm": 1e6}, "uncertainty"),
        ({"voltage_v": 25.0, "resistance_ohm": -1e6, "u_ohm": 1e3}, "negative far beyond"),
        ({"voltage_v": 25.0, "resistance_ohm": None, "status": "over-range"}, "greater_than"),
        ({"voltage_v": 25.0, "resistance_ohm": 1e6, "u_ohm": 1e3, "less_than": 2e6}, "a bound"),
        ({"voltage_v": 25.0, "resistance_ohm": None}, "status"),
    ],
)
def test_an_insulation_that_cannot_be_is_refused(entry: dict[str, object], said: str) -> None:
    data = {"schema": "readings/1", "specimen": "L3", "type": "c", "insulation": [entry]}
    assert said in message_of(data)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (EXAMPLE[:-1], "not JSON"),
        ("[]", "must be a JSON object"),
        ("null", "must be a JSON object"),
        (EXAMPLE.replace("1.52e-3", "NaN"), "NaN is no JSON number"),
        (EXAMPLE.replace("1.52e-3", "1e999"), "beyond any number"),
        (EXAMPLE.replace('"lot"', '"type"'), "'type' stands twice"),
    ],
)
def test_a_line_that_is_no_strict_json_object_is_a_problem(text: str, said: str) -> None:
    assert said in message_of(text)


def test_a_bad_line_is_reported_in_its_place_and_the_others_are_read() -> None:
    lines = [
        "\ufeff" + EXAMPLE,
        "",
        "{",
        EXAMPLE.replace("D7", "D8") + "\r\n",
        EXAMPLE,
        EXAMPLE.replace('"test"', '"sibling"'),
    ]
    found = list(read_readings(lines, file="r.jsonl"))
    assert [type(each) for each in found] == [Readings, Problem, Readings, Problem, Readings]
    assert [each.line for each in found] == [1, 3, 4, 5, 6]
    duplicate = found[3]
    assert isinstance(duplicate, Problem)
    assert "came before" in duplicate.message


def test_a_duplicate_is_found_across_files_that_share_what_was_seen() -> None:
    seen: set[tuple[str, str]] = set()
    assert [type(each) for each in read_readings([EXAMPLE], file="a", seen=seen)] == [Readings]
    assert [type(each) for each in read_readings([EXAMPLE], file="b", seen=seen)] == [Problem]


def test_a_line_that_could_not_be_read_does_not_take_its_id() -> None:
    bad = json.dumps(example(temperature_c=300))
    assert [type(each) for each in read_readings([bad, EXAMPLE], file="a")] == [Problem, Readings]


def test_reading_streams_and_asks_for_no_line_before_its_turn() -> None:
    asked: list[int] = []

    def endless() -> Iterator[str]:
        number = 0
        while True:
            asked.append(number)
            yield EXAMPLE.replace("D7", f"D{number}")
            number += 1

    reader = read_readings(endless(), file="a")
    for _ in range(3):
        assert isinstance(next(reader), Readings)
    assert asked == [0, 1, 2]


@given(st.text(max_size=60) | st.text(alphabet='{}[]":,0123456789.eE-nulltrfas ', max_size=60))
def test_any_text_is_read_or_is_a_problem_of_its_line(text: str) -> None:
    for each in read_readings([text], file="a"):
        assert each.line == 1


@given(readings_samples())
@settings(max_examples=200)
def test_what_was_written_reads_back_the_same(readings: Readings) -> None:
    text = json.dumps(readings_to_json(readings), allow_nan=False)
    (again,) = read_readings([text], file="a")
    assert again == readings
    assert readings_from_json(readings_to_json(readings)) == readings


def test_infinitely_many_degrees_of_freedom_are_what_an_absent_entry_means() -> None:
    readings = Readings("D7", "c", dc_resistance=DcResistance(1.0, 0.1, 25.0, dof=math.inf))
    assert "dof" not in readings_to_json(readings)["dc_resistance"]


def test_nan_is_never_written() -> None:
    readings = Readings("D7", "c", dc_resistance=DcResistance(math.nan, 0.1, 25.0))
    with pytest.raises(ValueError, match="NaN"):
        readings_to_json(readings)


def test_reading_an_object_tells_every_problem() -> None:
    with pytest.raises(FileProblems) as found:
        readings_from_json(example(specimen=..., type=...), file="journal", line=4)
    assert [(p.file, p.line, p.key) for p in found.value.problems] == [
        ("journal", 4, "specimen"),
        ("journal", 4, "type"),
    ]


JUDGEMENT = Judgement(
    specimen="D7",
    type="coil-470n",
    disposition="unfit",
    findings=(
        Finding(
            fault="shorted-turn",
            path=None,
            grade="sure",
            probability=0.9999,
            alternatives=("lossy-core",),
            because="inductance falls from 470 nH at 1 kHz to 41 nH at 100 kHz",
            details={
                "short_resistance_ohm": {"value": 5e-3, "lower": 4e-3, "upper": 7e-3},
                "shorted_turns": 1,
                "corner_hz": 3.1e4,
                "frequencies_used_hz": (1e5, 1e3),
            },
        ),
    ),
    characteristics=(
        Characteristic(
            name="inductance",
            conditions={"frequency_hz": 1e5},
            value=4.1e-8,
            unit="H",
            expanded_uncertainty=2e-9,
            coverage=0.95,
            lower=3.76e-7,
            upper=5.64e-7,
            verdict="fails",
            probability_conforming=0.0,
        ),
    ),
    would_decide=(WouldDecide("use-multimeter", "measure the dc resistance with the multimeter"),),
    remarks=("the type is assumed",),
    band={"frequency_hz": (1e3,)},
)

# the example that defines the format
VERDICT = (
    '{"schema": "verdict/1", "specimen": "D7", "type": "coil-470n", "disposition": "unfit",'
    ' "findings": [{"fault": "shorted-turn", "path": null, "grade": "sure",'
    ' "probability": 0.9999, "alternatives": ["lossy-core"],'
    ' "because": "inductance falls from 470 nH at 1 kHz to 41 nH at 100 kHz",'
    ' "details": {"short_resistance_ohm": {"value": 5e-3, "lower": 4e-3, "upper": 7e-3},'
    ' "shorted_turns": 1, "corner_hz": 3.1e4, "frequencies_used_hz": [1e5, 1e3]}}],'
    ' "characteristics": [{"name": "inductance", "conditions": {"frequency_hz": 1e5},'
    ' "value": 4.1e-8, "unit": "H", "expanded_uncertainty": 2e-9, "coverage": 0.95,'
    ' "lower": 3.76e-7, "upper": 5.64e-7, "verdict": "fails", "probability_conforming": 0.0,'
    ' "status": "ok"}],'
    ' "would_decide": [{"action": "use-multimeter",'
    ' "text": "measure the dc resistance with the multimeter"}]}'
)


def test_a_judgement_is_written_as_the_format_gives_it() -> None:
    written = judgement_to_json(JUDGEMENT)
    assert written == json.loads(VERDICT)
    assert list(written) == list(json.loads(VERDICT))


def test_a_verdict_reads_back_as_its_judgement() -> None:
    data = json.loads(json.dumps(judgement_to_json(JUDGEMENT), allow_nan=False))
    again = judgement_from_json({**data, "remarks": ["the type is assumed"]})
    finding = JUDGEMENT.findings[0]
    details = {**finding.details, "frequencies_used_hz": [1e5, 1e3]}
    assert again == evolve(JUDGEMENT, band=None, findings=(evolve(finding, details=details),))


def test_a_verdict_of_another_schema_is_refused() -> None:
    with pytest.raises(FileProblems, match="verdict/1"):
        judgement_from_json({**json.loads(VERDICT), "schema": "verdict/2"})


def test_a_problem_is_written_with_its_key_and_suggestion_in_the_message() -> None:
    assert problem_to_json(Problem("a.jsonl", "unknown key", "impedence", 12, "impedance")) == {
        "schema": "problem/1",
        "file": "a.jsonl",
        "line": 12,
        "message": "impedence: unknown key; did you mean impedance?",
    }


def test_numpy_numbers_are_written_as_plain_ones_and_no_bound_as_null() -> None:
    data = plain({"a": np.float64(1.5), "b": np.arange(2), "c": np.int64(3), "d": math.inf})
    assert json.dumps(data) == '{"a": 1.5, "b": [0, 1], "c": 3, "d": null}'
    with pytest.raises(TypeError):
        plain({"a": object()})


def test_a_visual_check_reads_as_seen() -> None:
    line = read_one(example(visual={"seen": "cracked"}))
    assert isinstance(line, Readings)
    assert line.visual == Visual("cracked")
