"""Choose a part for a rail: from the shelf or verdict files, beside neighbours from anywhere.

Expected shares are current dividers by hand. Does not cover the formulas' uncertainty
(tests/judging/test_matching) nor how the ranking looks (tests/reports/test_shelf_words).
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from labbench.compose import data_folder
from labbench.errors import FileProblems, InputError
from labbench.jobs.match import MatchReport, MatchRequest, match_parts
from labbench.jobs.shelf import fit, reserve, return_part, scrap
from labbench.records.part_life import BoardPlace
from labbench.records.readings_file import judgement_to_json, readings_to_json
from labbench.results import DcResistance, Judgement, Readings
from tests.shelf_records import ShelfRecords, characteristic, coil

RAIL = """
schema = 1
rail = "core"
[[phases]]
name = "1"
coil = "1.50 mΩ ±0.4 %"
[[phases]]
name = "2"
coil = "1.50 mΩ ±0.4 %"
"""


@pytest.fixture
def records(tmp_path: Path) -> ShelfRecords:
    return ShelfRecords(data_folder(tmp_path / "data"))


@pytest.fixture
def rail(tmp_path: Path) -> Path:
    path = tmp_path / "rail.toml"
    path.write_text(RAIL, encoding="utf-8")
    return path


def lines(path: Path, *items: Judgement | Readings | str) -> str:
    """Write verdict/1 and readings/1 lines and return the file's name."""
    written = []
    for item in items:
        if isinstance(item, Judgement):
            written.append(json.dumps(judgement_to_json(item)))
        elif isinstance(item, Readings):
            written.append(json.dumps(readings_to_json(item)))
        else:
            written.append(item)
    path.write_text("\n".join(written) + "\n", encoding="utf-8")
    return str(path)


def matched(records: ShelfRecords, **request: Any) -> MatchReport:
    return match_parts(MatchRequest(**request), records.data)


def order(report: MatchReport) -> list[str]:
    return [match.specimen for match in report.matches]


def test_the_part_nearest_to_its_neighbours_is_taken(records: ShelfRecords, rail: Path) -> None:
    """By hand: beside 1.5 and 1.5 mohm, 1.6 mohm shares 3 (1/1.6)/(2/1.5 + 1/1.6) - 1 = -4.26 %."""
    for name, ohms in (("D1", 1.6e-3), ("D2", 1.51e-3), ("D3", 1.4e-3)):
        records.verified(coil(name, ohms))
    report = matched(records, rail_file=rail)
    assert order(report) == ["D2", "D1", "D3"]
    assert report.take == "D2"
    assert report.matches[1].share_error == pytest.approx(-0.04255, abs=1e-4)
    assert (report.rail, report.sensing) == ("core", "dcr")


def test_unfit_and_undecided_parts_are_never_offered_and_plausible_ones_where_asked_for(
    records: ShelfRecords, rail: Path
) -> None:
    for name, word in (("D1", "fit"), ("D2", "unfit"), ("D3", "undecided"), ("D4", "plausible")):
        records.verified(coil(name, 1.5e-3, disposition=word))
    report = matched(records, rail_file=rail)
    assert order(report) == ["D1"]
    assert dict(report.left_out) == {
        "D2": "unfit", "D3": "undecided", "D4": "plausible, not fit (--plausible takes them)",
    }  # fmt: skip
    more = matched(records, rail_file=rail, plausible=True)
    assert order(more) == ["D1", "D4"]
    assert more.words["D4"] == "plausible"


def test_a_struck_verdict_is_no_verdict(records: ShelfRecords, rail: Path) -> None:
    from labbench.jobs.look_up import strike

    records.verified(coil("D1", 1.5e-3))
    records.verified(coil("D2", 1.6e-3))
    strike(records.data, "D1", who="anna", why="wrong part")
    assert order(matched(records, rail_file=rail)) == ["D2"]


def test_parts_that_cannot_be_had_are_left_out_with_the_reason(
    records: ShelfRecords, rail: Path
) -> None:
    for number in range(1, 7):
        records.verified(coil(f"D{number}", 1.5e-3))
    place = BoardPlace(board="radar-supply", serial="12", rail="core", phase="1")
    reserve(records.data, "D1", reserved_for="radio 3", who="anna", now=records.later())
    fit(records.data, "D2", place, who="anna", now=records.later())
    scrap(records.data, "D3", who="anna", why="torn pad", now=records.later())
    fit(records.data, "D4", BoardPlace(board="radar-supply", serial="13", rail="core"), who="anna",
        now=records.later())  # fmt: skip
    return_part(records.data, "D4", who="anna", now=records.later())
    records.check_standard("D5")
    report = matched(records, rail_file=rail)
    assert order(report) == ["D6"]
    left_out = dict(report.left_out)
    assert "reserved for radio 3" in left_out["D1"]
    assert "not verified since" in left_out["D4"]
    assert "check standard" in left_out["D5"]
    assert order(matched(records, rail_file=rail, reserved_for="Radio 3")) == ["D1", "D6"]
    records.verified(coil("D4", 1.52e-3))
    assert order(matched(records, rail_file=rail)) == ["D6", "D4"]


def test_a_resistance_known_too_coarsely_is_told_and_nothing_is_taken(
    records: ShelfRecords, rail: Path
) -> None:
    records.verified(coil("D1", 1.5e-3, 0.014))
    report = matched(records, rail_file=rail)
    assert report.take is None
    assert report.matches[0].is_too_coarse


def test_several_placements_make_a_resistance_fine_enough(
    records: ShelfRecords, rail: Path
) -> None:
    """By hand: touch 0.6 %, rest 0.2 %: u95 1.26 % of one, 2 sqrt(0.2^2 + 0.18) = 0.94 % of two."""
    u95 = 2 * (0.006**2 + 0.002**2) ** 0.5
    records.verified(coil("D1", 1.500e-3, u95), touch_relative=0.006)
    assert matched(records, rail_file=rail).take is None
    records.verified(coil("D1", 1.506e-3, u95), touch_relative=0.006)
    report = matched(records, rail_file=rail)
    assert report.take == "D1"
    assert report.matches[0].resistance_ohm == pytest.approx(1.503e-3)
    assert 2 * report.matches[0].u_ohm / 1.503e-3 == pytest.approx(0.00938, rel=0.01)


def test_parts_that_nothing_tells_apart_are_named_together(
    records: ShelfRecords, rail: Path
) -> None:
    for name, ohms in (("D1", 1.505e-3), ("D2", 1.507e-3), ("D3", 1.6e-3)):
        records.verified(coil(name, ohms))
    report = matched(records, rail_file=rail)
    assert (report.take, report.alike) == ("D1", ("D2",))


def test_verdict_files_are_enough_and_need_no_shelf(tmp_path: Path, rail: Path) -> None:
    records = ShelfRecords(data_folder(tmp_path / "nothing"))
    verdicts = lines(
        tmp_path / "v.jsonl", coil("A1", 1.6e-3), coil("A2", 1.5e-3),
        json.dumps({"schema": "problem/1", "file": "r.jsonl", "line": 2, "message": "no"}),
    )  # fmt: skip
    report = matched(records, verdicts=(verdicts,), rail_file=rail)
    assert order(report) == ["A2", "A1"]
    assert any("line 3 holds a problem" in text for text in report.remarks)
    assert not records.data.root.exists()


def test_neighbours_come_from_readings_and_verdict_lines_too(
    tmp_path: Path, records: ShelfRecords
) -> None:
    """By hand: 1.5 mohm of copper at 20 degrees are 1.5295 mohm at 25."""
    records.verified(coil("D1", 1.53e-3))
    warm = Readings("P1", "coil-470n", dc_resistance=DcResistance(1.5e-3, 3e-6, temperature_c=20.0))
    path = Path(lines(tmp_path / "n.jsonl", warm, coil("P2", 1.5295e-3, disposition="unfit")))
    report = matched(records, rail_file=path)
    assert [phase.name for phase in report.phases] == ["P1", "P2"]
    assert report.phases[0].resistance_ohm == pytest.approx(1.5295e-3, rel=1e-4)
    assert report.take == "D1"
    assert "phase P2 is itself unfit" in report.remarks


def test_every_problem_of_every_file_is_told_at_once(tmp_path: Path, records: ShelfRecords) -> None:
    verdicts = lines(
        tmp_path / "v.jsonl", coil("A1", 1.5e-3), '{"schema": "verdict/1", "specimn": "A2"}',
        "not json", coil("A1", 1.6e-3), json.dumps({"schema": "readings/1"}), "[]",
    )  # fmt: skip
    neighbours = lines(
        tmp_path / "n.jsonl", coil("P1", None), coil("P2", 1.5e-3), coil("P2", 1.5e-3)
    )
    with pytest.raises(FileProblems) as caught:
        matched(records, verdicts=(verdicts, str(tmp_path / "missing.jsonl")),
                rail_file=Path(neighbours))  # fmt: skip
    said = caught.value.message
    for text in ("line 2, specimn: unknown key; did you mean specimen?", "line 3: not JSON",
                 "line 4, specimen: 'A1' came before", "line 5, schema: must be a verdict",
                 "line 6: must be a JSON object", "missing.jsonl: cannot be read",
                 "line 1: 'P1' has no dc resistance",
                 "line 3, specimen: 'P2' came before"):  # fmt: skip
        assert text in said, said


def test_parts_of_ours_that_sit_on_the_rail_are_its_neighbours(records: ShelfRecords) -> None:
    for name, ohms in (("D1", 1.5e-3), ("D2", 1.54e-3), ("D3", 1.52e-3), ("D9", 1.2e-3)):
        records.verified(coil(name, ohms))
    for phase, name in (("1", "D1"), ("2", "D2")):
        place = BoardPlace(board="radar-supply", serial="12", rail="core", phase=phase)
        fit(records.data, name, place, who="anna", now=records.later())
    report = matched(records, board="radar-supply", rail="core", serial="12")
    assert [phase.name for phase in report.phases] == ["1", "2"]
    assert order(report) == ["D3", "D9"]
    assert matched(records, board="radar-supply", rail="core").take == "D3"
    fit(records.data, "D9", BoardPlace(board="radar-supply", serial="13", rail="core"), who="anna",
        now=records.later())  # fmt: skip
    with pytest.raises(InputError, match="2 boards radar-supply: 12, 13"):
        matched(records, board="radar-supply", rail="core")
    with pytest.raises(InputError, match="no part of yours with a dc resistance"):
        matched(records, board="radio-supply", rail="core")


def test_neighbours_are_named_one_by_one_and_are_not_candidates(records: ShelfRecords) -> None:
    for name, ohms in (("D1", 1.5e-3), ("D2", 1.54e-3), ("D3", 1.52e-3)):
        records.verified(coil(name, ohms))
    report = matched(records, neighbours=("D1", "D2"))
    assert order(report) == ["D3"]
    with pytest.raises(InputError) as caught:
        matched(records, neighbours=("D1", "D22"))
    assert "no verdict on 'D22'" in caught.value.message
    assert "did you mean D2?" in (caught.value.hint or "")


def test_a_rail_file_names_parts_of_ours_and_an_unknown_one_is_told_with_its_key(
    tmp_path: Path, records: ShelfRecords
) -> None:
    records.verified(coil("D1", 1.5e-3))
    records.verified(coil("D2", 1.54e-3))
    path = tmp_path / "rail.toml"
    text = RAIL.replace('name = "2"\ncoil = "1.50 mΩ ±0.4 %"', 'name = "2"\nspecimen = "D1"')
    path.write_text(text, encoding="utf-8")
    report = matched(records, rail_file=path)
    assert report.phases[1].u_ohm == pytest.approx(3e-6)
    assert order(report) == ["D2"]
    path.write_text(text.replace('"D1"', '"D11"'), encoding="utf-8")
    with pytest.raises(FileProblems) as caught:
        matched(records, rail_file=path)
    assert "phases[1].specimen: there is no verdict on 'D11'; did you mean D1?" in str(caught.value)


def test_a_part_of_another_type_is_not_offered_unless_it_is_asked_for(
    records: ShelfRecords, rail: Path
) -> None:
    records.verified(coil("D1", 1.5e-3))
    records.verified(coil("D2", 1.5e-3, type="coil-4u7"))
    with pytest.raises(InputError, match=r"2 types \(coil-470n, coil-4u7\)"):
        matched(records, rail_file=rail)
    assert order(matched(records, rail_file=rail, type="coil-4u7")) == ["D2"]
    assert order(matched(records, neighbours=("D2",), type="coil-470n")) == ["D1"]
    with pytest.raises(InputError, match="no verified part of type coil-10u"):
        matched(records, rail_file=rail, type="coil-10u")


def fet(specimen: str, ohms: float) -> Judgement:
    return Judgement(
        specimen=specimen, type="nfet-30v-5m", disposition="fit", findings=(), would_decide=(),
        characteristics=(characteristic("on-resistance", ohms, 0.004 * ohms, gate_source_v=10.0),),
    )  # fmt: skip


def stage(specimen: str, high: float, low: float) -> Judgement:
    return Judgement(
        specimen=specimen, type="stage-25v-50a", disposition="fit", findings=(), would_decide=(),
        characteristics=(
            characteristic("on-resistance-vin-sw", high, 0.004 * high),
            characteristic("on-resistance-sw-pgnd", low, 0.004 * low),
        ),
    )  # fmt: skip


def test_stages_that_report_by_on_resistance_are_matched_by_their_low_side(
    records: ShelfRecords,
) -> None:
    records.verified(stage("U1", 6e-3, 1.50e-3))
    records.verified(stage("U2", 5e-3, 1.52e-3))
    records.verified(stage("U3", 9e-3, 1.60e-3))
    report = matched(records, neighbours=("U1", "U2"), sensing="rds")
    assert report.take == "U3"
    # by hand: 3 / (1/1.50 + 1/1.52 + 1/1.60) / 1.60 - 1
    assert report.matches[0].share_error == pytest.approx(-0.03825, abs=1e-4)


PASSIVE = """
schema = 1
sensing = "none"
duty = "10 %"
[[phases]]
name = "1"
coil = "1 mΩ ±0.4 %"
low_side = "2.4 mΩ ±0.4 %"
high_side = "7 mΩ ±0.4 %"
board = "0.2 mΩ ±0.4 %"
[[phases]]
name = "2"
vacant = true
coil = "1 mΩ ±0.4 %"
board = "0.2 mΩ ±0.4 %"
"""


def test_without_a_current_loop_the_whole_path_shares(
    tmp_path: Path, records: ShelfRecords
) -> None:
    """By hand: 0.1 x 7 + 0.9 x 2.4 + 1 + 0.2 = 4.06 mohm; with 7 and 2.6 mohm 4.24 mohm:
    2 / (1/4.06 + 1/4.24) / 4.24 - 1 = -2.17 %.
    """
    path = tmp_path / "rail.toml"
    path.write_text(PASSIVE, encoding="utf-8")
    records.verified(stage("U1", 7e-3, 2.4e-3))
    records.verified(stage("U2", 7e-3, 2.6e-3))
    report = matched(records, rail_file=path)
    assert report.phases[0].resistance_ohm == pytest.approx(4.06e-3)
    assert order(report) == ["U1", "U2"]
    assert report.matches[0].share_error == pytest.approx(0.0, abs=1e-9)
    assert report.matches[1].share_error == pytest.approx(-0.02169, abs=1e-4)
    records.verified(fet("Q1", 2.4e-3))
    with pytest.raises(InputError, match="2 types"):
        matched(records, rail_file=path)
    both = matched(records, rail_file=path, type="nfet-30v-5m")
    assert both.matches == ()
    assert "one switch cannot replace both" in dict(both.left_out)["Q1"]
    path.write_text(
        PASSIVE.replace("vacant = true", 'vacant = true\nhigh_side = "7 mΩ ±0.4 %"'),
        encoding="utf-8",
    )
    one = matched(records, rail_file=path, type="nfet-30v-5m")
    assert one.matches[0].share_error == pytest.approx(0.0, abs=1e-9)


def test_lines_of_switches_are_told_which_way_they_share(
    tmp_path: Path, records: ShelfRecords
) -> None:
    records.verified(fet("Q1", 4e-3))
    path = Path(lines(tmp_path / "n.jsonl", fet("P1", 4e-3), fet("P2", 4.1e-3)))
    with pytest.raises(FileProblems, match=r"line 2: 'P2' has no dc resistance.*--sensing rds"):
        matched(records, rail_file=path)
    assert matched(records, rail_file=path, sensing="rds").take == "Q1"


def test_what_cannot_be_compared_is_said_with_the_way_out(
    tmp_path: Path, records: ShelfRecords, rail: Path
) -> None:
    records.verified(coil("D1", None))
    report = matched(records, rail_file=rail)
    assert dict(report.left_out) == {"D1": "its dc resistance was not measured"}
    with pytest.raises(InputError, match="was verified without its dc resistance"):
        matched(records, neighbours=("D1",))
    with pytest.raises(InputError, match="which neighbours"):
        matched(records)
    with pytest.raises(InputError, match="everything between input and rail"):
        matched(records, sensing="none", neighbours=("D1",))
    with pytest.raises(InputError, match="--sensing says 'rds'"):
        matched(records, sensing="rds", rail_file=rail)
    with pytest.raises(InputError, match="without a current loop"):
        matched(records, sensing="none", rail_file=Path(lines(tmp_path / "n.jsonl", coil("P", 1))))


def test_remarks_say_what_the_neighbours_leave_open(tmp_path: Path, records: ShelfRecords) -> None:
    path = tmp_path / "rail.toml"
    path.write_text(
        'schema = 1\n[[phases]]\nname = "1"\ncoil = "1.3 mΩ"\n[[phases]]\nname = "2"\n'
        'coil = "1.5 mΩ ±3 %"\n',
        encoding="utf-8",
    )
    records.verified(coil("D1", 1.5e-3))
    records.verified(coil("D2", 1.45e-3))
    said = " / ".join(matched(records, rail_file=path).remarks)
    assert "no uncertainty is known of phase 1" in said
    assert "phase 2 is known no better than to 1 %" in said
    assert "phase 1 shares worst whichever part is taken" in said
