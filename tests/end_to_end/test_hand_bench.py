"""A bench without relay switch: a hand places parts and plugs leads, contact starts the sweep.

The hand is scripted: it does on the simulated bench what it is asked to. Does not cover how the
questions look at a terminal (tests/fronts/test_person).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest

from labbench.bench.opened import OpenBench
from labbench.errors import CompensationError, StoppedByPerson
from labbench.jobs.compensate import compensate, ready_compensation
from labbench.jobs.part_types import find
from labbench.jobs.verify import Outcome, Request, verify
from labbench.ports import Event, Prompt
from tests.end_to_end.conftest import Workshop

HOOKUP_RELAYS = {"coil-impedance": (201, 202), "coil-kelvin": (203, 204, 205, 206)}


class Hand:
    """Answer prompts and do what they ask for on the simulated bench."""

    def __init__(self, workshop: Workshop, *, interactive: bool = True) -> None:
        self.bench = workshop.served.bench
        self.interactive = interactive
        self.asked: list[Prompt] = []
        self.told: list[Event] = []
        self.answers: dict[str, str] = {}
        self.before_answer: dict[str, Callable[[], object]] = {}

    def ask(self, prompt: Prompt) -> str:
        self.asked.append(prompt)
        if act := self.before_answer.get(prompt.name):
            act()
        if prompt.kind == "hookup":
            # the supply's leads are never joined together with the meter's
            self.bench.join(())
            self.bench.join(HOOKUP_RELAYS[prompt.name])
        elif prompt.kind == "place":
            self.bench.place(prompt.name)
        if prompt.name in self.answers:
            return self.answers[prompt.name]
        assert prompt.default is not None
        return prompt.default

    def tell(self, event: Event) -> None:
        self.told.append(event)
        if event.kind == "place":
            self.bench.place(str(event.detail["position"]))

    def names(self) -> list[str]:
        return [prompt.name for prompt in self.asked]


@pytest.fixture
def workshop(workshops: Callable[..., Workshop]) -> Workshop:
    return workshops("hand-bench")


@pytest.fixture
def opened(workshop: Workshop) -> Iterator[OpenBench]:
    with workshop.open() as opened:
        yield opened


def request(specimen: str) -> Request:
    return Request(part=find("coil-4u7", ()), specimen=specimen, position=specimen, who="tester",
                   temperature_c=22.0, u_temperature_c=0.5)  # fmt: skip


def run(workshop: Workshop, opened: OpenBench, hand: Hand, specimen: str) -> Outcome:
    return verify(opened, request(specimen), operator=hand, data=workshop.data)


def test_a_hand_takes_the_compensation_and_contact_starts_the_sweep(
    workshop: Workshop, opened: OpenBench
) -> None:
    hand = Hand(workshop)
    outcome = run(workshop, opened, hand, "B1")
    # whether the bounce of B1 is still on at the first look is the simulated hand's affair
    assert [name for name in hand.names() if name != "already-in-the-jig"] == [
        "compensate-now", "coil-impedance", "open", "short",
        "look", "coil-impedance", "coil-kelvin", "coil-resistance",
    ]  # fmt: skip
    assert outcome.judgement.disposition in ("fit", "plausible")
    assert outcome.readings.dc_resistance is not None
    truth = workshop.served.truth()["B1"].dc_resistance_ohm
    u = outcome.readings.dc_resistance.u_ohm
    assert u is not None
    assert outcome.readings.dc_resistance.value_ohm == pytest.approx(truth, abs=4 * u + 2e-4)
    assert not workshop.is_on()


def test_a_short_that_the_hand_held_meter_can_see_is_found(
    workshop: Workshop, opened: OpenBench
) -> None:
    hand = Hand(workshop)
    outcome = run(workshop, opened, hand, "B2")
    assert outcome.judgement.disposition == "unfit"
    finding = outcome.judgement.findings[0]
    assert "shorted-turn" in (finding.fault, *finding.alternatives)


def test_bounce_and_half_contact_are_waited_out(workshop: Workshop, opened: OpenBench) -> None:
    hand = Hand(workshop)
    compensate(opened, who="tester", operator=hand, data=workshop.data)
    workshop.served.bench.place(None)
    outcome = run(workshop, opened, hand, "B1")
    journal = workshop.journals("verify")[-1]
    contact = [e.data["reading"] for e in journal.of_kind("reading")
               if str(e.data["step"]).startswith("contact")]  # fmt: skip
    sweep = [e.data["reading"] for e in journal.of_kind("reading")
             if str(e.data["step"]).startswith("sweep")]  # fmt: skip
    # while the tips bounce or are not pressed home the readings differ; the sweep came after
    settled = complex(contact[-1]["resistance_ohm"], contact[-1]["reactance_ohm"])
    early = [
        reading for reading in contact[:-4]
        if reading["resistance_ohm"] is None
        or abs(complex(reading["resistance_ohm"], reading["reactance_ohm"]) - settled)
        > 0.02 * abs(settled)
    ]  # fmt: skip
    assert early, "the simulated contact did not bounce: this shows nothing"
    at_10k = next(r for r in sweep if r["conditions"]["frequency_hz"] == 10e3)
    assert complex(at_10k["resistance_ohm"], at_10k["reactance_ohm"]) == pytest.approx(
        settled, rel=0.02
    )
    assert outcome.judgement.disposition in ("fit", "plausible")


def test_the_part_before_is_not_taken_for_the_next_one(
    workshop: Workshop, opened: OpenBench
) -> None:
    hand = Hand(workshop)
    assert run(workshop, opened, hand, "B1").judgement.disposition != "unfit"
    bench, clock = workshop.served.bench, workshop.served.clock
    bench.join(HOOKUP_RELAYS["coil-impedance"])

    def tell(event: Event) -> None:
        # B1 is still there when B2 is called for; it is changed only when contact is waited for
        if event.kind == "waiting-for-contact":
            bench.place(None)
            clock.sleep_s(0.3)
            bench.place("B2")

    hand.tell = tell  # type: ignore[method-assign]
    hand.answers["already-in-the-jig"] = "no"
    begun = len(hand.asked)
    outcome = run(workshop, opened, hand, "B2")
    assert "already-in-the-jig" in hand.names()[begun:]
    assert outcome.judgement.disposition == "unfit"


def test_without_anybody_there_it_refuses_to_take_a_compensation(
    workshop: Workshop, opened: OpenBench
) -> None:
    hand = Hand(workshop, interactive=False)
    with pytest.raises(CompensationError, match="there is no compensation"):
        run(workshop, opened, hand, "B1")
    assert hand.asked == []
    assert workshop.journals() == []


def test_a_person_may_decline_to_take_a_compensation_now(
    workshop: Workshop, opened: OpenBench
) -> None:
    hand = Hand(workshop)
    hand.answers["compensate-now"] = "no"
    with pytest.raises(CompensationError):
        run(workshop, opened, hand, "B1")
    assert workshop.journals() == []


def test_a_strip_that_is_not_there_is_refused_and_the_earlier_one_stays_in_force(
    workshop: Workshop, opened: OpenBench
) -> None:
    hand = Hand(workshop)
    first = compensate(opened, who="tester", operator=hand, data=workshop.data)
    bench = workshop.served.bench
    hand.before_answer["short"] = lambda: None
    original = hand.ask

    def ask(prompt: Prompt) -> str:
        answer = original(prompt)
        if prompt.name == "short":
            bench.place("B1")
        return answer

    hand.ask = ask  # type: ignore[method-assign]
    with pytest.raises(CompensationError) as caught:
        compensate(opened, who="tester", operator=hand, data=workshop.data)
    assert "short" in caught.value.message
    closed = workshop.journals("compensate")[-1].events[-1]
    assert closed.data["status"] == "failed"
    assert "short" in closed.data["reason"]
    kept = ready_compensation(
        opened, first.frequency_hz, who="tester", operator=hand, data=workshop.data
    )
    assert kept == first


def test_a_no_at_the_pedal_leaves_the_resistance_out_and_the_output_off(
    workshop: Workshop, opened: OpenBench
) -> None:
    hand = Hand(workshop)
    hand.answers["coil-resistance"] = "no"
    outcome = run(workshop, opened, hand, "B1")
    assert outcome.readings.dc_resistance is None
    assert outcome.judgement.disposition == "undecided"
    assert any("dc resistance not measured" in str(e.detail.get("text")) for e in hand.told)
    assert not workshop.journals("verify")[-1].of_kind("about-to-energise")


def test_a_stop_at_the_pedal_closes_the_journal_with_the_reason(
    workshop: Workshop, opened: OpenBench
) -> None:
    hand = Hand(workshop)

    def stop() -> None:
        raise StoppedByPerson("stopped at the question")

    hand.before_answer["coil-resistance"] = stop
    with pytest.raises(StoppedByPerson):
        run(workshop, opened, hand, "B1")
    closed = workshop.journals("verify")[-1].events[-1]
    assert closed.kind == "closed"
    assert closed.data["status"] == "stopped"
    assert "stopped at the question" in closed.data["reason"]
    assert not workshop.is_on()


def test_a_part_just_lifted_is_measured_with_its_warmth_in_mind(
    workshop: Workshop, opened: OpenBench
) -> None:
    hand = Hand(workshop)
    outcome = run(workshop, opened, hand, "B3")
    # healthy and warm: the one thing that must not happen is a confident wrong word
    assert outcome.judgement.disposition != "unfit"
