"""A power stage on a bench without relays, and on one without a multimeter.

The hand is scripted: it makes on the simulated bench the hookup that it is shown. Everything is
watched for harm as in test_stages. Not covered: how the questions look at a terminal, real hands.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from labbench.jobs.part_types import find_any
from labbench.jobs.request import Way
from labbench.jobs.verify import Outcome, Request, verify
from labbench.ports import Event, Prompt
from sim.scenario import load_scenario
from tests.end_to_end.conftest import Workshop

SHIPPED = Path(load_scenario.__code__.co_filename).parent / "scenarios" / "stages.toml"


class Hand:
    """Say yes, and make what is asked for."""

    interactive = True

    def __init__(self, workshop: Workshop) -> None:
        self.bench = workshop.served.bench
        self.ties: list[str] = []

    def ask(self, prompt: Prompt) -> str:
        if prompt.kind == "hookup":
            assert prompt.detail["drawing"], prompt.name
            self.bench.hook_up(prompt.name)
            self.ties.append(prompt.name)
        if prompt.kind == "place":
            self.bench.place(prompt.name)
        answers = {"look": "fine", "switch-test": "yes", "cleaned-and-dry": "yes"}
        return answers.get(prompt.name, prompt.default or "yes")

    def tell(self, event: Event) -> None:
        pass


def changed(folder: Path, *without: str) -> Path:
    """Write the shipped scenario without some instruments."""
    text = SHIPPED.read_text(encoding="utf-8").replace('name = "stages"', 'name = "changed"')
    for table in without:
        assert table in text
        text = text.replace(table, "")
    path = folder / "changed.toml"
    path.write_text(text, encoding="utf-8")
    return path


def verified(workshop: Workshop, specimen: str, way: Way) -> tuple[Outcome, Hand]:
    hand = Hand(workshop)
    with workshop.open() as opened:
        outcome = verify(
            opened,
            Request(part=find_any("stage-25v-50a", ()), specimen=specimen, who="tester",
                    position=specimen, way=way),
            operator=hand, data=workshop.data,
        )  # fmt: skip
    assert not workshop.is_on()
    return outcome, hand


SWITCH, METER = "[instruments.switch]\n", '[instruments.multimeter]\nclass = "6.5-digit"\n'


@pytest.mark.parametrize(("specimen", "word"), [("U1", "plausible"), ("U8", "undecided")])
def test_a_screen_by_hand_tells_how_it_lies_in_few_ties(
    workshops: Callable[..., Workshop], tmp_path: Path, specimen: str, word: str
) -> None:
    outcome, hand = verified(workshops(changed(tmp_path, SWITCH)), specimen, "screen")
    assert outcome.judgement.disposition == word
    turned = [f.fault for f in outcome.judgement.findings] == ["turned-in-jig"]
    assert turned is (specimen == "U8")
    assert len(hand.ties) <= 18


@pytest.mark.slow
def test_every_step_can_be_made_by_hand_and_a_sound_stage_is_fit(
    workshops: Callable[..., Workshop], tmp_path: Path
) -> None:
    outcome, hand = verified(workshops(changed(tmp_path, SWITCH)), "U1", "full")
    assert outcome.judgement.disposition == "fit", outcome.judgement
    assert len(hand.ties) <= 30


def test_without_a_multimeter_a_sound_stage_is_plausible_at_best(
    workshops: Callable[..., Workshop], tmp_path: Path
) -> None:
    workshop = workshops(changed(tmp_path, METER))
    outcome, _ = verified(workshop, "U1", "full")
    assert outcome.judgement.disposition == "plausible"
    assert any("not checked" in text for text in outcome.judgement.remarks)


def test_without_a_multimeter_a_short_is_still_seen(
    workshops: Callable[..., Workshop], tmp_path: Path
) -> None:
    workshop = workshops(changed(tmp_path, METER))
    outcome, _ = verified(workshop, "U4", "full")
    first = outcome.judgement.findings[0]
    assert (outcome.judgement.disposition, first.fault, first.path) == ("unfit", "short", "sw-pgnd")
