"""Stand at the pedal: answer for a person where leave was given to go on without one."""

from __future__ import annotations

__all__ = ["person_at_terminal"]

import sys

from labbench.fronts.terminal.person import TerminalPerson


def person_at_terminal(*, unattended: bool) -> TerminalPerson:
    """Return the person at this terminal; with `unattended` the supply may come on unasked.

    Without that leave and without a terminal, a step that needs the supply is refused.
    """
    answers = {"coil-resistance": "yes"} if unattended else {}
    return TerminalPerson(interactive=sys.stdin.isatty(), answers=answers)
