"""Check the blocks of switches, stages and loads in a readings/1 line.

Does not cover: what the blocks mean (tests/judging), shapes drawn at random
(test_schemas.py).
"""

from __future__ import annotations

import json
from typing import Any

import pytest

from labbench.errors import Problem
from labbench.records.readings_file import read_readings, readings_to_json
from labbench.results import Readings

MOSFET: dict[str, Any] = {
    "schema": "readings/1", "specimen": "Q3", "type": "nfet-30v-5m", "lot": "board-12",
    "role": "sibling", "temperature_c": 25.0,
    "short_check": [{"path": "drain-source", "resistance_ohm": 2.1e8},
                    {"path": "gate-source", "resistance_ohm": 9e8}],
    "gate_leakage": [{"voltage_v": 10.0, "current_a": 2e-10, "u_current_a": 5e-11}],
    "drain_leakage": [{"voltage_v": 3.0, "current_a": 1.8e-9, "u_current_a": 5e-11},
                      {"voltage_v": 24.0, "current_a": 8e-9, "u_current_a": 6e-11},
                      {"voltage_v": 24.0, "current_a": 9e-9, "u_current_a": 6e-11, "repeat": True}],
    "body_diode": [{"current_a": 1e-3, "voltage_v": 0.55, "u_voltage_v": 1e-4}],
    "threshold": [{"current_a": 2.5e-4, "voltage_v": 1.61, "u_voltage_v": 3e-4}],
    "on_resistance": [
        {"gate_source_v": 10.0, "current_a": 3.0, "value_ohm": 4.1e-3, "u_ohm": 2e-5}
    ],
}  # fmt: skip
STAGE: dict[str, Any] = {
    "schema": "readings/1", "specimen": "U3", "type": "stage-25v-50a",
    "stage": [{"step": "hs-leak", "path": "vin-sw",
               "state": {"vdrv_v": 0, "en": 0, "pwm": "open"},
               "value": 8e-9, "unit": "A", "u": 1e-10}],
}  # fmt: skip
LOAD: dict[str, Any] = {
    "schema": "readings/1", "specimen": "board-12", "type": "load", "role": "good",
    "board": "buoy-radar", "rail": "core-1v0",
    "load": [{"voltage_v": 0.1, "current_a": 0.16, "u_current_a": 1e-4}],
}  # fmt: skip


def read_one(data: dict[str, Any]) -> Readings | Problem:
    (line,) = read_readings([json.dumps(data)], file="r.jsonl")
    return line


@pytest.mark.parametrize("data", [MOSFET, STAGE, LOAD])
def test_a_line_comes_back_as_it_was_written(data: dict[str, Any]) -> None:
    line = read_one(data)
    assert isinstance(line, Readings)
    assert read_one(readings_to_json(line)) == line


def test_what_a_mosfets_blocks_hold_is_kept() -> None:
    line = read_one(MOSFET)
    assert isinstance(line, Readings)
    assert [leak.current_a for leak in line.drain_leakage] == [1.8e-9, 8e-9, 9e-9]
    assert [leak.repeat for leak in line.drain_leakage] == [False, False, True]
    assert line.on_resistance[0].value_ohm == 4.1e-3


@pytest.mark.parametrize(
    ("data", "block", "entry", "said"),
    [
        (MOSFET, "drain_leakage", {"voltage_v": 24, "current_a": 1e-9},
         "u_current_a: missing: without its uncertainty"),
        (MOSFET, "drain_leakage", {"voltage_v": -24, "current_a": 1e-9, "u_current_a": 1e-10},
         "voltage_v: must be above zero"),
        (MOSFET, "gate_leakage", {"voltage_v": 0, "current_a": 1e-9, "u_current_a": 1e-10},
         "voltage_v: must not be zero"),
        (MOSFET, "gate_leakage", {"voltage_v": 5, "current_a": None}, "null needs a status"),
        (MOSFET, "threshold", {"current_a": 1e-3, "voltage_v": None, "status": "over-range"},
         "how far could the bench see"),
        (MOSFET, "short_check", {"path": "drain-source", "resistance_ohm": -1.0},
         "must not be negative"),
        (STAGE, "stage", {"step": "hs-leak", "path": "vin-sw", "value": 1, "unit": "W", "u": 1},
         "must be 'A' or 'V' or 'ohm'"),
        (STAGE, "stage", {"step": "s", "path": "p", "value": 1, "unit": "A", "u": 1,
                          "state": {"en": [1]}}, "must be a number or a word"),
        (LOAD, "load", {"voltage_v": 5.0, "current_a": 1, "u_current_a": 0.1},
         "between 0 and 0.5 V"),
    ],
)  # fmt: skip
def test_an_entry_that_cannot_be_right_is_refused_with_the_reason(
    data: dict[str, Any], block: str, entry: dict[str, Any], said: str
) -> None:
    line = read_one({**data, block: [entry]})
    assert isinstance(line, Problem)
    assert said in str(line)


def test_the_same_voltage_twice_needs_the_word_repeat() -> None:
    twice = [MOSFET["drain_leakage"][1], MOSFET["drain_leakage"][1]]
    assert 'a check says "repeat": true' in str(read_one({**MOSFET, "drain_leakage": twice}))
    alone = [MOSFET["drain_leakage"][2]]
    assert "repeats no earlier entry" in str(read_one({**MOSFET, "drain_leakage": alone}))


def test_a_check_of_a_leak_is_read_at_not_quite_the_first_voltage() -> None:
    # what was set is the same; the series resistor takes off what the part draws
    leaks = [
        {"voltage_v": 23.770594, "current_a": 2.38e-6, "u_current_a": 2e-9},
        {"voltage_v": 19.1, "current_a": 7.1e-6, "u_current_a": 2e-9, "repeat": True},
    ]
    line = read_one({**MOSFET, "drain_leakage": leaks})
    assert isinstance(line, Readings)
    assert [leak.repeat for leak in line.drain_leakage] == [False, True]
    elsewhere = [leaks[0], {**leaks[1], "voltage_v": 3.0}]
    assert "repeats no earlier entry" in str(read_one({**MOSFET, "drain_leakage": elsewhere}))
    other_way = [leaks[0], {**leaks[1], "voltage_v": -23.7}]
    assert "repeats no earlier entry" in str(read_one({**MOSFET, "gate_leakage": other_way}))


def test_a_load_says_of_which_rail_and_board_it_is() -> None:
    bare = {key: value for key, value in LOAD.items() if key not in ("board", "rail")}
    message = str(read_one(bare))
    assert "board: missing" in message
    assert "rail: missing" in message


def test_a_good_board_is_no_reference_part() -> None:
    assert "a reference part is a 'sibling'" in str(read_one({**MOSFET, "role": "good"}))
