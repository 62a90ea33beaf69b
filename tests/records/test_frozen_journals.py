"""Read a journal of every version that was ever written: into events, the store, a page, a verdict.

The files in `frozen` were written when their version was current: `journal-N-demo` by a demo on the
simulated bench (only the path of the bench file was shortened), `journal-N` by test doubles; what
the latter means is in test_journal; `journal-N-shelf` says where a part was fitted and is read in
test_shelf_events. They never change: a new version gets new files.

Does not cover what a journal means, nor whether judging still says the same of those
readings: it may learn.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import jsonschema
import pytest

from labbench.compose import data_folder
from labbench.jobs.look_up import find_run, history, page_for, rebuild
from labbench.judging.coil import judge_coil
from labbench.parts.library import find_part_type
from labbench.records.folder import DataFolder
from labbench.records.journal_file import VERSION, read_journal
from labbench.records.readings_file import judgement_to_json, readings_from_json
from labbench.schemas import load_schema

FROZEN = Path(__file__).parent / "frozen"
JOURNAL_1 = FROZEN / "journal-1-demo.jsonl"
#: of the files as they were frozen
DIGESTS = {
    "journal-1.jsonl": "605fc9c22a0014cf2178b3cb78e85e898a5b0c4bee724154b68d0f079687d942",
    "journal-1-demo.jsonl": "22377813a731c1db78f3931c630594ad4dd985dac2bb97c295452a4632a6ab62",
    "journal-1-shelf.jsonl": "3f30d29fe69bc3633f755a9a2f8c09042076b992b2b792b70bdaa49a65cf3373",
}
VERSIONS = sorted(DIGESTS)


@pytest.fixture
def data(tmp_path: Path) -> DataFolder:
    folder = data_folder(tmp_path / "data")
    folder.journals.mkdir(parents=True)
    (folder.journals / JOURNAL_1.name).write_bytes(JOURNAL_1.read_bytes())
    return folder


def test_every_version_has_a_frozen_journal_and_none_was_changed() -> None:
    found = {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest()
        for path in FROZEN.glob("journal-*.jsonl")
    }
    assert found == DIGESTS
    for version in range(1, VERSION + 1):
        assert f"journal-{version}.jsonl" in DIGESTS
        assert f"journal-{version}-demo.jsonl" in DIGESTS


@pytest.mark.parametrize("name", VERSIONS)
def test_a_frozen_journal_holds_no_path_of_the_machine_that_wrote_it(name: str) -> None:
    for line in (FROZEN / name).read_text(encoding="utf-8").splitlines():
        assert not [text for text in _texts(json.loads(line)) if text.startswith(("/", "~"))]


def test_journal_1_reads_back_whole_and_in_order() -> None:
    journal = read_journal(JOURNAL_1)
    assert not journal.torn
    assert [event.sequence for event in journal.events] == list(range(69))
    assert {event.version for event in journal.events} == {1}
    assert journal.events[0].kind == "opened"
    assert journal.events[-1].kind == "closed"
    assert journal.channels_not_off() == ()
    assert len(journal.of_kind("energised")) == len(journal.of_kind("off")) == 4
    # four of contact, five of the sweep, four pairs with one off reading more; three currents each
    assert len(journal.valid_readings()) == 4 + 5 + 4 * 2 + 1 + 4 * 3


def test_journal_1_is_what_its_schema_says() -> None:
    validator = jsonschema.Draft202012Validator(load_schema("journal-1"))
    for line in JOURNAL_1.read_text(encoding="utf-8").splitlines():
        validator.validate(json.loads(line))


def test_journal_1_is_found_in_a_store_filled_from_it(data: DataFolder) -> None:
    assert rebuild(data) == 1
    (row,) = history(data, specimen="D3")
    assert (row.run, row.job, row.status) == ("journal-1-demo", "verify", "done")
    assert (row.type, row.donor, row.customer_job) == (
        "coil-470n", "radar board 12", "harbour buoys",
    )  # fmt: skip
    assert row.disposition == "unfit"
    assert row.simulated
    assert row.void is None


def test_journal_1_gives_its_page(data: DataFolder) -> None:
    page = page_for(find_run(data, "D3"))
    assert "shorted turn: 66.6 nH at 100 kHz" in page
    assert "unfit" in page
    assert "radar board 12" in page
    assert "<svg" in page
    assert "multimeter, current on and off, 2.98 A<" in page
    assert "multimeter on off" not in page


def test_journal_1_gives_its_page_with_its_last_line_torn(data: DataFolder) -> None:
    path = data.journals / JOURNAL_1.name
    path.write_bytes(path.read_bytes()[:-20])
    journal = read_journal(path)
    assert journal.torn
    assert len(journal.events) == 68
    row = find_run(data, "D3")
    assert row.status is None
    assert "shorted turn: 66.6 nH at 100 kHz" in page_for(row)


def test_the_readings_and_the_verdict_of_journal_1_are_still_readings_1_and_verdict_1() -> None:
    journal = read_journal(JOURNAL_1)
    readings = journal.of_kind("measured")[0].data["readings"]
    jsonschema.Draft202012Validator(load_schema("readings-1")).validate(readings)
    verdict = {
        key: value
        for key, value in journal.of_kind("judged")[0].data.items()
        if key not in ("band", "remarks")
    }
    jsonschema.Draft202012Validator(load_schema("verdict-1")).validate(verdict)


def test_the_readings_of_journal_1_can_be_judged_again() -> None:
    journal = read_journal(JOURNAL_1)
    readings = readings_from_json(journal.of_kind("measured")[0].data["readings"])
    judgement = judge_coil(readings, find_part_type("coil-470n", directories=[]))
    # a turn of this coil was shorted by 0.5 mohm: 67 nH of at least 376 leave no choice
    assert judgement.disposition == "unfit"
    again = judgement_to_json(judgement)["characteristics"][0]
    then = journal.of_kind("judged")[0].data["characteristics"][0]
    assert (again["name"], again["verdict"]) == (then["name"], then["verdict"])
    assert again["value"] == pytest.approx(then["value"], rel=1e-9)


def _texts(value: object) -> list[str]:
    if isinstance(value, str):
        return [value]
    if isinstance(value, dict):
        return [text for item in value.values() for text in _texts(item)]
    if isinstance(value, list):
        return [text for item in value for text in _texts(item)]
    return []
