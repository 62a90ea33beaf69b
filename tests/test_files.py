"""Check how TOML and JSON become data, and that every problem of a file is told at once.

Does not cover: any particular format (tests/parts, tests/bench, tests/records); that the line of
an entry inside an inline table or a multi-line text is exact (its table's line is given instead).
"""

from __future__ import annotations

import json
import math
import tomllib
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any, Literal

import pytest
from attrs import field, frozen
from hypothesis import given
from hypothesis import strategies as st

from labbench.errors import FileProblems, InputError, Problem
from labbench.files import (
    MistakeError,
    MistakesError,
    load_toml,
    nearest,
    parse_json_line,
    read_toml,
    structure,
)


def below_ten(value: float) -> None:
    if value >= 10:
        raise MistakeError("must be below ten", suggestion="9")


def upper_case(value: Any) -> str:
    if not isinstance(value, str):
        raise MistakeError("must be text")
    return value.upper()


@frozen(kw_only=True)
class Inner:
    length: float = field(metadata={"unit": "s", "missing": "nothing lasts no time"})
    class_: str = field(default="none", metadata={"key": "class"})


@frozen(kw_only=True)
class Outer:
    name: str
    count: int = 0
    ratio: float = field(default=0.0, metadata={"unit": "%"})
    frequency_hz: float | None = field(
        default=None, metadata={"key": "frequency", "unit": "Hz", "plain": True}
    )
    steps: tuple[float, ...] = field(default=(), metadata={"unit": "s"})
    small: float = field(default=1.0, metadata={"check": below_ten})
    colour: Literal["red", "green"] = "red"
    on: bool = False
    day: date | None = None
    inner: Inner | None = None
    inners: tuple[Inner, ...] = field(default=(), metadata={"single": True})
    loud: Mapping[str, str] = field(factory=dict, metadata={"each": upper_case})
    values: tuple[float | None, ...] = ()
    numbers: Mapping[str, int] = field(factory=dict)
    hidden: str = field(default="", metadata={"omit": True})

    def __attrs_post_init__(self) -> None:
        if self.name == "pair":
            raise MistakesError([("count", "does not go with pair"), ("", "is a pair")])


def problems_of(data: dict[str, Any], cls: type = Outer) -> list[Problem]:
    with pytest.raises(FileProblems) as found:
        structure(data, cls, file="f.toml")
    return found.value.problems


def told(data: dict[str, Any]) -> dict[str | None, str]:
    return {problem.key: problem.message for problem in problems_of(data)}


def test_a_whole_file_becomes_data_in_si() -> None:
    data = tomllib.loads("""
        name = "x"
        count = 3
        ratio = "20 %"
        frequency = "150 kHz"
        steps = ["1 ms", "2 s"]
        colour = "green"
        on = true
        day = 2026-03-01
        inner = { length = "5 s", class = "best" }
        inners = [{ length = "1 s" }, { length = "2 s" }]
        values = [1, 2.5]
        [loud]
        a = "b"
        [numbers]
        one = 1
    """)
    assert structure(data, Outer, file="f.toml") == Outer(
        name="x",
        count=3,
        ratio=0.2,
        frequency_hz=150e3,
        steps=(1e-3, 2.0),
        colour="green",
        on=True,
        day=date(2026, 3, 1),
        inner=Inner(length=5.0, class_="best"),
        inners=(Inner(length=1.0), Inner(length=2.0)),
        values=(1.0, 2.5),
        loud={"a": "B"},
        numbers={"one": 1},
    )


def test_a_bare_number_is_taken_only_where_the_field_says_so() -> None:
    assert structure({"name": "x", "frequency": 5}, Outer, file="f").frequency_hz == 5.0
    assert told({"name": "x", "ratio": 0.2}) == {
        "ratio": "must be text with its unit, like '20 %', not a number (0.2)"
    }


def test_a_single_table_stands_for_a_list_of_one() -> None:
    made = structure({"name": "x", "inners": {"length": "1 s"}}, Outer, file="f")
    assert made.inners == (Inner(length=1.0),)
    assert told({"name": "x", "inners": {"length": "1 m"}}).keys() == {"inners.length"}
    assert told({"name": "x", "inners": [{"length": "1 m"}]}).keys() == {"inners[0].length"}


def test_every_problem_comes_at_once_with_its_key_and_what_was_meant() -> None:
    problems = problems_of(
        {
            "nmae": "x",
            "count": 1.5,
            "ratio": "20,5 %",
            "steps": ["1 ms", "2 sec", "x"],
            "small": 11.0,
            "colour": "gren",
            "on": "yes",
            "day": "2026-03-01",
            "inner": {"clas": "best"},
            "inners": [{"length": "1 s"}, {"length": 4}],
            "loud": {"a": 3},
            "values": [1.0, "2"],
            "numbers": {"one": True},
        }
    )
    found = {problem.key: problem for problem in problems}
    assert set(found) == {
        "name", "nmae", "count", "ratio", "steps[1]", "steps[2]", "small", "colour", "on", "day",
        "inner.length", "inner.clas", "inners[1].length", "loud.a", "values[1]", "numbers.one",
    }  # fmt: skip
    assert found["name"].message == "missing"
    assert found["inner.length"].message == "missing: nothing lasts no time"
    assert found["nmae"].suggestion == "name"
    assert found["inner.clas"].suggestion == "class"
    assert found["colour"].suggestion == "'green'"
    assert found["small"].suggestion == "9"
    assert "'20.5 %'" in found["ratio"].message
    assert all(problem.file == "f.toml" for problem in problems)


@pytest.mark.parametrize(
    ("key", "value", "message"),
    [
        ("count", True, "must be a whole number, not true or false (True)"),
        ("count", "3", "must be a whole number, not text ('3')"),
        ("name", 3, "must be text, not a whole number (3)"),
        ("on", 1, "must be true or false, not a whole number (1)"),
        ("small", "1.5", "must be a number, not text ('1.5')"),
        ("small", False, "must be a number, not true or false (False)"),
        ("small", math.nan, "must be a finite number, not nan"),
        ("small", math.inf, "must be a finite number, not inf"),
        ("small", 10**400, "must be a finite number, not inf"),
        ("steps", "1 s", "must be a list, not text ('1 s')"),
        ("inner", [], "must be a table, not a list"),
        ("loud", "x", "must be a table, not text ('x')"),
        ("colour", 1, "must be 'red' or 'green', not a whole number (1)"),
        ("name", None, "must be text, not null"),
    ],
)
def test_a_value_of_the_wrong_type_is_named_for_what_it_is(
    key: str, value: Any, message: str
) -> None:
    assert told({"name": "x", key: value}) == {key: message}


def test_rules_between_fields_name_each_key() -> None:
    assert told({"name": "pair"}) == {"count": "does not go with pair", None: "is a pair"}


def test_a_field_that_the_file_does_not_hold_is_an_unknown_key() -> None:
    (problem,) = problems_of({"name": "x", "hidden": "y"})
    assert (problem.key, problem.message, problem.suggestion) == ("hidden", "unknown key", None)


def test_a_mistake_of_the_program_is_not_told_as_a_mistake_of_the_file() -> None:
    def broken(_: Any) -> Any:
        raise ZeroDivisionError

    @frozen
    class Broken:
        value: int = field(metadata={"read": broken})

    with pytest.raises(ZeroDivisionError):
        structure({"value": 1}, Broken, file="f")


class TestReadToml:
    """Check files on disk."""

    def test_a_syntax_error_has_its_line(self, tmp_path: Path) -> None:
        path = tmp_path / "a.toml"
        path.write_text('schema = 1\nname = "x\n', encoding="utf-8")
        with pytest.raises(FileProblems) as found:
            read_toml(path)
        (problem,) = found.value.problems
        assert problem.file == str(path)
        assert problem.line == 2
        assert problem.message.startswith("not TOML: ")

    def test_a_syntax_error_at_the_end_has_the_last_line(self, tmp_path: Path) -> None:
        path = tmp_path / "a.toml"
        path.write_text("a = 1\nb = [1,", encoding="utf-8")
        with pytest.raises(FileProblems) as found:
            read_toml(path)
        assert found.value.problems[0].line == 2

    def test_a_missing_file_names_its_like(self, tmp_path: Path) -> None:
        (tmp_path / "bench.toml").write_text("", encoding="utf-8")
        with pytest.raises(FileProblems) as found:
            read_toml(tmp_path / "bnech.toml")
        (problem,) = found.value.problems
        assert problem.message == "there is no such file"
        assert problem.suggestion == str(tmp_path / "bench.toml")

    def test_a_missing_folder_is_named(self, tmp_path: Path) -> None:
        with pytest.raises(FileProblems, match="there is no folder"):
            read_toml(tmp_path / "nowhere" / "bench.toml")

    def test_a_folder_is_no_file(self, tmp_path: Path) -> None:
        with pytest.raises(FileProblems, match="is a folder"):
            read_toml(tmp_path)

    def test_text_that_is_not_utf8_has_its_line(self, tmp_path: Path) -> None:
        path = tmp_path / "a.toml"
        path.write_bytes(b'a = 1\nb = "100 \xb5H"\n')
        with pytest.raises(FileProblems, match="not UTF-8") as found:
            read_toml(path)
        assert found.value.problems[0].line == 2

    def test_a_byte_order_mark_does_no_harm(self, tmp_path: Path) -> None:
        path = tmp_path / "a.toml"
        path.write_bytes(b"\xef\xbb\xbfa = 1\r\n")
        assert read_toml(path) == {"a": 1}

    def test_a_huge_file_is_refused_unread(self, tmp_path: Path) -> None:
        path = tmp_path / "a.toml"
        with path.open("wb") as file:
            file.truncate(5_000_000)
        with pytest.raises(FileProblems, match="larger than"):
            read_toml(path)

    def test_endless_nesting_is_a_problem_of_the_file(self, tmp_path: Path) -> None:
        path = tmp_path / "a.toml"
        path.write_text("a = " + "[" * 100_000, encoding="utf-8")
        with pytest.raises(FileProblems):
            read_toml(path)

    def test_problems_with_values_have_their_lines(self, tmp_path: Path) -> None:
        path = tmp_path / "a.toml"
        path.write_text(
            '# first\nname = "x"\nratio = 3\n\n[inner] # here\nclass = 1\n\n'
            '[[inners]]\nlength = "1 s"\n[[inners]]\nlength = 2\n[numbers]\none = "1"\n',
            encoding="utf-8",
        )
        with pytest.raises(FileProblems) as found:
            load_toml(path, Outer)
        assert {problem.key: problem.line for problem in found.value.problems} == {
            "ratio": 3,
            "inner.class": 6,
            "inner.length": 5,
            "inners[1].length": 11,
            "numbers.one": 13,
        }

    def test_the_same_key_of_two_tables_keeps_its_own_line(self, tmp_path: Path) -> None:
        path = tmp_path / "a.toml"
        path.write_text('name = "x"\n[inner]\nlength="1 s"\nname="y"\n', encoding="utf-8")
        with pytest.raises(FileProblems) as found:
            load_toml(path, Outer)
        assert [(p.key, p.line) for p in found.value.problems] == [("inner.name", 4)]


def test_the_nearest_word_ignores_case_and_hyphens() -> None:
    assert nearest("Output-Capacitance", ["output_capacitance", "channels"]) == (
        "output_capacitance"
    )
    assert nearest("zzz", ["output_capacitance"]) is None


class TestParseJsonLine:
    """Check strict JSON (RFC 8259)."""

    @pytest.mark.parametrize(
        ("text", "reason"),
        [
            ("NaN", "NaN is no JSON number"),
            ('{"a": -Infinity}', "-Infinity is no JSON number"),
            ('{"a": 1, "a": 2}', "'a' stands twice"),
            ('{"a": {"b": 1, "b": 1}}', "'b' stands twice"),
            ("1e999", "beyond any number"),
            ("9" * 5000, "not readable"),
            ("[" * 100_000, "nested too deeply"),
            ('"\\ud800"', "surrogate"),
            ('{"a": 1', "not JSON"),
            ("", "not JSON"),
            ("{} {}", "not JSON"),
            ("{'a': 1}", "not JSON"),
        ],
    )
    def test_what_is_no_strict_json_is_refused_with_the_reason(
        self, text: str, reason: str
    ) -> None:
        with pytest.raises(InputError) as refused:
            parse_json_line(text)
        assert reason in refused.value.message

    def test_a_surrogate_pair_is_text(self) -> None:
        assert parse_json_line('"\\ud83d\\ude00"') == "\U0001f600"

    @given(
        st.recursive(
            st.none()
            | st.booleans()
            | st.integers(-(10**20), 10**20)
            | st.floats(allow_nan=False, allow_infinity=False)
            | st.text(),
            lambda inner: (
                st.lists(inner, max_size=3)
                | st.dictionaries(st.text(max_size=5), inner, max_size=3)
            ),
            max_leaves=10,
        )
    )
    def test_what_was_written_strictly_reads_back_the_same(self, value: Any) -> None:
        assert parse_json_line(json.dumps(value, allow_nan=False)) == value

    @given(st.text(max_size=30))
    def test_any_text_is_read_or_refused(self, text: str) -> None:
        try:
            value = parse_json_line(text)
        except InputError:
            return
        assert json.dumps(value, allow_nan=False)
