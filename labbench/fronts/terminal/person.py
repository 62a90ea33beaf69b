"""Be the person's end of the Operator port at a terminal: wording, Enter as the pedal."""

from __future__ import annotations

__all__ = ["TerminalPerson"]

import signal
import sys
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager

import click

from labbench.errors import StepAborted, StoppedByPerson
from labbench.ports import Event, Prompt

_LOOKS = "f = fine, d = discoloured, c = cracked, b = bulged"
_HOOKUPS = {
    "coil-impedance": "the impedance meter",
    "rail-short": "the two clips of the supply to each other, nothing of the board between them",
    "board-power": "supply and multimeter to the board; 1 Ω (1 W) stays across its rail",
    "coil-kelvin": "the supply (force contacts) and, if there is one, the multimeter (sense)",
    "coil-bias": "supply and impedance meter through the bias network, never beside it",
    "coil-insulation": "supply through 1 MΩ to the probe on the core, multimeter across the 1 MΩ",
}
_CAUTIONS = (
    "Before the supply comes on for the first time:",
    "  disconnect battery and adapters; meter first, then discharge capacitors via a resistor;",
    "  the supply's own off switch within reach; no rings or loose metal near the clips;",
    "  parts and load resistors get hot; a bias current that is broken kicks back;",
    "  wrist strap on; fumes and lead: air and clean hands; eye protection;",
    "  cleaning solvent and freeze spray burn: never near hot air, dry before energising.",
    "  At most 60 V DC, isolated (from memory: check the standard); local rules come first.",
)


class TerminalPerson:
    """Ask on stderr, read from stdin; Enter (or the pedal) takes the default.

    `answers` gives answers ahead by prompt name, for runs without a person.
    """

    def __init__(
        self,
        *,
        interactive: bool | None = None,
        answers: Mapping[str, str] | None = None,
        quiet: bool = False,
        read: Callable[[], str] | None = None,
    ) -> None:
        self._interactive = sys.stdin.isatty() if interactive is None else interactive
        self._answers = dict(answers or {})
        self._quiet = quiet
        self._read = read or sys.stdin.readline
        self._cautioned = False

    @property
    def interactive(self) -> bool:
        """Tell whether somebody is there to answer."""
        return self._interactive

    def ask(self, prompt: Prompt) -> str:
        """Ask and wait; raise StoppedByPerson on `s`, StepAborted where nobody is there."""
        if prompt.name in self._answers:
            return self._answers[prompt.name]
        if not self._interactive:
            raise StepAborted(
                f"a person is needed here and nobody is: {_question(prompt)}",
                hint="run it at a terminal, or give the answer as an option (see --help)",
            )
        if prompt.kind == "energise" and not self._cautioned:
            self._cautioned = True
            self._say("\n".join(_CAUTIONS))
        while True:
            self._say(f"{_question(prompt)} ", newline=False)
            with _interruptible(prompt):
                line = self._read()
            if not line:
                raise StoppedByPerson(f"the input ended at the question: {_question(prompt)}")
            answer = line.strip().lower() if prompt.choices else line.strip()
            if answer in ("s", "stop"):
                raise StoppedByPerson(f"stopped at the question: {_question(prompt)}")
            if not answer and prompt.default is not None:
                return prompt.default
            if not prompt.choices:
                if answer:
                    return answer
                continue
            fitting = [choice for choice in prompt.choices if answer and choice.startswith(answer)]
            if len(fitting) == 1:
                return fitting[0]
            self._say(f"  one of: {', '.join(prompt.choices)}; s stops")

    def tell(self, event: Event) -> None:
        """Show an event on stderr."""
        if not self._quiet and (text := _event_text(event)):
            self._say(text)

    def _say(self, text: str, *, newline: bool = True) -> None:
        click.echo(text, err=True, nl=newline)


@contextmanager
def _interruptible(prompt: Prompt) -> Iterator[None]:
    """Let Ctrl-C end the wait for an answer at once; at a question nothing is energised.

    During a run Ctrl-C only sets a flag, and a read that a signal interrupts is taken up again:
    the question would go on waiting for Enter.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        yield
    except KeyboardInterrupt:
        raise StoppedByPerson(f"stopped by Ctrl-C at the question: {_question(prompt)}") from None
    finally:
        signal.signal(signal.SIGINT, before)


def _question(prompt: Prompt) -> str:
    """Word a prompt; what Enter means stands in brackets."""
    detail = prompt.detail
    subject = str(detail.get("what", prompt.name))
    part = detail.get("position") or detail.get("specimen") or "the part"
    if prompt.kind == "look":
        return f"Look at {part}: {_LOOKS} [Enter = fine]:"
    if prompt.kind == "place":
        words = {
            "open": "Hold the tips apart, nothing between them",
            "short": "Press both tips onto one copper strip",
            "load": "Press the tips onto the two ends of the standard resistor",
        }.get(subject, f"Put {subject} into the jig")
        return f"{words}, then Enter (c = cannot):"
    if prompt.kind == "hookup":
        joins = detail.get("joins")
        # the supply would destroy an impedance meter that is left on the jig
        what = _HOOKUPS.get(subject, subject.replace("-", " "))
        lines = [f"Take every other lead off the jig, then connect {what}:"]
        drawing = detail.get("drawing")
        if isinstance(drawing, tuple | list) and drawing:
            lines += [f"    {line}" for row in drawing for line in str(row).splitlines()]
        elif isinstance(joins, Mapping):
            lines += [f"    {terminal:<24} -> {contact}" for terminal, contact in joins.items()]
        return "\n".join([*lines, "  then Enter (c = cannot):"])
    if prompt.kind == "energise":
        numbers = ", ".join(
            f"{value:g} {unit}"
            for value, unit in ((detail.get("amps"), "A"), (detail.get("volts"), "V"))
            if isinstance(value, float | int)
        )
        return (
            f"Supply on for {subject} (at most {numbers}): hands off, then Enter or pedal "
            "(n = leave it out, s = stop):"
        )
    if prompt.kind == "confirm":
        words = {
            "already-in-the-jig": f"Something conducts in the jig already. Is it {part}?",
            "cleaned-and-dry": f"Is {part} cleaned and dry? Flux and water leak more than a part",
            "all-off": (
                "Battery and adapters off, board isolated, its capacitors discharged through a "
                "resistor, and the meter shows less than 20 mV"
            ),
            "in-the-jig": f"No contact seen. Is {part} in the jig (again = wait on)?",
        }.get(prompt.name, str(detail.get("text", subject)))
        choices = "/".join(prompt.choices)
        default = f", Enter = {prompt.default}" if prompt.default else ""
        return f"{words} [{choices}{default}]:"
    return f"{detail.get('text', subject)!s}:"


def _event_text(event: Event) -> str:
    detail = event.detail
    text = detail.get("text")
    part = detail.get("position") or "the part"
    if isinstance(text, str):
        return f"  {text}"
    if event.kind == "place":
        return f"Press {part} into the jig."
    if event.kind == "waiting-for-contact":
        return "  waiting for contact: it starts the sweep (Ctrl-C stops)"
    return ""
