"""The terminal as the person's end of the Operator port: questions, answers, stops.

Reads are given, not typed; a real pseudo-terminal is used in tests/end_to_end/test_stop_and_kill.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterator

import pytest

from labbench.errors import StepAborted, StoppedByPerson
from labbench.fronts.terminal.person import TerminalPerson
from labbench.ports import Event, Prompt
from labbench.procedures.hookups import COIL_IMPEDANCE

LOOK = Prompt("look", "look", ("fine", "discoloured", "cracked", "bulged", "not-looked"), "fine",
              {"specimen": "D3"})  # fmt: skip
ENERGISE = Prompt("energise", "coil-resistance", ("yes", "no"), "yes",
                  {"what": "the coil's resistance", "amps": 3.0, "volts": 0.29})  # fmt: skip


def typing(*lines: str) -> Callable[[], str]:
    iterator: Iterator[str] = iter(lines)
    return lambda: next(iterator, "")


def person(*lines: str) -> TerminalPerson:
    return TerminalPerson(interactive=True, read=typing(*lines))


@pytest.mark.parametrize(
    ("typed", "answer"),
    [("\n", "fine"), ("f\n", "fine"), ("D\n", "discoloured"), ("  crack \n", "cracked"),
     ("bulged\n", "bulged")],
)  # fmt: skip
def test_enter_takes_the_default_and_a_beginning_is_enough(typed: str, answer: str) -> None:
    assert person(typed).ask(LOOK) == answer


def test_an_answer_that_fits_nothing_is_asked_again(capsys: pytest.CaptureFixture[str]) -> None:
    assert person("x\n", "c\n").ask(LOOK) == "cracked"
    assert "one of: fine, discoloured, cracked" in capsys.readouterr().err


@pytest.mark.parametrize("typed", ["s\n", "stop\n", "S\n", ""])
def test_s_or_the_end_of_input_stops(typed: str) -> None:
    with pytest.raises(StoppedByPerson):
        person(typed).ask(LOOK)


def test_ctrl_c_at_a_question_stops_at_once_and_leaves_the_signal_as_it_was() -> None:
    def interrupted() -> str:
        os.kill(os.getpid(), signal.SIGINT)
        raise AssertionError("the signal did not end the wait")

    seen: list[int] = []
    before = signal.signal(signal.SIGINT, lambda number, _frame: seen.append(number))
    try:
        ours = signal.getsignal(signal.SIGINT)
        with pytest.raises(StoppedByPerson, match="Ctrl-C"):
            TerminalPerson(interactive=True, read=interrupted).ask(LOOK)
        assert signal.getsignal(signal.SIGINT) is ours
        assert seen == []
    finally:
        signal.signal(signal.SIGINT, before)


def test_free_text_needs_some_text() -> None:
    assert person("\n", " radar board 12 \n").ask(Prompt("text", "donor")) == "radar board 12"


def test_the_cautions_come_before_the_first_energised_step_and_once(
    capsys: pytest.CaptureFixture[str],
) -> None:
    somebody = person("\n", "\n", "\n")
    somebody.ask(LOOK)
    assert "wrist strap" not in capsys.readouterr().err
    somebody.ask(ENERGISE)
    first = capsys.readouterr().err
    for word in ("battery", "capacitors", "own off switch", "rings", "hot", "kicks back",
                 "wrist strap", "eye protection", "freeze spray", "60 V"):  # fmt: skip
        assert word in first
    assert "Supply on for the coil's resistance (at most 3 A, 0.29 V)" in first
    somebody.ask(ENERGISE)
    assert "wrist strap" not in capsys.readouterr().err


def test_without_anybody_a_question_is_refused_and_a_given_answer_is_used() -> None:
    nobody = TerminalPerson(interactive=False, answers={"look": "cracked"})
    assert nobody.ask(LOOK) == "cracked"
    with pytest.raises(StepAborted, match="a person is needed here"):
        nobody.ask(ENERGISE)


def test_what_to_connect_and_where_to_put_it_is_said_in_words(
    capsys: pytest.CaptureFixture[str],
) -> None:
    somebody = person("\n", "\n", "\n", "\n")
    hookup = Prompt("hookup", COIL_IMPEDANCE.name, ("done", "cannot"), "done",
                    {"joins": dict(COIL_IMPEDANCE.joins)})  # fmt: skip
    assert somebody.ask(hookup) == "done"
    said = capsys.readouterr().err
    assert said.startswith("Take every other lead off the jig, then connect the impedance meter:")
    for terminal, contact in COIL_IMPEDANCE.joins.items():
        assert f"{terminal:<24} -> {contact}" in said
    for name, words in (("open", "tips apart"), ("short", "copper strip"), ("D3", "Put D3")):
        somebody.ask(Prompt("place", name, ("done", "cannot"), "done"))
        assert words in capsys.readouterr().err


def test_a_confirmation_names_the_part_and_the_answers(capsys: pytest.CaptureFixture[str]) -> None:
    somebody = person("\n", "a\n", "n\n")
    already = Prompt("confirm", "already-in-the-jig", ("yes", "no"), "yes", {"position": "D3"})
    assert somebody.ask(already) == "yes"
    assert "Is it D3? [yes/no, Enter = yes]" in capsys.readouterr().err
    contact = Prompt("confirm", "in-the-jig", ("yes", "again", "no"), "again", {"position": "D3"})
    assert somebody.ask(contact) == "again"
    assert somebody.ask(contact) == "no"
    assert "Is D3 in the jig" in capsys.readouterr().err


def test_events_are_told_on_stderr_and_readings_are_not(capsys: pytest.CaptureFixture[str]) -> None:
    somebody = person()
    somebody.tell(Event("place", {"position": "D3"}))
    somebody.tell(Event("waiting-for-contact", {"position": "D3"}))
    somebody.tell(Event("reading", {"step": "sweep", "quantity": "impedance", "reading": 1}))
    somebody.tell(Event("sweep", {"text": "contact: sweeping"}))
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.splitlines() == [
        "Press D3 into the jig.",
        "  waiting for contact: it starts the sweep (Ctrl-C stops)",
        "  contact: sweeping",
    ]
    TerminalPerson(interactive=True, quiet=True).tell(Event("sweep", {"text": "contact"}))
    assert capsys.readouterr().err == ""
