"""Check plan files and CSV files of gauge studies: what is read, and every mistake told.

Does not cover: the bench (tests/end_to_end/test_gauge.py), the statistics (tests/lots).
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import jsonschema
import pytest

from labbench.errors import FileProblems, InputError
from labbench.jobs.gauge_plan import load_plan, make_plan, save_plan
from labbench.jobs.gauge_report import gauge_json, nested_from_csv, report_from_csv
from labbench.jobs.part_types import find
from labbench.lots.plans import GaugePlan
from labbench.reports.gauge import gauge_page
from labbench.reports.gauge_words import gauge_lines, gauge_verdict
from labbench.schemas import load_schema
from tests.invoking import invoke

REFERENCES = Path(__file__).parents[1] / "references"


def plan(**changes: object) -> GaugePlan:
    wanted: dict[str, object] = {
        "study": "s", "characteristic": "inductance", "frequency_hz": None, "parts": ("D1", "D4"),
        "operators": ("anna",), "trials": 2, "days": 1, "readings": 2, "seed": 3,
    }  # fmt: skip
    return make_plan(find("coil-470n", ()), **{**wanted, **changes})  # type: ignore[arg-type]


def test_a_plan_comes_back_as_it_was_written_and_fits_its_schema(tmp_path: Path) -> None:
    path = tmp_path / "plan.json"
    save_plan(plan(), path)
    jsonschema.validate(json.loads(path.read_text(encoding="utf-8")), load_schema("gauge-plan-1"))
    read = load_plan(path)
    assert (read.entries, read.codes, read.seed) == (plan().entries, plan().codes, 3)


def test_an_inductance_is_studied_where_the_type_has_its_limit() -> None:
    assert plan().frequency_hz == 100e3
    assert plan(frequency_hz=1e6).frequency_hz == 1e6
    assert plan(characteristic="dc-resistance").frequency_hz is None


def test_without_a_seed_one_is_drawn_and_kept() -> None:
    drawn = {plan(seed=None).seed for _ in range(5)}
    assert len(drawn) > 1


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda d: d.update(schema="verdict/1"), "no plan of a gauge study"),
        (lambda d: d.update(trails=3), "trails"),
        (lambda d: d.pop("seed"), "seed"),
        (lambda d: d.update(trials="three"), "trials"),
        (lambda d: d["entries"][0].update(code="Q"), "'Q' stands in the order"),
        (lambda d: d["entries"][0].update(operator="zoe"), "'zoe' stands in the order"),
    ],
)
def test_a_broken_plan_says_what_is_wrong(tmp_path: Path, change: object, says: str) -> None:
    path = tmp_path / "plan.json"
    save_plan(plan(), path)
    data = json.loads(path.read_text(encoding="utf-8"))
    change(data)  # type: ignore[operator]
    path.write_text(json.dumps(data), encoding="utf-8")
    with pytest.raises(FileProblems, match=says):
        load_plan(path)


def test_a_file_that_is_no_json_or_is_not_there_is_named(tmp_path: Path) -> None:
    path = tmp_path / "plan.json"
    with pytest.raises(FileProblems, match=r"plan\.json.*cannot be read"):
        load_plan(path)
    path.write_text("{", encoding="utf-8")
    with pytest.raises(FileProblems, match="not JSON"):
        load_plan(path)


def csv_file(folder: Path, text: str) -> Path:
    path = folder / "study.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_published_study_is_read_by_its_own_column_names() -> None:
    report = report_from_csv(REFERENCES / "aiag_msa_10x3x3.csv", lower=-4.0, upper=4.0)
    assert dict(report.study.levels) == {"part": 10, "operator": 3, "trial": 3}
    # 6 x 0.302372 of 8 (AIAG study, tests/references/README.md)
    assert report.study.components["grr"].tolerance_percent == pytest.approx(22.678, abs=1e-3)
    assert gauge_verdict(report) == (
        "the bench scatters 23 % of the tolerance: good enough for clear cases; parts near a limit "
        "stay undecided; most of it is who measures: agree how the part is held and pressed"
    )
    assert any("one reading is probably a slip" in line for line in gauge_lines(report))


def test_without_limits_the_parts_themselves_are_the_measure() -> None:
    report = report_from_csv(REFERENCES / "aiag_msa_10x3x3.csv")
    assert gauge_verdict(report).startswith("the bench scatters 28 % of what these parts differ by")
    json.dumps(gauge_json(report), allow_nan=False)


def test_every_mistake_of_a_csv_file_is_told_with_its_line(tmp_path: Path) -> None:
    path = csv_file(tmp_path, "part,operator,value\nA,x,1.0\n,x,2\nA,y,1,5\nB,y,nan\n")
    with pytest.raises(FileProblems) as raised:
        report_from_csv(path)
    text = str(raised.value)
    assert "line 3, part: is empty" in text
    assert "line 5, value: 'nan' is no number" in text
    # a decimal comma makes a column too many
    assert "line 4: has more cells than the heading" in text


def test_a_missing_column_is_named_with_what_is_there(tmp_path: Path) -> None:
    path = csv_file(tmp_path, "prt,value\nA,1\n")
    with pytest.raises(FileProblems, match=r"has no column 'part'.*did you mean prt"):
        report_from_csv(path)
    with pytest.raises(FileProblems, match="cannot be read"):
        report_from_csv(tmp_path / "none.csv")
    with pytest.raises(FileProblems, match="'six' is no number of readings"):
        nested_from_csv(csv_file(tmp_path, "run,part,value,sd,n\n1,A,1,0.1,six\n"))


def test_missing_cells_are_listed(tmp_path: Path) -> None:
    path = csv_file(tmp_path, "part,operator,value\nA,x,1\nA,x,2\nB,x,3\nB,x,4\nA,y,1\nA,y,2\n")
    with pytest.raises(InputError, match="part B, operator y: 0 of 2 readings"):
        report_from_csv(path)


def test_limits_the_wrong_way_round_are_refused() -> None:
    with pytest.raises(InputError, match="not below"):
        report_from_csv(REFERENCES / "aiag_msa_10x3x3.csv", lower=4.0, upper=-4.0)


def test_a_page_escapes_what_a_file_says_and_is_the_same_each_time(tmp_path: Path) -> None:
    rows = [f"<b>{p}</b>,{o},{p * 10 + o + t / 3}" for p in range(3) for o in range(2)
            for t in range(2)]  # fmt: skip
    path = csv_file(tmp_path, "\n".join(["part,operator,value", *rows]))
    report = report_from_csv(path, unit="ohm")
    page = gauge_page(report)
    assert "<b>" not in page
    assert page == gauge_page(report)


def test_options_that_do_not_go_together_are_refused(tmp_path: Path) -> None:
    plan_file = tmp_path / "plan.json"
    save_plan(plan(), plan_file)
    said = invoke("gauge", "report", data=tmp_path)
    assert said.code == 2
    assert "either a PLAN or --csv" in said.err
    said = invoke("gauge", "report", plan_file, "--unit", "H", data=tmp_path)
    assert said.code == 2
    assert "go with --csv" in said.err


def test_the_command_writes_the_page_where_it_says(tmp_path: Path) -> None:
    shutil.copy(REFERENCES / "aiag_msa_10x3x3.csv", tmp_path / "published.csv")
    said = invoke("gauge", "report", "--csv", tmp_path / "published.csv", data=tmp_path / "data")
    assert said.code == 0, said.err
    page = Path(said.out.rsplit("page: ", 1)[1].strip())
    assert page == tmp_path / "data" / "reports" / "gauge-published.html"
    assert "By operator" in page.read_text(encoding="utf-8")
