"""Read what a demo says, and count: the study must see every disagreement and every break-off.

Does not run a demo: demo_seeds.py does. The sentences are held to the demo's own by
`test_the_sentences_are_those_of_the_demo`.
"""

from __future__ import annotations

import json
from types import SimpleNamespace

import pytest

from labbench.fronts.terminal.commands import demo
from tests.studies.demo_seeds import (
    BROKE_OFF,
    FAULT_MISSED,
    FAULT_OPEN,
    HEALTHY_OPEN,
    HEALTHY_UNFIT,
    Run,
    healthy_in_the_scenario,
    read_demo,
    report,
)

VERDICTS = "".join(json.dumps({"specimen": f"D{n}"}) + "\n" for n in range(1, 12))


def read(*wrong: str, agree: int = 11, code: int | None = None, out: str = VERDICTS) -> Run:
    foot = f"{agree} of 11 agree with what the parts really are; 4.2 s"
    if code is None:
        code = 1 if wrong else 0
    err = "\n".join(("compensation of today", "measuring D1 (1 of 11)", "", *wrong, foot))
    return read_demo(5, False, 4.2, code=code, out=out, err=err)


def kinds(run: Run) -> list[str]:
    return [kind for kind, _ in run.disagreements]


def test_a_demo_that_agrees_has_no_disagreement() -> None:
    run = read()
    assert (run.coils, run.disagreements) == (11, ())


@pytest.mark.parametrize(
    ("sentence", "kind"),
    [
        ("D1 was called unfit and is fit", HEALTHY_UNFIT),
        ("D1 was called undecided and is fit", HEALTHY_OPEN),
        ("D1 was called plausible and is fit", HEALTHY_OPEN),
        ("D3 was called fit and is unfit (shorted-turn)", FAULT_MISSED),
        ("D3 was called undecided and is unfit (shorted-turn)", FAULT_OPEN),
        ("D3 was called plausible and is unfit (shorted-turn)", FAULT_OPEN),
    ],
)
def test_each_disagreement_is_counted_as_what_it_is(sentence: str, kind: str) -> None:
    run = read(sentence, agree=10)
    assert kinds(run) == [kind]
    assert report([run], 1.0) == 1


def test_a_sentence_that_is_not_understood_counts_as_broken_off() -> None:
    assert kinds(read("D3 turned out otherwise", agree=10)) == [BROKE_OFF]


def test_a_demo_that_ends_early_counts_as_broken_off() -> None:
    run = read_demo(
        5,
        True,
        1.0,
        code=4,
        out="",
        err="measuring D1\nlabbench: nothing could be reached\n  next: look at it\n",
    )
    assert run.disagreements == ((BROKE_OFF, "exit code 4: labbench: nothing could be reached"),)
    assert report([run], 1.0) == 1


def test_a_verdict_that_is_missing_counts_as_broken_off() -> None:
    assert kinds(read(out=VERDICTS.replace('{"specimen": "D7"}\n', ""))) == [BROKE_OFF]


def test_an_exit_code_that_hides_a_disagreement_counts_as_broken_off() -> None:
    assert BROKE_OFF in kinds(read("D1 was called unfit and is fit", agree=10, code=0))


def test_one_healthy_coil_in_a_hundred_may_be_called_unfit_and_not_more() -> None:
    healthy = healthy_in_the_scenario()
    assert healthy == 4
    good, bad = read(), read("D1 was called unfit and is fit", agree=10)
    assert report([bad, *[good] * 24], 1.0) == 0  # 1 of 100
    assert report([bad, *[good] * 23], 1.0) == 1  # 1 of 96
    assert report([bad, bad, *[good] * 23], 1.0) == 1


def test_any_other_disagreement_is_too_many() -> None:
    one = read("D3 was called fit and is unfit (shorted-turn)", agree=10)
    assert report([one, *[read()] * 99], 1.0) == 1


def test_the_sentences_are_those_of_the_demo() -> None:
    def outcome(name: str, word: str) -> SimpleNamespace:
        return SimpleNamespace(judgement=SimpleNamespace(specimen=name, disposition=word))

    truth = {
        "D1": SimpleNamespace(disposition="fit", fault=None),
        "D3": SimpleNamespace(disposition="unfit", fault="shorted-turn"),
    }
    said = demo._compare([outcome("D1", "unfit"), outcome("D3", "fit")], truth)
    assert kinds(read(*said, agree=9)) == [HEALTHY_UNFIT, FAULT_MISSED]
