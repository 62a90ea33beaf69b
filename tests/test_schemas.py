"""Check the JSON Schemas against the data classes, both ways: names, needs, choices, samples.

Does not cover: rules between fields, which the schemas leave to the readers; TOML as text (its data
are checked, a date as ISO text).
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterator, Mapping
from datetime import date
from pathlib import Path
from typing import Any, Literal, get_args, get_origin

import attrs
import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labbench.bench.bench_file import BenchFile
from labbench.errors import FileProblems, Problem
from labbench.jobs.gauge_plan import PlanFile
from labbench.parts.coil_type import _CoilFile
from labbench.parts.library import shipped_directory
from labbench.parts.mosfet_type import _MosfetFile
from labbench.parts.stage_type import _StageFile
from labbench.records.journal import Journal
from labbench.records.journal_file import KINDS, VERSION, JournalEvent
from labbench.records.part_life import BoardPlace
from labbench.records.rail_file import RailFile
from labbench.records.readings_file import (
    judgement_to_json,
    problem_to_json,
    readings_from_json,
    readings_to_json,
)
from labbench.records.readings_tables import ReadingsTable
from labbench.records.verdict_json import _VerdictTable
from labbench.reports.load_json import _FirstPowerTable, _LoadTable
from labbench.results import (
    BiasPoint,
    BodyDiode,
    Breakdown,
    Capacitance,
    Contact,
    DcResistance,
    DrainLeakage,
    GateLeakage,
    Impedance,
    Insulation,
    Judgement,
    LoadReading,
    OnResistance,
    Readings,
    ShortCheck,
    StageReading,
    Threshold,
    Visual,
)
from labbench.schemas import SCHEMA_NAMES, load_schema
from tests.bench.test_bench_file import SMALLEST, WHOLE
from tests.parts.test_coil_type import WHOLE as WHOLE_COIL
from tests.records.samples import judgement_samples, readings_samples

#: what the tool itself keeps beside the verdict in its own records, and never prints
NOT_IN_SCHEMA = {"verdict-1": {"remarks"}}


def validator(name: str) -> jsonschema.Draft202012Validator:
    return jsonschema.Draft202012Validator(
        load_schema(name), format_checker=jsonschema.Draft202012Validator.FORMAT_CHECKER
    )


def valid(name: str, data: Any) -> bool:
    return not [error.message for error in validator(name).iter_errors(data)]


def pairs(
    schema: Mapping[str, Any], cls: type, root: Mapping[str, Any], where: str
) -> Iterator[tuple[str, Mapping[str, Any], type]]:
    """Walk a schema and a data class together: every table with the class that reads it."""
    yield where, schema, cls
    attrs.resolve_types(cls)
    for attribute in attrs.fields(cls):
        key = attribute.metadata.get("key", attribute.name)
        inner = next(classes_in(attribute.type), None)
        # a field with a reader of its own is text in the file
        own = {"each", "read"} & set(attribute.metadata)
        if inner is None or own or key not in schema["properties"]:
            continue
        yield from pairs(table_in(schema["properties"][key], root), inner, root, f"{where}.{key}")


def classes_in(kind: Any) -> Iterator[type]:
    if attrs.has(kind):
        yield kind
    else:
        for argument in get_args(kind):
            yield from classes_in(argument)


def table_in(schema: Mapping[str, Any], root: Mapping[str, Any]) -> Mapping[str, Any]:
    if "$ref" in schema:
        target: Mapping[str, Any] = root
        for step in schema["$ref"].removeprefix("#/").split("/"):
            target = target[step]
        return table_in(target, root)
    if "oneOf" in schema:
        return table_in(schema["oneOf"][0], root)
    return table_in(schema["items"], root) if "items" in schema else schema


FORMATS: list[tuple[str, type]] = [
    ("readings-1", ReadingsTable),
    ("verdict-1", _VerdictTable),
    ("part-type-1", _CoilFile),
    ("part-type-mosfet-1", _MosfetFile),
    ("part-type-power-stage-1", _StageFile),
    ("bench-1", BenchFile),
    ("gauge-plan-1", PlanFile),
    ("load-1", _LoadTable),
    ("first-power-1", _FirstPowerTable),
    ("rail-1", RailFile),
]
TABLES = [
    pytest.param(name, table, cls, id=where)
    for name, top in FORMATS
    for where, table, cls in pairs(load_schema(name), top, load_schema(name), name)
]


def keys(cls: type, name: str) -> dict[str, attrs.Attribute[Any]]:
    out = NOT_IN_SCHEMA.get(name, set())
    return {
        attribute.metadata.get("key", attribute.name): attribute
        for attribute in attrs.fields(cls)
        if not attribute.metadata.get("omit") and attribute.name not in out
    }


def test_every_table_of_every_format_is_walked() -> None:
    walked = {parameter.id for parameter in TABLES}
    assert {
        "readings-1.impedance", "readings-1.contact", "readings-1.dc_resistance",
        "readings-1.bias", "readings-1.insulation", "readings-1.visual", "readings-1.short_check",
        "readings-1.gate_leakage", "readings-1.drain_leakage", "readings-1.body_diode",
        "readings-1.threshold", "readings-1.on_resistance", "readings-1.breakdown",
        "readings-1.capacitance", "readings-1.stage", "readings-1.load", "verdict-1.findings",
        "verdict-1.characteristics",
        "verdict-1.would_decide", "part-type-1.limits.inductance",
        "part-type-1.limits.dc_resistance", "part-type-1.limits.saturation", "part-type-1.core",
        "part-type-1.limits.insulation",
        "part-type-mosfet-1.limits.on_resistance", "part-type-power-stage-1.limits.leakage",
        "part-type-1.absolute_maximum", "part-type-1.population.inductance",
        "bench-1.instruments.impedance_meter", "bench-1.instruments.supply",
        "bench-1.instruments.multimeter", "bench-1.instruments.switch", "bench-1.fixture",
        "bench-1.fixture.bias_network",
        "bench-1.limits", "bench-1.simulation", "gauge-plan-1.entries",
        "load-1.resistance_ohm", "load-1.phases", "load-1.would_decide", "first-power-1.steps",
    } <= walked  # fmt: skip


@pytest.mark.parametrize(("name", "table", "cls"), TABLES)
def test_a_table_has_the_keys_of_its_class_and_no_other(
    name: str, table: Mapping[str, Any], cls: type
) -> None:
    assert set(table["properties"]) == set(keys(cls, name))
    assert table["additionalProperties"] is False


@pytest.mark.parametrize(("name", "table", "cls"), TABLES)
def test_a_table_needs_what_its_class_needs(name: str, table: Mapping[str, Any], cls: type) -> None:
    needed = {key for key, each in keys(cls, name).items() if each.default is attrs.NOTHING}
    if name == "verdict-1":
        # what a verdict says, it always says in full
        assert set(table["required"]) == set(keys(cls, name))
    else:
        assert set(table.get("required", ())) == needed


@pytest.mark.parametrize(("name", "table", "cls"), TABLES)
def test_a_choice_of_words_is_the_same_in_both(
    name: str, table: Mapping[str, Any], cls: type
) -> None:
    for key, attribute in keys(cls, name).items():
        choices = literal_in(attribute.type)
        schema = table["properties"][key]
        schema = schema.get("items", schema) if "enum" not in schema else schema
        if choices:
            assert set(schema.get("enum", [schema.get("const")])) == set(choices)


def literal_in(kind: Any) -> tuple[Any, ...]:
    if get_origin(kind) is Literal:
        return get_args(kind)
    if attrs.has(kind):
        return ()
    for argument in get_args(kind):
        if found := literal_in(argument):
            return found
    return ()


@pytest.mark.parametrize(
    ("block", "cls"),
    [
        ("impedance", Impedance),
        ("contact", Contact),
        ("dc_resistance", DcResistance),
        ("bias", BiasPoint),
        ("insulation", Insulation),
        ("visual", Visual),
        ("short_check", ShortCheck),
        ("gate_leakage", GateLeakage),
        ("drain_leakage", DrainLeakage),
        ("body_diode", BodyDiode),
        ("threshold", Threshold),
        ("on_resistance", OnResistance),
        ("breakdown", Breakdown),
        ("capacitance", Capacitance),
        ("stage", StageReading),
        ("load", LoadReading),
        (None, Readings),
    ],
)
def test_the_shared_data_hold_what_a_readings_file_holds(block: str | None, cls: type) -> None:
    schema = load_schema("readings-1")
    table = table_in(schema["properties"][block], schema) if block else schema
    names = {attribute.name for attribute in attrs.fields(cls)}
    in_file = {re.sub("_than_(ohm|a|v)$", "_than", name) for name in names} - {"line"}
    assert in_file == set(table["properties"]) - {"schema"}


@pytest.mark.parametrize("name", SCHEMA_NAMES)
def test_every_schema_is_itself_valid(name: str) -> None:
    schema = load_schema(name)
    jsonschema.Draft202012Validator.check_schema(schema)
    assert schema["$id"] == f"urn:labbench:{name}"


def test_every_schema_file_is_listed() -> None:
    folder = Path(__file__).parent.parent / "labbench" / "schemas"
    assert {path.stem for path in folder.glob("*.json")} == set(SCHEMA_NAMES)
    with pytest.raises(ValueError, match="no schema"):
        load_schema("readings-2")


@given(readings_samples())
@settings(max_examples=150)
def test_whatever_readings_are_written_the_schema_takes(readings: Readings) -> None:
    validator("readings-1").validate(json.loads(json.dumps(readings_to_json(readings))))


@given(judgement_samples())
@settings(max_examples=100)
def test_whatever_judgement_is_written_the_schema_takes(judgement: Judgement) -> None:
    validator("verdict-1").validate(json.loads(json.dumps(judgement_to_json(judgement))))


@given(
    st.builds(
        Problem,
        file=st.text(),
        message=st.text(min_size=1),
        key=st.none() | st.text(),
        line=st.none() | st.integers(1, 10**6),
        suggestion=st.none() | st.text(),
    )
)
def test_whatever_problem_is_written_the_schema_takes(problem: Problem) -> None:
    validator("problem-1").validate(problem_to_json(problem))


@given(readings_samples(), st.data())
@settings(max_examples=150)
def test_readings_with_a_value_of_another_type_are_refused_by_both(
    readings: Readings, data: st.DataObject
) -> None:
    written = readings_to_json(readings)
    key = data.draw(st.sampled_from(sorted(written)))
    others = [[1, "x"], {"x": 1}] if key == "cleaned" else [True, [1, "x"], {"x": 1}]
    written[key] = data.draw(st.sampled_from(others))
    assert not valid("readings-1", written)
    with pytest.raises(FileProblems, match=key):
        readings_from_json(written)


@pytest.mark.parametrize("path", sorted(shipped_directory().glob("*.toml")), ids=lambda p: p.stem)
def test_every_shipped_part_type_fits_its_schema(path: Path) -> None:
    data = tomllib.loads(path.read_text(encoding="utf-8"))
    family = "" if data["family"] == "coil" else f"-{data['family']}"
    validator(f"part-type{family}-1").validate(data)


def as_json(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: as_json(item) for key, item in value.items()}
    if isinstance(value, list):
        return [as_json(item) for item in value]
    return value.isoformat() if isinstance(value, date) else value


@pytest.mark.parametrize("text", [WHOLE, SMALLEST], ids=["whole", "smallest"])
def test_a_bench_file_that_reads_fits_its_schema(text: str) -> None:
    validator("bench-1").validate(as_json(tomllib.loads(text)))


@pytest.mark.parametrize(
    ("name", "text", "old", "new"),
    [
        ("bench-1", WHOLE, "mains", "mians"),
        ("bench-1", WHOLE, "channels = 2", 'channels = "2"'),
        ("bench-1", WHOLE, 'D3 = "(@103)"', 'D3 = "103"'),
        ("bench-1", WHOLE, "risk = 0.05", "risk = 1"),
        ("bench-1", WHOLE, "calibrated = 2026-03-01", 'calibrated = "March"'),
        ("part-type-1", WHOLE_COIL, '"powder"', '"wood"'),
        ("part-type-1", WHOLE_COIL, "turns = 4", "turns = 0"),
        ("part-type-1", WHOLE_COIL, 'frequency = "100 kHz", ', ""),
    ],
)
def test_what_the_reader_refuses_for_its_shape_the_schema_refuses(
    name: str, text: str, old: str, new: str
) -> None:
    assert old in text
    assert not valid(name, as_json(tomllib.loads(text.replace(old, new))))


class TestJournal:
    """Check the events of a journal."""

    def test_the_envelope_and_the_kinds_are_those_of_the_writer(self) -> None:
        schema = load_schema("journal-1")
        names = {attribute.name for attribute in attrs.fields(JournalEvent)}
        assert set(schema["properties"]) == names
        assert set(schema["required"]) == names
        assert schema["properties"]["kind"]["enum"] == list(KINDS)
        assert schema["properties"]["version"]["const"] == VERSION

    def test_a_journal_as_written_fits_line_by_line(self, tmp_path: Path) -> None:
        path = tmp_path / "run.jsonl"
        with Journal.create(path, {"job": "verify"}) as journal:
            journal.write("step-begun", step="pair#1", name="pair", detail={})
            journal.write("about-to-energise", channel=1)
            journal.write("energised", channel=1)
            journal.write("reading", step="pair#1", value=1.0)
            journal.write("void", step="pair#1", readings=[4], reason="LinkLost: gone")
            journal.write("step-ended", step="pair#1", clean=False, reason="LinkLost: gone")
            journal.write("off", channel=1, confirmed=True)
            journal.write(
                "shelf", what="fitted", who="anna", specimen="D4",
                place=BoardPlace(board="radar-supply", serial="12", rail="core", phase="2"),
            )  # fmt: skip
        lines = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
        assert [line["kind"] for line in lines][-1] == "closed"
        for line in lines:
            validator("journal-1").validate(line)

    @pytest.mark.parametrize(
        ("kind", "data"),
        [
            ("energised", {}),
            ("off", {"channel": 0}),
            ("step-ended", {"step": "a#1"}),
            ("void", {"step": "a#1", "readings": [-1], "reason": "x"}),
            ("closed", {"status": "done", "reason": None}),
            ("amended", {"run": "x", "what": "void", "who": "x", "why": ""}),
            ("shelf", {"what": "fitted", "who": "anna", "specimen": "D4"}),
            ("shelf", {"what": "scrapped", "who": "anna", "specimen": "D4", "why": None}),
            ("shelf", {"what": "returned", "who": "anna"}),
            ("shelf", {"what": "lost", "who": "anna", "specimen": "D4"}),
            ("dreamed", {}),
        ],
    )
    def test_an_event_without_what_its_readers_need_is_refused(
        self, kind: str, data: dict[str, Any]
    ) -> None:
        event = {
            "version": 1, "sequence": 0, "utc": "2026-11-25T08:00:00Z", "monotonic": 1.0,
            "kind": kind, "data": data,
        }  # fmt: skip
        assert not valid("journal-1", event)
